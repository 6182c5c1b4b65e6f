"""The lines of a wall sheet: what each asks, how it is kept until it is entered, and read back; pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime

from alerts.tasks import TaskKind, TrayGroup

FROM_LINE = "L"
"""Opens the name of what a line asks to sow, as long as it has no number of its own: ``L12``."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetLine:
    """One line of the sheet: one task at one round.

    Attributes:
        number: Its number on the paper.
        at: The round (a soak: its hour).
        kind: What is asked.
        batch: Batch id; of a sowing or a call, the promise's id; of what line 12 asks to sow, ``L12``.
        crop: What a grower calls it.
        trays: How many trays in all.
        groups: The trays by place and pile.
        water_ml: What is to be poured in all. [ml]
        place: Where, in words; where it begins, if it is several places.
        words: The move, in the nudge's words, shortened.
        last_day: It is the last day for it.
        for_on: Of a sowing or a call, the day on which its trays are asked for; else None.
    """

    number: int
    at: datetime
    kind: TaskKind
    batch: str
    crop: str
    trays: int
    groups: tuple[TrayGroup, ...]
    water_ml: float
    place: str
    words: str
    last_day: bool
    for_on: date | None = None

    @property
    def sown_by(self) -> int | None:
        """Return the number of the line that asks to sow its trays; None: they have a batch."""
        return int(self.batch[1:]) if self.batch[:1] == FROM_LINE else None

    @property
    def asks_grams(self) -> bool:
        """Tell whether grams are to be written beside it."""
        return self.kind is TaskKind.HARVEST


def line_facts(line: SheetLine) -> dict[str, object]:
    """Return a line as it is kept and as JSON has it."""
    return {
        "number": line.number,
        "at": line.at.isoformat(),
        "kind": line.kind.value,
        "batch": line.batch,
        "crop": line.crop,
        "trays": line.trays,
        "groups": [{"trays": group.trays, "spot": group.spot, "stack": group.stack} for group in line.groups],
        "water_ml": round(line.water_ml),
        "place": line.place,
        "words": line.words,
        "last_day": line.last_day,
        "for_on": line.for_on.isoformat() if line.for_on else None,
    }


def read_lines(kept: Iterable[Mapping[str, object]]) -> tuple[SheetLine, ...]:
    """Return lines from what was kept of a sheet."""
    found = []
    for row in kept:
        groups = row["groups"]
        assert isinstance(groups, list)
        found.append(
            SheetLine(
                number=int(str(row["number"])),
                at=datetime.fromisoformat(str(row["at"])),
                kind=TaskKind(str(row["kind"])),
                batch=str(row["batch"]),
                crop=str(row["crop"]),
                trays=int(str(row["trays"])),
                groups=tuple(TrayGroup(trays=g["trays"], spot=g["spot"], stack=g["stack"]) for g in groups),
                water_ml=float(str(row["water_ml"])),
                place=str(row["place"]),
                words=str(row["words"]),
                last_day=bool(row["last_day"]),
                for_on=date.fromisoformat(str(row["for_on"])) if row.get("for_on") else None,
            )
        )
    return tuple(found)
