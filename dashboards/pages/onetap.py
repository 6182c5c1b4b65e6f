"""What the page of a link in a nudge shows: one task, its buttons, or what came of it; pure."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from alerts.findings import Tick
from alerts.tasks import Task
from dashboards.pages.walk import Line, asks_of, line_of


@dataclass(frozen=True, slots=True, kw_only=True)
class OneTap:
    """One task to be answered.

    Attributes:
        person: In whose name.
        action: Where the form goes.
        lines: What is asked; empty: nothing (any more).
        says: What came of it, or why there is nothing to answer; empty: it waits for the tap.
        units_g: What a bare number of a weight is counted in.
    """

    person: str
    action: str
    lines: tuple[Line, ...]
    says: str
    units_g: str


def build_one_tap(
    task_key: str, tasks: Iterable[Task], tick: Tick, *, person: str, action: str, says: str = ""
) -> OneTap:
    """Return the page of one task at one moment; ``says`` is what a tap has brought."""
    task = next((each for each in tasks if each.key == task_key), None)
    lines = tuple(line_of(ask, tick) for ask in asks_of(task, tick)) if task is not None and not says else ()
    told = says or ("" if lines else "This is not asked any more: it was answered, or its time is over.")
    return OneTap(
        person=person,
        action=action,
        lines=lines,
        says=told,
        units_g="g" if tick.farm.units == "metric" else "oz",
    )
