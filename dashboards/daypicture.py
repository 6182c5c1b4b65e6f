"""The days of a batch as one picture, as values: what is drawn where, and the same in words; pure.

`dashboards.batchdays` gathers one from ledger, profile and store, `dashboards.charts` draws it, `with_compared` lays
the same days of other batches beneath it.
"""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields, is_dataclass, replace
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from monitor.amounts import say_day, say_list, say_time
from monitor.readings import from_ms, to_ms

GAP = timedelta(minutes=45)
"""Readings further apart than this have a gap between them. Ours."""
_GAP_MS = GAP // timedelta(milliseconds=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Shade:
    """A phase on the time axis.

    Attributes:
        name: What the phase is called.
        begins_at: When it began.
        ends_at: When it ended, or where the picture ends.
        is_guess: Nobody entered its beginning: it is taken as begun.
    """

    name: str
    begins_at: datetime
    ends_at: datetime
    is_guess: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """What a crop asks of a quantity over a stretch of time; an end that is None is not asked.

    Attributes:
        begins_at: From when.
        ends_at: Until when.
        low: Lower end. [unit of the panel]
        high: Upper end. [unit of the panel]
    """

    begins_at: datetime
    ends_at: datetime
    low: float | None
    high: float | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Trace:
    """One measured series.

    Attributes:
        name: Who measured it, or whose it is.
        at_ms: Shape (n,), ascending. [ms since 1970 UTC]
        value: Shape (n,); NaN where nothing is known. [unit of the panel]
    """

    name: str
    at_ms: NDArray[np.int64]
    value: NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Silence:
    """A stretch of which nothing is known.

    Attributes:
        begins_at: From when.
        ends_at: Until when.
        why: Why, in a few words.
    """

    begins_at: datetime
    ends_at: datetime
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Panel:
    """One quantity over the days.

    Attributes:
        name: What it is, e.g. ``temperature``.
        unit: In which its values are given, e.g. ``°C``.
        traces: What was measured, at most three series.
        wanted: What the crop's phases ask of it.
        silences: Where nothing could be measured, and why.
        beneath: The same of other batches, moved to these days.
        digits: Decimals that mean something.
        floor: The axis begins here; None: near the lowest value.
        ceiling: The axis ends here at least; None: near the highest value.
    """

    name: str
    unit: str
    traces: tuple[Trace, ...]
    wanted: tuple[Wanted, ...] = ()
    silences: tuple[Silence, ...] = ()
    beneath: tuple[Trace, ...] = ()
    digits: int = 1
    floor: float | None = None
    ceiling: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """Something done, seen or asked for.

    Attributes:
        what: In one or two words.
        at: When.
        row: The row of marks that it stands in, one of ROWS.
    """

    what: str
    at: datetime
    row: str


ROWS = ("moved on", "watered", "noted", "taken out", "asked for")
"""The rows of marks, from the top: moves between phases and places, water, what was seen, what left, and nudges."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DayPicture:
    """The days of one batch.

    Attributes:
        title: Whose days they are.
        zone: Local time zone of days and hours.
        sown_at: When it was sown, from which days are counted; None: it still soaks.
        begins_at: Where the time axis begins.
        ends_at: Where it ends.
        phases: Phases in order.
        panels: Quantities from the top.
        marks: What was done and asked for.
        lit: Stretches in which the lamp is meant to be on.
        compared: Names of the batches that lie beneath.
    """

    title: str
    zone: ZoneInfo
    sown_at: datetime | None
    begins_at: datetime
    ends_at: datetime
    phases: tuple[Shade, ...]
    panels: tuple[Panel, ...]
    marks: tuple[Mark, ...] = ()
    lit: tuple[tuple[datetime, datetime], ...] = ()
    compared: tuple[str, ...] = ()


def content_key(picture: DayPicture) -> str:
    """Return a short name that two pictures share only if they show the same."""
    digest = hashlib.sha256()
    _feed(digest, picture)
    return digest.hexdigest()[:20]


def _feed(digest: Any, value: object) -> None:
    """Add a value, whatever it is made of, to a digest."""
    if isinstance(value, np.ndarray):
        digest.update(str(value.shape).encode() + value.tobytes())
    elif is_dataclass(value):
        for each in fields(value):
            _feed(digest, getattr(value, each.name))
    elif isinstance(value, tuple):
        digest.update(f"({len(value)}".encode())
        for each in value:
            _feed(digest, each)
    else:
        digest.update(f"{value!r};".encode())


def with_compared(picture: DayPicture, others: Sequence[DayPicture]) -> DayPicture:
    """Return a picture with the same days of other batches beneath it, each moved so that both were sown at once.

    Args:
        picture: The batch that is looked at.
        others: The pictures of other batches; a quantity that only they have is left out.
    """
    sown_at = picture.sown_at
    moved = [
        (other, to_ms(sown_at) - to_ms(other.sown_at))
        for other in others
        if sown_at is not None and other.sown_at is not None
    ]
    panels = tuple(
        replace(panel, beneath=tuple(_beneath(panel.name, moved, to_ms(picture.begins_at), to_ms(picture.ends_at))))
        for panel in picture.panels
    )
    return replace(picture, panels=panels, compared=tuple(other.title for other, _ in moved))


def _beneath(name: str, moved: Sequence[tuple[DayPicture, int]], begin_ms: int, end_ms: int) -> Iterable[Trace]:
    """Yield the series of one quantity of other batches, moved, and cut to the days that are shown."""
    for other, by_ms in moved:
        for panel in other.panels:
            for trace in panel.traces if panel.name == name else ():
                at_ms = trace.at_ms + by_ms
                shown = (at_ms >= begin_ms) & (at_ms <= end_ms)
                if shown.any():
                    yield Trace(name=other.title, at_ms=at_ms[shown], value=trace.value[shown])


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """What a series was over some time.

    Attributes:
        low: Lowest value. [unit of the panel]
        mean: Mean over the time that is known. [unit of the panel]
        high: Highest value. [unit of the panel]
        known: Share of the time that is known. [0-1]
        inside: Share of the known time inside what is wanted; None: nothing is wanted. [0-1]
    """

    low: float
    mean: float
    high: float
    known: float
    inside: float | None


def spread(panel: Panel, begins_at: datetime, ends_at: datetime) -> Spread | None:
    """Return what the first series of a panel was between two instants; None: nothing is known of it.

    Each reading stands until the next one, at most as long as a gap.
    """
    span_ms = to_ms(ends_at) - to_ms(begins_at)
    if not panel.traces or span_ms <= 0:
        return None
    trace = panel.traces[0]
    chosen = (trace.at_ms >= to_ms(begins_at)) & (trace.at_ms < to_ms(ends_at)) & ~np.isnan(trace.value)
    at_ms, value = trace.at_ms[chosen], trace.value[chosen]
    if not len(value):
        return None
    held = np.minimum(np.append(at_ms[1:], to_ms(ends_at)) - at_ms, _GAP_MS).astype(float)
    total = float(held.sum()) or 1.0
    asked, inside = _inside(panel.wanted, at_ms, value)
    asked_ms = float(held[asked].sum())
    return Spread(
        low=float(value.min()),
        mean=float((value * held).sum() / total),
        high=float(value.max()),
        known=min(total / span_ms, 1.0),
        inside=float(held[asked & inside].sum()) / asked_ms if asked_ms else None,
    )


def _inside(
    wanted: Sequence[Wanted], at_ms: NDArray[np.int64], value: NDArray[np.float64]
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Return at which readings something is wanted, and which are inside it."""
    asked, inside = np.zeros(len(value), dtype=bool), np.zeros(len(value), dtype=bool)
    for each in wanted:
        here = (at_ms >= to_ms(each.begins_at)) & (at_ms < to_ms(each.ends_at))
        asked |= here
        low = -np.inf if each.low is None else each.low
        high = np.inf if each.high is None else each.high
        inside |= here & (value >= low) & (value <= high)
    return asked, inside


def describe(picture: DayPicture) -> str:
    """Return what a picture shows, with its numbers, for whoever cannot see it."""
    first, last = (say_day(at.astimezone(picture.zone).date()) for at in (picture.begins_at, picture.ends_at))
    said = [f"{picture.title}, {first} to {last}."]
    if picture.phases:
        phases = [f"{each.name} from {say_time(each.begins_at, picture.zone)}" for each in picture.phases]
        said.append(f"Phases: {', '.join(phases)}.")
    said += [_panel_words(panel, picture) for panel in picture.panels]
    counts = Counter((mark.row, mark.what) for mark in picture.marks)
    done = [
        f"{what}{f' {count} times' if count > 1 else ''}" for (row, what), count in counts.items() if row != ROWS[-1]
    ]
    asked = sum(count for (row, _), count in counts.items() if row == ROWS[-1])
    said.append(f"Entered: {', '.join(done)}." if done else "Nothing entered.")
    if asked:
        said.append(f"Asked for: {'once' if asked == 1 else f'{asked} times'}.")
    if picture.compared:
        said.append(f"Beneath, in grey: {say_list(list(picture.compared))}.")
    return " ".join(said)


def _panel_words(panel: Panel, picture: DayPicture) -> str:
    """Return what one panel shows."""
    name = panel.name[:1].upper() + panel.name[1:]
    known = spread(panel, picture.begins_at, picture.ends_at)
    if known is None:
        return f"{name}: {panel.silences[0].why if panel.silences else 'nothing heard'}."
    low, mean, high = (f"{each:.{panel.digits}f}" for each in (known.low, known.mean, known.high))
    inside = "" if known.inside is None else f", inside its band {known.inside:.0%} of that time"
    return f"{name} {low} to {high} {panel.unit}, mean {mean}; known {known.known:.0%} of the time{inside}."


def end_of(trace: Trace) -> tuple[datetime, float] | None:
    """Return the last known instant and value of a series, or None; there its name is written."""
    known = np.flatnonzero(~np.isnan(trace.value))
    if not len(known):
        return None
    return from_ms(int(trace.at_ms[known[-1]])), float(trace.value[known[-1]])
