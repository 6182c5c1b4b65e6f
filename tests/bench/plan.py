"""`make bench-plan`: a SIMULATED farm of 50 crops, 200 promises and 300 shelf places is planned for 8 weeks.

The plan is compared, in the same run and by the same reckoning of room, with what is done without a solver: each
promise in the order of its usual sowing day, on that day only, or on the nearest day that still has room.
SEED=n changes the whole world: crops, promises, what stands already.
"""

from __future__ import annotations

import json
import os
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from time import perf_counter, process_time

import numpy as np

from monitor.ahead import cover
from monitor.batches import Batch
from monitor.farm import Farm
from monitor.farmfile import parse_farm
from monitor.fold import fold
from monitor.ledger import Entry, EntryKind
from monitor.profilefile import shipped_profiles
from monitor.profiles import PhaseKind, PhasePlan, Profile
from monitor.promises import deliveries_of, owed, promises_of
from monitor.roombook import RoomBook, nearest_first, plan_from
from monitor.shelfplan import berths
from monitor.sowby import sow_by
from monitor.sowneeds import room_of, want_of
from monitor.sowplan import Plan, Room, Want
from monitor.supplies import Supply, supplies_of

CROPS, PROMISES, STANDING, WEEKS = 50, 200, 24, 8
TODAY = date(2026, 3, 2)
NOW = datetime(2026, 3, 2, 6, tzinfo=UTC)
FARM = """
[farm]
name = "Saltcellar Farm"
time_zone = "Europe/Lisbon"
rounds = ["07:30", "17:00"]
loss_percent = 8

[[room]]
id = "cellar"
"""
RACK = """
[[rack]]
id = "{number}"
room = "cellar"
shelves = 5
trays_per_shelf = 12
"""
PERSON = '\n[[person]]\nid = "ines"\nchannels = ["console"]\n'


@dataclass(frozen=True, slots=True, kw_only=True)
class World:
    """A simulated farm on its first day: what it grows, what stands, what it promised."""

    farm: Farm
    profiles: Mapping[str, Profile]
    batches: Mapping[str, Batch]
    entries: tuple[Entry, ...]


def _longer(plan: PhasePlan, days: int) -> PhasePlan:
    """Return a phase that takes so many days more."""
    span = plan.days
    return replace(plan, days=replace(span, low=span.low + days, usual=span.usual + days, high=span.high + days))


def varied(profile: Profile, crop: str, days: int) -> Profile:
    """Return a crop that stands so many days longer in the light, and is ready as many days later."""
    later = (PhaseKind.LIGHT, PhaseKind.HARVEST)
    phases = tuple(_longer(plan, days) if plan.kind in later else plan for plan in profile.phases)
    return replace(profile, id=crop, name=f"{profile.name} {crop}", phases=phases)


def world(seed: int) -> World:
    """Return a simulated farm."""
    rng = np.random.default_rng(seed)
    shipped = list(shipped_profiles().values())
    profiles = {
        f"c{number}": varied(shipped[number % len(shipped)], f"c{number}", int(rng.integers(0, 4)))
        for number in range(CROPS)
    }
    text = FARM + "".join(RACK.format(number=number) for number in range(1, 6)) + PERSON
    farm = parse_farm(text, file="farm.toml", folder=Path())
    entries = [_sowing(number, rng) for number in range(1, STANDING + 1)]
    entries += [_promise(number, rng) for number in range(STANDING + 1, STANDING + PROMISES + 1)]
    return World(farm=farm, profiles=profiles, batches=fold(entries), entries=tuple(entries))


def _entry(number: int, kind: EntryKind, at: datetime, batch: str | None, trays: int, **more: object) -> Entry:
    spot = more.pop("spot", None)
    return Entry(
        id=number, kind=kind, at=at, recorded_at=at, by="ines", batch=batch, trays=trays, data=more,
        spot=None if spot is None else str(spot),
    )  # fmt: skip


def _sowing(number: int, rng: np.random.Generator) -> Entry:
    """Return a batch that was sown in the last days."""
    at = NOW - timedelta(days=int(rng.integers(1, 8)))
    spot = f"cellar/{1 + (number - 1) // 5}/{1 + (number - 1) % 5}"
    crop = f"c{rng.integers(CROPS)}"
    return _entry(number, EntryKind.SOWN, at, str(number), int(rng.integers(2, 9)), crop=crop, spot=spot)


def _promise(number: int, rng: np.random.Generator) -> Entry:
    """Return a promise: one in four a standing order."""
    standing = bool(rng.random() < 0.25)
    day = TODAY + timedelta(days=int(rng.integers(3, 14 if standing else 7 * WEEKS)))
    return _entry(
        number, EntryKind.PROMISED, NOW, None, int(rng.integers(1, 9)), promise=f"P{number}", whom=f"buyer {number}",
        crop=f"c{rng.integers(CROPS)}", every_days=7 if standing else None, living=bool(rng.random() < 0.2),
        **{"for": day.isoformat()},
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """What is to be planned."""

    wants: tuple[Want, ...]
    room: Room
    promised: int
    kept: int
    supplies: tuple[Supply, ...]


def laid_out(made: World) -> Task:
    """Return what lacks of the promises, and the room for it, as the command does."""
    last = TODAY + timedelta(weeks=WEEKS)
    zone = made.farm.zone
    supplies = supplies_of(made.batches.values(), made.profiles, now=NOW, zone=zone)
    asked = owed(promises_of(made.entries), deliveries_of(made.batches.values(), zone), TODAY, last)
    covers = cover(asked, supplies)
    wants = []
    for each in covers:
        if each.lacking:
            profile, want = made.profiles[each.owed.crop], each.owed
            plan = sow_by(made.farm, profile, want.on, each.lacking, made.batches.values(), living=want.living)
            wants.append(want_of(each, plan, profile, made.farm, NOW))
    room = room_of(made.farm, supplies, covers, first=TODAY, last=last, seed_g={})
    return Task(
        wants=tuple(wants),
        room=room,
        promised=sum(each.open for each in asked),
        kept=sum(each.kept for each in covers),
        supplies=supplies,
    )


def greedy(task: Task, *, usual_day_only: bool) -> Plan:
    """Return the plan of a grower with pencil and paper: by usual sowing day, as many as fit, then the spare ones."""
    book = RoomBook(task.wants, task.room)
    order = sorted(range(len(task.wants)), key=lambda place: (task.wants[place].usual, task.wants[place].on))
    for with_spare in (False, True):
        for place in order:
            want = task.wants[place]
            for day in nearest_first(want)[: 1 if usual_day_only else None]:
                wished = want.trays + (want.spare if with_spare else 0)
                trays = min(wished - book.of_want(place), book.room_for(place, day))
                if trays > 0:
                    book.sow(place, day, trays)
    return plan_from(book, chosen=False)


def overfull(plan: Plan) -> int:
    """Return on how many days some shelf would hold more than it can."""
    stands: Counter[tuple[str, date]] = Counter()
    for each in berths(plan):
        for n in range((each.last - each.first).days + 1):
            stands[(each.shelf, each.first + timedelta(days=n))] += each.places
    return sum(count > plan.room.shelves[shelf] for (shelf, _), count in stands.items())


def row(task: Task, plan: Plan, seconds: float) -> dict[str, float]:
    """Return the figures of one plan."""
    far = sum(each.trays * abs((each.on - each.want.usual).days) for each in plan.sown)
    sown = sum(each.trays for each in plan.sown)
    return {
        "trays promised": task.promised,
        "met": task.kept + plan.met,
        "not met": sum(each.trays for each in plan.unmet),
        "not met, with a reason": sum(each.trays for each in plan.unmet if each.lacks),
        "spare trays": sum(each.spare for each in plan.sown),
        "days off the usual day, a tray": far / sown if sown else 0.0,
        "shelf-days overfull": overfull(plan),
        "seconds": seconds,
    }


def main() -> None:
    """Plan the world, print the table and one line of JSON."""
    seed = int(os.environ.get("SEED", "1"))
    made = world(seed)
    begin, cpu = perf_counter(), process_time()
    task = laid_out(made)
    from monitor.sowmodel import make_plan  # the solver's own import is part of what a grower waits for

    plan = make_plan(task.wants, task.room)
    seconds, cpu_seconds = perf_counter() - begin, process_time() - cpu
    rows = {"plan": row(task, plan, seconds)}
    for name, only in (("nearest day with room", False), ("usual day only", True)):
        begin = perf_counter()
        other = greedy(task, usual_day_only=only)
        rows[name] = row(task, other, perf_counter() - begin)
    _print(made, task, plan, rows)
    mine = rows["plan"]
    names = {
        "seed": seed,
        "promises": PROMISES,
        "seconds": round(seconds, 3),
        "cpu_seconds": round(cpu_seconds, 3),
        "trays_promised": task.promised,
        "met": int(mine["met"]),
        "unmet": int(mine["not met"]),
        "unmet_with_reason": int(mine["not met, with a reason"]),
        "met_at_most": None if plan.at_most is None else task.kept + plan.at_most,
        "met_nearest_day": int(rows["nearest day with room"]["met"]),
        "met_usual_day_only": int(rows["usual day only"]["met"]),
        "shelf_days_overfull": int(mine["shelf-days overfull"]),
    }
    print(json.dumps(names))  # noqa: T201 # the last line is the result


def _print(made: World, task: Task, plan: Plan, rows: Mapping[str, Mapping[str, float]]) -> None:
    """Print the table."""
    say = print
    say(
        f"SIMULATED farm: {len(made.profiles)} crops, {PROMISES} promises on {len(task.wants)} days that lack trays, "
        f"{task.room.places} places, {WEEKS} weeks, {len(made.batches)} batches standing"
    )
    say(f"{'SIMULATED':34}" + "".join(f"{name:>24}" for name in rows))
    for key in rows["plan"]:
        cells = (
            f"{values[key]:.2f}" if isinstance(values[key], float) else str(values[key]) for values in rows.values()
        )
        say(f"{key:34}" + "".join(f"{cell:>24}" for cell in cells))
    reasons = Counter(", ".join(each.lacks) for each in plan.unmet)
    for reason, count in reasons.most_common():
        trays = sum(each.trays for each in plan.unmet if ", ".join(each.lacks) == reason)
        say(f"   {trays} trays of {count} promised days: {reason or 'NO REASON'}")
    if plan.at_most is not None:
        say(f"No plan could meet more than {task.kept + plan.at_most} (relaxation, piles broken).")


if __name__ == "__main__":
    main()
