"""`make bench-water`: SIMULATED tray lives, judged by Traywarden and by what growers use today, in one run.

The simulated room keeps its truth to itself: the judge sees the load cell's readings, the air, and what the
simulated grower wrote down. SEED=n changes all lives; LIVES=n how many there are of each kind.
"""

from __future__ import annotations

import json
import os
import sys
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from multiprocessing import Pool
from typing import Any

import numpy as np
from numpy.typing import NDArray

from monitor.growth import GrowthClock, OwnCuts, growth_of
from monitor.handwater import by_hand
from monitor.loadcell import LoadCell
from monitor.pouring import is_due
from monitor.profilefile import load_profiles
from monitor.profiles import PhaseKind, Profile
from monitor.trayfacts import Air, Lift, Mark, Pour, TrayFacts
from monitor.traywater import by_sister, by_weight
from monitor.waterahead import TrayWater
from monitor.weightevents import Deed as Read
from monitor.weightevents import OnCell, WeightEvent, read_events
from simulated_feeds.loadcell import Record, weigh
from simulated_feeds.traylife import STEP_H, TrayLife, hours_until, live

Array = NDArray[np.float64]
HOUR_MS = 3_600_000
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
MATCH_H = 0.5
AHEAD_H = 12.0
KINDS = {
    "pour": Read.WATERED,
    "poured off": Read.POURED_OFF,
    "weight on": Read.WEIGHT_ON,
    "weight off": Read.WEIGHT_OFF,
    "trays added": Read.TRAYS_ADDED,
    "trays taken": Read.TRAYS_TAKEN,
    "cut": Read.CUT,
    "lifted": Read.LIFTED,
    "hand": Read.HAND,
    "bump": Read.BUMP,
}


@dataclass(slots=True)
class Tally:
    """What came of one method on many tray lives."""

    trays: int = 0
    tray_days: float = 0.0
    spells: int = 0
    nudged: int = 0
    ahead: int = 0
    ahead_of: int = 0
    before_refill: int = 0
    before_refill_of: int = 0
    early: int = 0
    needless: int = 0
    pours: list[float] = field(default_factory=list)
    hours: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    inside: dict[str, list[bool]] = field(default_factory=lambda: defaultdict(list))
    refill_hours: list[float] = field(default_factory=list)
    found: Counter[str] = field(default_factory=Counter)
    missed: Counter[str] = field(default_factory=Counter)
    extra: Counter[str] = field(default_factory=Counter)

    def add(self, other: Tally) -> None:
        """Add another tally to this one."""
        for name in ("trays", "tray_days", "spells", "nudged", "ahead", "ahead_of", "before_refill", "before_refill_of",
                     "early", "needless"):  # fmt: skip
            setattr(self, name, getattr(self, name) + getattr(other, name))
        self.pours += other.pours
        self.refill_hours += other.refill_hours
        for key, values in other.hours.items():
            self.hours[key] += values
        for key, flags in other.inside.items():
            self.inside[key] += flags
        self.found += other.found
        self.missed += other.missed
        self.extra += other.extra


@dataclass(frozen=True, slots=True)
class Asked:
    """What a method says at one instant: is water due, how much, hours until plants limp with their 80 % interval."""

    due: bool
    pour_g: float
    dry_h: float
    low_h: float
    high_h: float
    refill_h: float


Ask = Callable[[float, float], Asked | None]
"""(hours since the first midnight, hours to the next round) -> what the method says, None: nothing."""


def air_of(life: TrayLife) -> tuple[Air, Callable[[float], Callable[[Array], Array]]]:
    """Return the life's air as the judge gets it: what has been; the last day again for what is to come."""
    deficit, steps = life.climate.deficit, life.steps
    hours_on, hours_off = life.lamp_on_h, life.lamp_off_h

    def lit_at(at_ms: Array) -> NDArray[np.bool_]:
        of_day = np.asarray(at_ms) / HOUR_MS % 24
        if hours_on < hours_off:
            return np.asarray((of_day >= hours_on) & (of_day < hours_off))
        return np.asarray((of_day >= hours_on) | (of_day < hours_off))

    def deficit_at(now_h: float) -> Callable[[Array], Array]:
        known = min(int(now_h / STEP_H), steps - 1)
        day = int(24 / STEP_H)

        def at(at_ms: Array) -> Array:
            step = (np.asarray(at_ms) / HOUR_MS / STEP_H).astype(int)
            late = np.maximum(step - known, 0)
            step = np.where(late > 0, step - ((late + day - 1) // day) * day, step)
            return np.asarray(deficit[np.clip(step, 0, steps - 1)])

        return at

    return Air(lit_at, deficit_at(0.0)), deficit_at


def facts_of(
    life: TrayLife, profile: Profile, now_h: float, marks: Iterable[Mark], *, tray: int = 0, earlier: bool = True
) -> TrayFacts:
    """Return what a farm knows of the tray: its own set-up, the profile, and what was written down so far."""
    told = [each for each in life.told if each.at_h <= now_h]
    own = OwnCuts(days=tuple(d for d, _ in life.earlier), grams=tuple(g for _, g in life.earlier)) if earlier else None
    grown = growth_of(profile, own)
    return TrayFacts(
        clock=GrowthClock(sown_at=EPOCH + timedelta(hours=9), usual=timedelta(days=grown.days)),
        uncovered_ms=int(life.dark_h * HOUR_MS) if now_h >= life.dark_h else None,
        lit_ms=int(life.open_h * HOUR_MS) if now_h >= life.open_h else None,
        yield_g=grown.yield_g,
        yield_sigma=grown.yield_sigma,
        days_sigma=grown.days_sigma,
        refill=profile.refill_fraction.value,
        wilting=profile.wilting_fraction.value,
        full_g=float(life.setup_full_g[0]),
        limp_g=float(life.setup_limp_g[0]),
        limp_is_measured=True,
        marks=tuple(marks),
        lifts=tuple(
            Lift(at_ms=int(t.at_h * HOUR_MS), feel=t.feel) for t in told if t.kind == "lift" and t.tray == tray
        ),
        pours=tuple(Pour(at_ms=int(t.at_h * HOUR_MS), grams=t.grams) for t in told if t.kind == "water"),
        usual_pour_g=profile.water_ml_per_pour.usual,
    )


class Scale:
    """The load cell as the judge follows it, reading by reading."""

    def __init__(self, life: TrayLife, record: Record, profile: Profile, *, trays: int = 1) -> None:
        """Begin before the first reading."""
        self.life, self.record, self.profile, self.trays = life, record, profile, trays
        self.cell = LoadCell()
        self._next = 0
        self._ms = (record.at_h * HOUR_MS).astype(np.int64).tolist()
        self._grams = record.grams.tolist()
        self._full: dict[float, float] = {}

    def to(self, now_h: float) -> None:
        """Take all readings up to an instant, and what was marked full meanwhile."""
        while self._next < len(self._ms) and self._ms[self._next] <= now_h * HOUR_MS:
            self.cell.take(self._ms[self._next], self._grams[self._next])
            self._next += 1
            at_h = self._ms[self._next - 1] / HOUR_MS
            for told in self.life.told:
                if told.kind == "full" and told.at_h <= at_h and told.at_h not in self._full and self.cell.level_g:
                    self._full[told.at_h] = self.cell.level_g / self.trays

    def events(self) -> tuple[WeightEvent, ...]:
        """Return what was read from the weight so far."""
        life, profile = self.life, self.profile
        plan = profile.plan(PhaseKind.HARVEST)
        return read_events(
            tuple(self.cell.steps),
            OnCell(
                tray_g=float(life.setup_full_g[0]),
                trays=self.trays,
                pile_trays=life.pile_trays,
                pile_weight_g=life.pile_g or None,
                piled=life.pile_trays > 1,
                covered_until_ms=int((life.dark_h + 0.3) * HOUR_MS),
                cut_from_ms=int((plan.days.low if plan else 6) * 24 * HOUR_MS),
                yield_g=profile.yield_g_per_tray.usual * self.trays,
                most_pour_g=1500.0,
            ),
        )

    def marks(self) -> list[Mark]:
        """Return what was marked full, and the waterings to the brim."""
        marks = [Mark(at_ms=int(at_h * HOUR_MS), grams=grams, what="full") for at_h, grams in self._full.items()]
        marks += [
            Mark(at_ms=event.at_ms, grams=event.after_g / self.trays, what="brim")
            for event in self.events()
            if event.deed is Read.POURED_OFF
        ]
        return sorted(marks, key=lambda mark: mark.at_ms)


def said(water: TrayWater | None, next_round_h: float) -> Asked | None:
    """Return what Traywarden says."""
    if water is None:
        return None
    return Asked(
        is_due(water, next_round_h), water.pour_g, water.dry_h, water.dry_h_low, water.dry_h_high, water.refill_h
    )


def judge(life: TrayLife, tray: int, profile: Profile, ask: Ask, tally: Tally, before: Callable[[float], None]) -> None:
    """Walk through one tray's life and compare what is said with the truth."""
    wilting, refill = profile.wilting_fraction.value, profile.refill_fraction.value
    truth = life.truth
    span = float(truth.holds[tray] - truth.limp[tray])
    refill_g = float(truth.limp[tray] + (refill - wilting) / (1 - wilting) * span)
    start, end = life.open_h if life.open_h > life.dark_h else life.dark_h + 1, life.cut_h - 1.0
    rounds = [24 * day + hour for day in range(int(end // 24) + 1) for hour in life.rounds]
    rounds = [at_h for at_h in rounds if start <= at_h < end]
    hourly = np.arange(start, end, 1.0)
    steps = (hourly / STEP_H).astype(np.int64)
    to_dry = hours_until(life, steps, tray, float(truth.limp[tray]))
    to_refill = hours_until(life, steps, tray, refill_g)
    wanted = {round(float(at), 3): float(h) for at, h in zip(hourly, to_dry, strict=True) if abs(h - AHEAD_H) <= 0.5}
    wanted_refill = {
        round(float(at), 3): float(h) for at, h in zip(hourly, to_refill, strict=True) if abs(h - AHEAD_H) <= 0.5
    }
    nudges: dict[float, bool] = {}
    tally.trays += 1
    tally.tray_days += (end - start) / 24
    for at_h in sorted({*rounds, *wanted, *wanted_refill}):
        before(at_h)
        later = [other for other in rounds if other > at_h + 0.01]
        next_h = (later[0] if later else at_h + 12) - at_h
        answer = ask(at_h, next_h)
        if answer is None:
            nudges[at_h] = False
            continue
        if at_h in wanted and not np.isnan(answer.dry_h):
            key = "repeats" if life.weather == "repeats" else "other"
            tally.hours[key].append(abs(answer.dry_h - wanted[at_h]))
            tally.inside[key].append(answer.low_h <= wanted[at_h] <= answer.high_h)
        if at_h in wanted_refill and not np.isnan(answer.refill_h):
            tally.refill_hours.append(abs(answer.refill_h - wanted_refill[at_h]))
        if at_h in rounds:
            nudges[at_h] = answer.due
            step = life.step_at(at_h - 0.01)
            left = float(life.left(step, tray, wilting))
            if answer.due:
                missing = life.deficit(step, tray)
                if left > 0.6:
                    tally.early += 1
                    will = float(hours_until(life, np.array([step]), tray, refill_g)[0])
                    tally.needless += int(np.isnan(will) or will > next_h)
                if missing > 50:
                    tally.pours.append(abs(answer.pour_g - missing) / missing)
    _spells(life, tray, refill_g, rounds, nudges, tally, start, end)


def _spells(
    life: TrayLife,
    tray: int,
    refill_g: float,
    rounds: list[float],
    nudges: dict[float, bool],
    tally: Tally,
    start: float,
    end: float,
) -> None:
    """Count the dry spells, and how they were nudged.

    A spell begins where the true water falls to the refill point, or where a pour leaves it under it. It must be
    nudged at a round after the last pour and before plants would limp without a further one. A spell that the grower
    ends unasked, with a round to spare before plants would have limped, says nothing and is left out.
    """
    pours = [deed.at_h for deed in life.deeds if deed.kind == "pour" and deed.tray == tray]
    marks = [start, *[at for at in pours if start < at < end], end]
    limp_g = float(life.truth.limp[tray])
    for begin, stop in pairwise(marks):
        first = life.step_at(begin + (2.0 if begin in pours else 0.0))
        last = life.step_at(stop - 0.02)
        dry = np.flatnonzero(life.water[first:last, tray] <= refill_g)
        if not len(dry):
            continue
        at = first + int(dry[0])
        refill_h = at * STEP_H
        limp_h = refill_h + float(np.nan_to_num(hours_until(life, np.array([at]), tray, limp_g)[0], nan=96.0))
        could = [r for r in rounds if begin < r <= stop + 0.01]
        in_time = [r for r in could if r <= limp_h]
        nudged = [r for r in in_time if nudges.get(r, False)]
        if not nudged and any(stop + 0.01 < r <= limp_h for r in rounds):
            continue
        if not in_time and not nudged:
            continue  # no round between the pour and the end: nobody could have said a word
        tally.spells += 1
        tally.nudged += bool(nudged)
        one_ahead = [r for r in in_time if any(r < later <= limp_h for later in rounds)]
        if one_ahead:
            tally.ahead_of += 1
            tally.ahead += any(nudges.get(r, False) for r in one_ahead)
        before = [r for r in could if r <= refill_h]
        if before:
            tally.before_refill_of += 1
            tally.before_refill += any(nudges.get(r, False) for r in before)


def score_events(scale: Scale, tally: Tally) -> None:
    """Compare what was read from the weight with what happened, half an hour either way."""
    found = [event for event in scale.events() if event.deed is not Read.SMALL]
    used: set[int] = set()
    for truly in scale.record.events:
        near = [
            place
            for place, event in enumerate(found)
            if place not in used and event.deed is KINDS[truly.kind]
            and abs(event.at_ms / HOUR_MS - truly.at_h) <= MATCH_H
        ]  # fmt: skip
        used.update(near[:1])
        (tally.found if near else tally.missed)[KINDS[truly.kind].value] += 1
    for place, event in enumerate(found):
        if place not in used:
            tally.extra[event.deed.value] += 1


PROFILES = load_profiles(None)


def baselines(life: TrayLife, profile: Profile, weight_at: Callable[[float], float | None]) -> dict[str, Ask]:
    """Return what growers use today."""
    nan = float("nan")
    full, limp = float(life.setup_full_g[0]), float(life.setup_limp_g[0])
    wilting, refill = profile.wilting_fraction.value, profile.refill_fraction.value
    limit = limp + (refill - wilting) / (1 - wilting) * (full - limp)
    every, first = max(round(profile.water_every_days.usual), 1), round(profile.first_water_day.usual)

    def by_days(at_h: float, _next_h: float) -> Asked:
        poured = [deed.at_h for deed in life.deeds if deed.kind == "pour" and deed.at_h < at_h - 0.01]
        day = int(at_h // 24)
        due = day >= first and (not poured or day - int(poured[-1] // 24) >= every)
        return Asked(due, profile.water_ml_per_pour.usual, nan, nan, nan, nan)

    def by_limit(at_h: float, _next_h: float) -> Asked | None:
        weight = weight_at(at_h)
        return None if weight is None else Asked(weight <= limit, max(full - weight, 0), nan, nan, nan, nan)

    def by_yesterday(at_h: float, _next_h: float) -> Asked | None:
        morning = 24 * (at_h // 24) + life.rounds[0]
        today, yesterday = weight_at(morning), weight_at(morning - 24)
        if today is None or yesterday is None:
            return None
        poured = sum(
            d.grams for d in life.deeds if d.kind == "pour" and morning - 24 < d.at_h <= morning and d.tray == 0
        )
        a_day = max(yesterday + poured - today, 10.0)
        since = sum(d.grams for d in life.deeds if d.kind == "pour" and morning <= d.at_h < at_h - 0.01 and d.tray == 0)
        now = today + since - a_day * (at_h - morning) / 24
        hours = max((now - limp) / a_day * 24, 0.0)
        return Asked(now - a_day / 2 <= limit, max(full - now, 0), hours, nan, nan, max((now - limit) / a_day * 24, 0))

    return {"every N days": by_days, "fixed weight limit": by_limit, "yesterday's weight": by_yesterday}


def one_life(job: tuple[str, int]) -> dict[str, Tally]:
    """Return what came of one life, by method."""
    kind, seed = job
    tallies: dict[str, Tally] = defaultdict(Tally)
    trays = {"cell": 1, "sisters": 8, "hand": 1, "shelf": 6, "unmeasured": 1, "first": 1}[kind]
    life = live(seed, trays=trays, pile=kind == "cell" and seed % 4 == 0)
    profile = PROFILES[life.crop]
    air, deficit_at = air_of(life)

    def then(at_h: float) -> Air:
        return Air(air.lit_at, deficit_at(at_h))

    def nothing(_at_h: float) -> None:
        """There is no scale."""

    if kind == "hand":

        def hand(at_h: float, next_h: float) -> Asked | None:
            return said(by_hand(facts_of(life, profile, at_h, ()), then(at_h), int(at_h * HOUR_MS)), next_h)

        judge(life, 0, profile, hand, tallies["hand"], nothing)
        return dict(tallies)
    scale = Scale(life, weigh(life, seed, shelf=kind == "shelf"), profile, trays=trays if kind == "shelf" else 1)

    def facts(at_h: float) -> TrayFacts:
        known = facts_of(life, profile, at_h, scale.marks(), earlier=kind != "first")
        if kind != "unmeasured":
            return known
        full_g = float(life.setup_full_g[0])
        return replace(known, limp_g=full_g - 0.65 * (full_g - life.base_g(0)), limp_is_measured=False)

    if kind in ("cell", "unmeasured", "shelf", "first"):

        def weighed(at_h: float, next_h: float) -> Asked | None:
            return said(by_weight(scale.cell, facts(at_h), then(at_h), int(at_h * HOUR_MS), trays=scale.trays), next_h)

        judge(life, 0, profile, weighed, tallies[kind], scale.to)
        scale.to(1e9)
        if kind == "cell":
            score_events(scale, tallies[kind])
            weights = {round(r, 3): life.weight(life.step_at(r - 0.02), 0) for r in _rounds(life)}
            for name, ask in baselines(life, profile, lambda at_h: weights.get(round(at_h, 3))).items():
                judge(life, 0, profile, ask, tallies[name], nothing)
        return dict(tallies)
    for tray in (1, 4, 7):
        scale = Scale(life, scale.record, profile)

        def sister(at_h: float, next_h: float, tray: int = tray, scale: Scale = scale) -> Asked | None:
            known = facts_of(life, profile, at_h, scale.marks())
            lifts = facts_of(life, profile, at_h, (), tray=tray).lifts
            return said(by_sister(scale.cell, known, then(at_h), int(at_h * HOUR_MS), lifts=lifts), next_h)

        judge(life, tray, profile, sister, tallies["sisters"], scale.to)
    return dict(tallies)


def _rounds(life: TrayLife) -> list[float]:
    """Return all round times of a life."""
    return [24 * day + hour for day in range(int(life.cut_h // 24) + 1) for hour in life.rounds]


def _share(part: float, whole: float) -> float:
    return part / whole if whole else float("nan")


def _quantile(values: list[float], share: float) -> float:
    return float(np.quantile(values, share)) if values else float("nan")


def row(tally: Tally) -> dict[str, float]:
    """Return the figures of one method."""
    repeats, other = tally.hours.get("repeats", []), tally.hours.get("other", [])
    inside, inside_other = tally.inside.get("repeats", []), tally.inside.get("other", [])
    found, missed, extra = (sum(each.values()) for each in (tally.found, tally.missed, tally.extra))
    return {
        "tray_lives": tally.trays,
        "dry_spells": tally.spells,
        "dry_nudged": _share(tally.nudged, tally.spells),
        "dry_nudged_round_ahead": _share(tally.ahead, tally.ahead_of),
        "nudged_before_refill": _share(tally.before_refill, tally.before_refill_of),
        "early_nudges_per_100_tray_days": 100 * _share(tally.early, tally.tray_days),
        "needless_per_100_tray_days": 100 * _share(tally.needless, tally.tray_days),
        "pour_error_median": _quantile(tally.pours, 0.5),
        "pour_error_p90": _quantile(tally.pours, 0.9),
        "hours_error_median_12h": _quantile(repeats, 0.5),
        "hours_error_median_12h_other_weather": _quantile(other, 0.5),
        "refill_hours_error_median_12h": _quantile(tally.refill_hours, 0.5),
        "interval_coverage_80": _share(sum(inside), len(inside)),
        "interval_coverage_80_other_weather": _share(sum(inside_other), len(inside_other)),
        "events_precision": _share(found, found + extra),
        "events_recall": _share(found, found + missed),
    }


def main() -> None:
    """Run the lives, print the table and one line of JSON."""
    seed = int(os.environ.get("SEED", "1"))
    lives = int(os.environ.get("LIVES", "200"))
    first = 1_000_000 * (seed + 1)
    few = max(lives // 4, 10)
    jobs = [("cell", first + n) for n in range(lives)]
    jobs += [("sisters", first + 100_000 + n) for n in range(few)]
    jobs += [("hand", first + 200_000 + n) for n in range(few * 2)]
    jobs += [("shelf", first + 300_000 + n) for n in range(few)]
    jobs += [("unmeasured", first + 400_000 + n) for n in range(few)]
    jobs += [("first", first + 500_000 + n) for n in range(few)]
    total: dict[str, Tally] = defaultdict(Tally)
    with Pool(int(os.environ.get("WORKERS", "2"))) as pool:
        for done, result in enumerate(pool.imap_unordered(one_life, jobs, chunksize=2), start=1):
            for name, tally in result.items():
                total[name].add(tally)
            if done % 50 == 0:
                sys.stderr.write(f"   {done} of {len(jobs)} simulated lives\n")
    order = [
        "cell",
        "first",
        "unmeasured",
        "sisters",
        "shelf",
        "hand",
        "every N days",
        "fixed weight limit",
        "yesterday's weight",
    ]
    rows = {name: row(total[name]) for name in order}
    _print(rows, total["cell"])
    names: dict[str, Any] = {"seed": seed, **rows["cell"]}
    for kind, suffix in (
        ("sisters", "_sisters"),
        ("hand", "_hand"),
        ("shelf", "_shelf"),
        ("unmeasured", "_no_limp_weight"),
        ("first", "_first_batch"),
    ):
        names |= {f"{key}{suffix}": value for key, value in rows[kind].items() if not np.isnan(value)}
    for name in order[6:]:
        names |= {f"{key}_{name.replace(' ', '_')}": value for key, value in rows[name].items() if not np.isnan(value)}
    print(json.dumps({key: round(value, 4) for key, value in names.items()}))  # noqa: T201 # the last line is the result


TITLES = {
    "cell": "one cell a tray",
    "first": "first of its crop",
    "unmeasured": "limp never weighed",
    "sisters": "a sister's cell",
    "shelf": "a shelf scale",
    "hand": "hands only",
}


def _print(rows: dict[str, dict[str, float]], cells: Tally) -> None:
    """Print the table."""
    say = print
    say("SIMULATED tray lives; growers pour by their own habits, each method only says what it would")
    heads = list(rows)
    say(f"{'SIMULATED':38}" + "".join(f"{TITLES.get(name, name)[:17]:>19}" for name in heads))
    for key in next(iter(rows.values())):
        cells_of = []
        for name in heads:
            value = rows[name][key]
            text = "-" if np.isnan(value) else f"{value:.0f}" if key in ("tray_lives", "dry_spells") else f"{value:.3f}"
            cells_of.append(f"{text:>19}")
        say(f"{key:38}" + "".join(cells_of))
    say("")
    say(f"{'SIMULATED events read from the weight':40}{'true':>8}{'found':>8}{'missed':>8}{'false':>8}")
    for kind in sorted({*cells.found, *cells.missed, *cells.extra}):
        true = cells.found[kind] + cells.missed[kind]
        say(f"{kind:40}{true:>8}{cells.found[kind]:>8}{cells.missed[kind]:>8}{cells.extra[kind]:>8}")


if __name__ == "__main__":
    main()
