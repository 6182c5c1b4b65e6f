"""What a person is to do to a batch, in a window of days; derived afresh from ledger, profile and time.

Two kinds belong to a promise and not to a batch: SOW and RING. Their ``batch`` is the promise's id, their occurrence
the day on which the trays are asked for.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from enum import StrEnum

from monitor.profiles import PhaseKind


class TaskKind(StrEnum):
    """What is to be done."""

    DRAIN = "drain"
    LOOK = "look"
    UNCOVER = "uncover"
    END_BLACKOUT = "end blackout"
    WATER = "water"
    HARVEST = "harvest"
    CLEAR = "clear and wash"
    LOOK_OVER = "look over"
    WASH = "wash the shelf"
    SOW = "sow"
    RING = "ring"


OF_PROMISES = (TaskKind.SOW, TaskKind.RING)
AFTERWARDS = (TaskKind.CLEAR, TaskKind.LOOK_OVER, TaskKind.WASH)
"""What follows from a deed: asked from the round after it on, not in the round in which it was done."""


class Urgency(StrEnum):
    """Where in its window a task stands."""

    EARLY = "may be done"
    DUE = "due"
    LAST_DAY = "last day"
    PAST = "past the latest day"


@dataclass(frozen=True, slots=True, kw_only=True)
class TrayGroup:
    """Trays of one batch at one place that a task means."""

    trays: int
    spot: str | None
    stack: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """One thing to do.

    Attributes:
        kind: What.
        batch: Batch id; of SOW and RING, the promise's id.
        crop: Profile id.
        phase: The phase that the batch is in.
        occurrence: Which time, where a kind comes again (the local day of a pour, a look); else empty.
        groups: The trays that it means, in walking order.
        earliest_on: First local day on which it may be done.
        usual_on: Local day on which it is usually done.
        latest_on: Last local day on which it should be done.
        ask_at: When it is first to be nudged: the first round of the usual day (a drain: its hour).
        urgency: Where in its window ``now`` lies.
        answered_not_yet_until: A person said "not yet": nudged again from this instant on; None: nobody did.
        day: Day number of the batch.
        move: The whole move, told to someone who has never done it, in one or two sentences.
        why: Why now, one line.
        cautions: Cautions that belong to the move; may be empty.
        answer: The command that says it is done, e.g. ``traywarden uncover 12``.
        water_ml: What is to be poured in all; 0 where nothing is. [ml]
    """

    kind: TaskKind
    batch: str
    crop: str
    phase: PhaseKind
    occurrence: str
    groups: tuple[TrayGroup, ...]
    earliest_on: date
    usual_on: date
    latest_on: date
    ask_at: datetime
    urgency: Urgency
    answered_not_yet_until: datetime | None
    day: int
    move: str
    why: str
    cautions: tuple[str, ...]
    answer: str
    water_ml: float = 0.0

    @property
    def key(self) -> str:
        """Return what makes it the same task for ever: batch, kind, phase and occurrence."""
        return "|".join((self.batch, self.kind.value, self.phase.value, self.occurrence))

    @property
    def trays(self) -> int:
        """Return how many trays it means in all."""
        return sum(group.trays for group in self.groups)

    def is_asked(self, now: datetime) -> bool:
        """Tell whether its time has come: its instant, or, of what waits for no deed, its usual day."""
        return self.ask_at <= now or (self.urgency is not Urgency.EARLY and self.kind not in AFTERWARDS)

    def is_due(self, now: datetime) -> bool:
        """Tell whether it is to be done at this moment: its time has come, and nobody put it off."""
        off = self.answered_not_yet_until
        return self.is_asked(now) and (off is None or off <= now)


def is_due(task: Task, now: datetime) -> bool:
    """Tell whether a task is to be done at this moment: its time has come, and nobody put it off."""
    return task.is_due(now)
