"""Crop profiles as the documented JSON."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict
from typing import Any

from monitor.profiles import Profile


def profile_json(profile: Profile) -> dict[str, Any]:
    """Return a profile as the documented JSON."""

    def plain(value: Any) -> Any:
        if isinstance(value, dict):
            return {str(getattr(key, "value", key)): plain(each) for key, each in value.items()}
        if isinstance(value, list | tuple):
            return [plain(each) for each in value]
        return getattr(value, "value", value) if not isinstance(value, int | float | str | bool) else value

    facts: dict[str, Any] = plain(asdict(profile))
    return facts


def profile_facts(profile: Profile) -> dict[str, Any]:
    """Return one profile."""
    return {"schema": "traywarden.profile/1", "profile": profile_json(profile)}


def profiles_facts(profiles: Iterable[Profile]) -> dict[str, Any]:
    """Return profiles."""
    return {"schema": "traywarden.profiles/1", "profiles": [profile_json(each) for each in profiles]}
