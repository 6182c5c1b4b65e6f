"""Saltcellar Farm through a fortnight: real commands, the real service, simulated air, a clock that tests move."""

from __future__ import annotations

import io
import shlex
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path

from click.testing import CliRunner, Result

from monitor.cli import root
from monitor.cli.common import Context
from monitor.farmfile import load_farm
from monitor.profilefile import shipped_profiles
from monitor.readings import Block, Reading
from monitor.service import STATUS_STATE, Service
from tests.fortnight.air import OFF, readings_at
from tests.support.typist import Typist

STEP = timedelta(minutes=15)
PROFILES = shipped_profiles()
FARM = """
[farm]
name = "Saltcellar Farm"
time_zone = "Europe/Lisbon"
rounds = ["07:30", "17:00"]
delivery_days = ["tue", "fri"]
loss_percent = 8

[[room]]
id = "cellar"
lamp = "06:00-22:00"

[[rack]]
id = "1"
room = "cellar"
shelves = 3
trays_per_shelf = 12

[[rack]]
id = "2"
room = "cellar"
shelves = 4
trays_per_shelf = 12

[[place]]
id = "cold"
name = "the cold store"
kind = "cold store"
limits = { temperature = { low = 1, high = 5 } }

[[tray]]
id = "1020"
medium = "coir"
medium_depth_mm = 20
owned = 90

[[sensor]]
id = "air-1"
quantity = "temperature"
spot = "cellar"
every = "15m"

[[sensor]]
id = "damp-1"
quantity = "humidity"
spot = "cellar"
every = "15m"

[[sensor]]
id = "lux-1"
quantity = "light"
spot = "cellar"
every = "15m"

[[sensor]]
id = "cold-1"
quantity = "temperature"
spot = "cold"
every = "15m"

[[channel]]
id = "screen"
kind = "console"

[[person]]
id = "ines"
channels = ["lines"]
quiet = "21:00-06:30"

[[person]]
id = "tomek"
channels = ["lines"]
days = ["wed"]
quiet = "21:00-06:30"

[[channel]]
id = "lines"
kind = "jsonl"
path = "nudges.jsonl"
"""


@dataclass(frozen=True, slots=True)
class Typed:
    """One command of the script.

    Attributes:
        at: When it is typed.
        by: Who types it.
        words: The command, without the program's name.
        answers: What is typed into its dialogue, a line each; None: it has none.
        says: What its output must hold.
        refused: It must be refused.
    """

    at: datetime
    by: str
    words: tuple[str, ...]
    answers: str | None = None
    says: tuple[str, ...] = ()
    refused: bool = False


def read_script(path: Path, zone: Callable[[datetime], datetime]) -> tuple[Typed, ...]:
    """Return the commands of a script: ``Mon 2 08:10 ines: sow ...``; under it ``> answer``, ``= said``, ``! refused``.

    Args:
        path: The script, of March 2026.
        zone: Makes an aware UTC instant of a local wall time.
    """
    found: list[Typed] = []
    for line in path.read_text(encoding="utf-8").splitlines():
        head, _, rest = line.strip().partition(" ")
        if not line.strip() or head == "#":
            continue
        if head in (">", "=", "!"):
            last = found[-1]
            answers = f"{last.answers or ''}{rest}\n" if head == ">" else last.answers
            says = (*last.says, rest) if head in "=!" else last.says
            found[-1] = Typed(last.at, last.by, last.words, answers, says, last.refused or head == "!")
            continue
        when, _, words = line.partition(": ")
        weekday, day, clock, by = when.split()
        wall = datetime.fromisoformat(f"2026-03-{int(day):02d}T{clock}")
        assert wall.strftime("%a") == weekday, line
        found.append(Typed(zone(wall), by, tuple(shlex.split(words))))
    return tuple(found)


@dataclass
class Cellar(Typist):
    """The farm in a folder, its service, and what was typed and told."""

    folder: Path
    now: datetime
    path: Path = field(init=False)
    by: str = "ines"
    service: Service | None = field(init=False, default=None)
    again_at: datetime = field(init=False)
    unkept: list[Reading] = field(default_factory=list)

    def __post_init__(self) -> None:
        """Write the farm file and start the service."""
        self.path = self.folder / "farm.toml"
        self.path.write_text(FARM, encoding="utf-8")
        self.farm = load_farm(self.path)
        self.again_at = self.now
        self.start()

    def run(self, *words: str, answer: str | None = None) -> Result:
        """Run one command as the person who types."""
        self.keep()
        context = Context(farm_path=self.path, clock=lambda: self.now, _profiles=dict(PROFILES))
        return CliRunner(env={"TRAYWARDEN_BY": self.by}).invoke(root, list(words), obj=context, input=answer)

    def start(self) -> None:
        """Start the service, as power and machine come up."""
        self.service = Service(self.farm, PROFILES, clock=lambda: self.now, console=io.StringIO(), look_every=STEP)
        self.service.tell_downtime(self.now)
        self.again_at = self.now

    def stop(self) -> None:
        """Stop the service, as in a power cut."""
        if self.service is not None:
            self.keep()
            self.service.outbox.put([], state={STATUS_STATE: self.service.status(self.now - STEP)}, now=self.now)
            self.service.stop()
            self.service = None

    def steps(self, end: datetime) -> Iterator[datetime]:
        """Yield each quarter of an hour until the end, after what fell due at it was told."""
        while self.now <= end:
            if OFF.begin <= self.now < OFF.end:
                self.stop()
            elif self.service is None:
                self.start()
            self.hear()
            yield self.now
            self.wake()
            self.now += STEP

    def hear(self) -> None:
        """Take the readings of this quarter of an hour."""
        if self.service is not None:
            fresh = readings_at(self.now, self.farm.zone)
            block = Block.from_readings(fresh)
            self.service.live.take(block)
            self.service.scales.take(block)
            self.unkept += fresh

    def keep(self) -> None:
        """Put what was heard into the store, from which commands read."""
        if self.service is not None and self.unkept:
            self.service.store.append(Block.from_readings(self.unkept))
            self.unkept = []

    def wake(self) -> None:
        """Have the service tell what is due."""
        if self.service is not None:
            self.again_at = self.service.run_due(self.now)

    def type(self, typed: Typed) -> str:
        """Type one command of the script, and return what it said."""
        self.by = typed.by
        done = self.run(*typed.words, answer=typed.answers)
        said = f"{done.output}{done.exception or ''}" if typed.refused else done.output
        command = " ".join(typed.words)
        assert (done.exit_code != 0) is typed.refused, f"{typed.at}: {command}: {done.output} {done.exception!r}"
        for words in typed.says:
            assert words in said, f"{typed.at}: {command} did not say {words!r}:\n{said}"
        return said
