"""What every command shares: where the farm is, what time it is, and how facts and refusals are told."""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, ParamSpec, TypeVar

import click

from monitor.clock import Clock, system_clock
from monitor.errors import NotFoundError, TimeError

if TYPE_CHECKING:
    from monitor.farm import Farm
    from monitor.profiles import Profile
    from monitor.readings import Reading
    from monitor.scales import Scales
    from monitor.stores.ledger import SqlLedger

P = ParamSpec("P")
R = TypeVar("R")

FARM_VARIABLE = "TRAYWARDEN_FARM"
NOW_VARIABLE = "TRAYWARDEN_NOW"


def rehearsal_clock() -> Clock:
    """Return the machine's clock, or one that stands at TRAYWARDEN_NOW, for rehearsals and tests.

    Raises:
        TimeError: The variable holds no instant with an offset.
    """
    said = os.environ.get(NOW_VARIABLE)
    if not said:
        return system_clock
    try:
        instant = datetime.fromisoformat(said)
    except ValueError as exc:
        raise TimeError(f"{NOW_VARIABLE} holds {said!r}; give an instant like 2026-03-02T07:30:00+01:00") from exc
    if instant.tzinfo is None:
        raise TimeError(f"{NOW_VARIABLE} holds {said!r} without an offset; add one, e.g. +01:00 or Z")
    return lambda: instant


@dataclass(kw_only=True)
class Context:
    """What a command gets: the farm, its profiles and ledger (opened when first asked for), the clock, a voice.

    Attributes:
        farm_path: Where farm.toml is looked for.
        clock: The present instant.
        as_json: Facts are printed as JSON, and only they go to standard output.
    """

    farm_path: Path
    clock: Clock = field(default_factory=rehearsal_clock)
    as_json: bool = False
    _farm: Farm | None = None
    _profiles: Mapping[str, Profile] | None = None
    _ledger: SqlLedger | None = None
    _scales: Scales | None = None

    def farm(self) -> Farm:
        """Return the farm as farm.toml has it.

        Raises:
            NotFoundError: There is no such file.
            ConfigError: It has faults; all of them are said.
        """
        if self._farm is None:
            from monitor.farmfile import load_farm

            if not self.farm_path.exists():
                raise NotFoundError(
                    f"no farm file at {self.farm_path}; make one with `traywarden init`, or say where it is with "
                    f"--farm PATH or {FARM_VARIABLE}"
                )
            self._farm = load_farm(self.farm_path)
        return self._farm

    def profiles(self) -> Mapping[str, Profile]:
        """Return the crop profiles: the shipped ones, and the farm's own over them.

        Raises:
            ConfigError: The farm's own files have faults; all of them are said.
        """
        if self._profiles is None:
            from monitor.profilefile import load_profiles

            folder = self.farm().profile_folder if self.farm_path.exists() else None
            self._profiles = load_profiles(folder)
        return self._profiles

    def ledger(self) -> SqlLedger:
        """Return the farm's ledger, opened (and its schema brought up to date) at the first call."""
        if self._ledger is None:
            from monitor.stores.ledger import open_ledger

            storage = self.farm().storage
            self._ledger = open_ledger(storage.folder, storage.postgres)
        return self._ledger

    def scales(self) -> Scales:
        """Return the state of the farm's scales and air, read from the store at the first call.

        Raises:
            StoreError: The store cannot be opened.
        """
        if self._scales is None:
            from monitor.scales import Scales
            from monitor.scalesetup import setups_of

            farm = self.farm()
            self._scales = Scales(farm.sensors)
            self._scales.set_up(setups_of(self.ledger().entries(), farm.sensors))
            if self._scales.followed and (farm.storage.influx is not None or farm.storage.folder.exists()):
                from datetime import timedelta

                from monitor.scales import SCALES_FROM
                from monitor.stores.opening import open_readings

                store, now = open_readings(farm), self.clock()
                try:
                    followed = self._scales.followed
                    self._scales.take(store.read(followed, now - SCALES_FROM, now + timedelta(minutes=5)))
                finally:
                    store.close()
        return self._scales

    def close(self) -> None:
        """Let go of the ledger if it was opened."""
        if self._ledger is not None:
            self._ledger.close()
            self._ledger = None

    def echo(self, text: str = "") -> None:
        """Say a line to the person; nothing is said under --json."""
        if not self.as_json:
            click.echo(text)

    def warn(self, text: str) -> None:
        """Say a warning on standard error, under --json too."""
        click.echo(text, err=True)

    def echo_json(self, payload: Mapping[str, Any]) -> None:
        """Print facts as JSON, two spaces deep, instants already in RFC 3339."""
        click.echo(json.dumps(payload, ensure_ascii=False, indent=2))


def json_option(command: Callable[P, R]) -> Callable[P, R]:
    """Give a command ``--json``; it sets ``as_json`` in the context before the command runs."""

    def note(ctx: click.Context, _param: click.Parameter, value: bool) -> None:
        if value:
            ctx.ensure_object(Context).as_json = True

    return click.option(
        "--json", is_flag=True, expose_value=False, is_eager=True, callback=note, help="Print the facts as JSON."
    )(command)


def latest_readings(farm: Farm) -> dict[str, Reading]:
    """Return the newest stored reading of each sensor of the farm; a farm that has stored none has none.

    Raises:
        StoreError: The store cannot be opened.
    """
    from monitor.stores.opening import open_readings

    if not farm.sensors or (farm.storage.influx is None and not farm.storage.folder.exists()):
        return {}
    store = open_readings(farm)
    try:
        return store.latest(list(farm.sensors))
    finally:
        store.close()
