"""The batches that stand in a simulated room, and what its grower writes down of them; pure, seeded."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import time, timedelta
from typing import Any

import numpy as np

from monitor.ledger import Entry, EntryKind
from monitor.phases import harvest_window
from monitor.profiles import Manner, PhaseKind, Profile, Span
from simulated_feeds.roomclock import Minutes
from simulated_feeds.roomplan import RoomPlan
from simulated_feeds.weekparameters import draw, happens

BY = "ines"


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchLife:
    """What truly becomes of one batch; instants in minutes since the first midnight, before it negative.

    Attributes:
        id: Its number.
        crop: Profile id.
        trays: How many.
        dark_at: Index of the shelf on which it stands until it is lit.
        home: Index of the shelf on which it stands in the light.
        soaked: When its soak began; None: it is not soaked.
        sown, uncovered, lit, ended: When. ``uncovered`` is the end of germination, ``lit`` that of the blackout.
        covers: Whether it stands under a cover until it is lit.
        full_days: Days in the light until its leaves cover the tray.
        pours: When it is watered.
    """

    id: str
    crop: str
    trays: int
    dark_at: int
    home: int
    soaked: float | None
    sown: float
    uncovered: float
    lit: float
    ended: float
    covers: bool
    full_days: float
    pours: tuple[float, ...] = ()


def draw_batches(
    rng: np.random.Generator, plan: RoomPlan, profiles: Mapping[str, Profile], minutes: Minutes
) -> tuple[BatchLife, ...]:
    """Return the batches that stand at some time of these minutes, in the order of their sowing."""
    lives: list[BatchLife] = []
    for place, shelf in enumerate(plan.shelves):
        if place == plan.dark_shelf:
            continue
        for _lane in range(shelf.lanes):
            trays = max(shelf.trays // shelf.lanes, 1)
            lives += _of_lane(rng, plan, profiles, minutes, place, trays)
    lives.sort(key=lambda life: life.sown)
    return tuple(replace(life, id=str(number)) for number, life in enumerate(lives, start=1))


def _of_lane(
    rng: np.random.Generator,
    plan: RoomPlan,
    profiles: Mapping[str, Profile],
    minutes: Minutes,
    place: int,
    trays: int,
) -> Iterator[BatchLife]:
    """Yield the batches that stand one after the other at one place of the light."""
    days = len(minutes) // 1440
    day = -round(draw(rng, "oldest_days"))
    while day < days:
        profile = profiles[str(rng.choice(plan.crops))]
        life, last = _life(rng, plan, profile, minutes, place, max(round(trays * draw(rng, "trays_share")), 1), day)
        if life.ended > 0 and life.sown < len(minutes):
            yield life
        dark_days = round((life.lit - life.sown) / 1440) if plan.dark_shelf is not None else 0
        day = max(last + round(draw(rng, "empty_days")) - dark_days, day + 1)


def _days(rng: np.random.Generator, span: Span) -> int:
    """Return on which day of its window a grower does something."""
    low, usual, high = round(span.low), round(span.usual), round(span.high)
    if happens(rng, "past the window"):
        return high + 1
    return usual if happens(rng, "on the usual day") else int(rng.integers(low, high + 1))


def _life(
    rng: np.random.Generator,
    plan: RoomPlan,
    profile: Profile,
    minutes: Minutes,
    place: int,
    trays: int,
    day: int,
) -> tuple[BatchLife, int]:
    """Return the life of a batch that is sown on a day, and the day on which it is cut."""
    germination, blackout = profile.plan(PhaseKind.GERMINATION), profile.plan(PhaseKind.BLACKOUT)
    light = profile.plan(PhaseKind.LIGHT)
    uncover_day = day + (_days(rng, germination.days) if germination else 0)
    lit_day = uncover_day + (_days(rng, blackout.days) if blackout else 0)
    sown_on = minutes.first_day + timedelta(days=day)
    window = harvest_window(profile, sown_on, minutes.first_day + timedelta(days=lit_day))
    cut_on = min(
        max(window.usual + timedelta(days=round(draw(rng, "cut_after_usual_days"))), window.earliest), window.latest
    )
    cut_day = (cut_on - minutes.first_day).days + int(happens(rng, "past the window"))
    rounds = [time.fromisoformat(each) for each in plan.rounds]

    def at_round(on: int, which: int = 0, after: str = "after_round_min") -> float:
        return minutes.wall(on, rounds[which]) + round(draw(rng, after))

    sown = at_round(day, int(rng.integers(len(rounds))), "sown_after_round_min")
    soak = profile.soak_hours
    uncovered = at_round(uncover_day)
    lit = uncovered if lit_day == uncover_day else at_round(lit_day)
    ended = at_round(cut_day, int(rng.integers(len(rounds))), "sown_after_round_min")
    first_pour = max(day + round(profile.first_water_day.usual), lit_day)
    every = max(round(profile.water_every_days.usual), 1)
    life = BatchLife(
        id="",
        crop=profile.id,
        trays=trays,
        dark_at=place if plan.dark_shelf is None else plan.dark_shelf,
        home=place,
        soaked=None if soak is None or soak.usual < 1 else sown - 60 * float(rng.uniform(max(soak.low, 1), soak.high)),
        sown=sown,
        uncovered=uncovered,
        lit=lit,
        ended=ended,
        covers=profile.manner is not Manner.OPEN,
        full_days=max((light.days.usual if light else 5.0) * 0.7, 1.0),
        pours=tuple(at_round(on) for on in range(first_pour, cut_day, every)),
    )
    return life, cut_day


def entries_of(
    rng: np.random.Generator,
    lives: tuple[BatchLife, ...],
    plan: RoomPlan,
    profiles: Mapping[str, Profile],
    minutes: Minutes,
) -> tuple[Entry, ...]:
    """Return the ledger as the grower keeps it: mostly at once, at times late, a few moves never."""
    lines: list[tuple[float, EntryKind, dict[str, Any]]] = []
    for life in lives:
        lines += _lines_of(rng, life, plan, profiles[life.crop])
    lines = sorted((line for line in lines if line[0] < len(minutes)), key=lambda line: line[0])
    return tuple(
        Entry(id=number, recorded_at=minutes.at(at), kind=kind, at=minutes.at(at), by=BY, **more)
        for number, (at, kind, more) in enumerate(lines, start=1)
    )


def _entered(rng: np.random.Generator, at: float) -> float | None:
    """Return when a deed is entered (and said to have been done), or None: never."""
    if happens(rng, "entered at once"):
        return at + round(draw(rng, "typing_min"))
    return at + round(draw(rng, "late_entry_min")) if happens(rng, "entered late") else None


def _lines_of(
    rng: np.random.Generator, life: BatchLife, plan: RoomPlan, profile: Profile
) -> Iterator[tuple[float, EntryKind, dict[str, Any]]]:
    """Yield the entries of one batch: instant, kind, and what belongs to it."""
    batch = {"batch": life.id}
    dark, home = plan.shelves[life.dark_at].id, plan.shelves[life.home].id
    seed = {"crop": life.crop, "lot": None, "supplier": None, "treated": False}
    if life.soaked is not None:
        grams = profile.seed_g_per_tray.usual * life.trays
        yield life.soaked, EntryKind.SOAKED, {**batch, "data": {**seed, "seed_g": grams, "trays_planned": life.trays}}
        yield life.sown - 10, EntryKind.DRAINED, batch
    sown = {**seed, "tray_kind": "1020", "seed_g_per_tray": profile.seed_g_per_tray.usual, "misted": True}
    first = home if not life.covers else dark
    yield life.sown, EntryKind.SOWN, {**batch, "trays": life.trays, "spot": first, "data": sown}
    if life.covers:
        only = profile.manner is Manner.COVERED
        data = {"weight_kg": None if only else 3.0, "order": 1, "covered_only": only}
        stack = None if only else f"S{life.id}"
        yield life.sown + 6, EntryKind.STACKED, {**batch, "spot": dark, "stack": stack, "data": data}
        if life.lit > life.uncovered:
            at = _entered(rng, life.uncovered)
            if at is not None and at < life.lit:
                yield at, EntryKind.UNCOVERED, batch
    at = _entered(rng, life.lit) or life.lit + 120  # forgotten: it is noticed that the ledger has the wrong place
    if at < life.ended:
        yield at, EntryKind.LIGHTS_ON, {**batch, "data": {"to": home}}
    for pour in life.pours:
        if at + 5 < pour < life.ended and happens(rng, "pour entered"):
            yield pour, EntryKind.WATERED, {**batch, "data": {"ml_per_tray": round(profile.water_ml_per_pour.usual)}}
    cut = life.ended + round(draw(rng, "typing_min"))
    yield cut, EntryKind.HARVESTED, {**batch, "data": {"grams": round(profile.yield_g_per_tray.usual * life.trays)}}
    yield (
        cut + round(draw(rng, "cleared_after_min")),
        EntryKind.CLEANED,
        {**batch, "data": {"with": "hot water and soap"}},
    )
