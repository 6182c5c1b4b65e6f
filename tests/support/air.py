"""A moment with a past: readings of the last days made from courses, and what the rules find in them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import datetime, timedelta

from alerts.findings import Finding, Tick
from alerts.stages import look
from monitor.farm import Farm
from monitor.flagger import flag_all
from monitor.fold import fold_as_of
from monitor.live import LiveBuffer
from monitor.profilefile import load_profiles
from monitor.readings import Block, Flag, Reading
from monitor.scales import Scales
from tests.support.farms import Book

PROFILES = load_profiles(None)
Course = Callable[[float], float | None]
"""Hours before now -> what the sensor says; None: nothing."""


def moment(
    where: Farm,
    book: Book,
    now: datetime,
    courses: Mapping[str, Course | float],
    *,
    hours: float = 50,
    every: timedelta = timedelta(minutes=5),
) -> Tick:
    """Return a moment before which the sensors spoke at an interval for some hours.

    Args:
        where: The farm.
        book: What was entered.
        now: The instant; the last reading is of one step before it.
        courses: What each sensor said, or one number.
        hours: How far back.
        every: Their interval.
    """
    return _tick(where, book, now, said(now, courses, hours=hours, every=every), hours)


def flagged_moment(
    where: Farm,
    book: Book,
    now: datetime,
    courses: Mapping[str, Course | float],
    *,
    hours: float = 50,
    every: timedelta = timedelta(minutes=5),
) -> Tick:
    """Return the same with the flags that the readings get; see moment."""
    return _tick(where, book, now, flag_all(said(now, courses, hours=hours, every=every), where), hours)


def said(now: datetime, courses: Mapping[str, Course | float], *, hours: float, every: timedelta) -> Block:
    """Return what sensors said by their courses, in order of time, each good by itself."""
    count = int(timedelta(hours=hours) / every)
    rows = []
    for name, course in courses.items():
        for step in range(count, 0, -1):
            before = step * every / timedelta(hours=1)
            value = course(before) if callable(course) else course
            if value is not None:
                rows.append(Reading(sensor=name, measured_at=now - step * every, value=value, flag=Flag.PASS))
    return Block.from_readings(sorted(rows, key=lambda reading: reading.measured_at))


def _tick(where: Farm, book: Book, now: datetime, block: Block, hours: float) -> Tick:
    """Return a moment before which some readings came."""
    live, scales = LiveBuffer(), Scales(where.sensors)
    live.take(block)
    scales.take(block)
    return Tick(
        now=now, farm=where, profiles=PROFILES, batches=fold_as_of(book.entries, now), live=live,
        watching_since=now - timedelta(hours=hours), scales=scales,
    )  # fmt: skip


def found(tick: Tick, *rules: str) -> list[Finding]:
    """Return what is found of some rules, or all."""
    return [finding for finding in look(tick) if not rules or finding.rule in rules]
