"""How old a figure is, in the words of every page; pure."""

from __future__ import annotations

from datetime import datetime, timedelta

OLD = timedelta(minutes=30)
"""A figure older than this says so in bold. Ours."""


def say_age(age: timedelta) -> str:
    """Return how old something is, in a few words."""
    seconds = max(age / timedelta(seconds=1), 0.0)
    if seconds < 90:
        return "just now"
    minutes = round(seconds / 60)
    if minutes < 120:
        return f"{minutes} min ago"
    return f"{minutes // 60} h ago" if minutes < 48 * 60 else f"{minutes // 1440} days ago"


def is_old(measured_at: datetime, now: datetime, usual: timedelta | None = None) -> bool:
    """Tell whether a figure is too old to go by: beyond half an hour, or three of the sensor's own intervals.

    Args:
        measured_at: When it was measured.
        now: The instant.
        usual: How often the sensor speaks; None: not known.
    """
    return now - measured_at > max(OLD, 3 * usual if usual is not None else OLD)
