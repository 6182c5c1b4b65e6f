"""`make bench-alarms`: SIMULATED room-weeks with and without faults, watched by the rules and by fixed limits.

SEED=n changes all weeks (1 to 99 are for tuning), WEEKS=n how many there are, LOOK=n the minutes between two looks;
WEEK=k prints one of them line by line.
"""

from __future__ import annotations

import json
import os
import sys
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from enum import StrEnum
from multiprocessing import Pool

import numpy as np

from monitor.clock import local_day
from monitor.profilefile import load_profiles
from simulated_feeds.roomfaults import Fault
from simulated_feeds.roomweek import RoomWeek, room_week
from simulated_feeds.weekparameters import JUDGED_DAYS, FaultKind
from tests.bench.harm import CLIMATE, Harm, harm_of
from tests.bench.told import Told, Watched, by_fixed_limits, by_rules

PROFILES = load_profiles(None)
FOUND_UNTIL = timedelta(hours=1)
"""News that comes later than this after a fault's end has not found it."""
EXPLAINS_FOR = timedelta(hours=6)
"""What comes so long after a fault's end is still explained by it."""
BORNE_SHARE = 1 / 3
"""An alarm is borne out by a dose of at least this share of what harms."""
DAYS_A_MONTH = 365.25 / 12

COLD, HEAT = ("cold", "chill"), ("hot", "heat")
DRY, DAMP = ("dry", "dries"), ("damp", "humid", "mould", "mildew", "condens", "wet", "still air")
ANY_WAY = ("drifting out", "out of reach", "cannot reach")
DOUBT = ("stuck", "jump", "spik", "disagree", "cannot be right", "hangs", "drifts", "doubt")
SILENCE = ("silent", "nothing is heard", "broker", "collector")
LAMP = ("lamp", "light")
STORE = ("limit", "cold store", "store is")

MATCHES: dict[FaultKind, tuple[str, ...]] = {
    FaultKind.HEATER_DEAD: (*COLD, *DAMP, *ANY_WAY, "heater"),
    FaultKind.HEATER_STUCK: (*HEAT, *DRY, *ANY_WAY, "heater"),
    FaultKind.COOLER_DEAD: (*HEAT, *DAMP, *ANY_WAY, "cooler"),
    FaultKind.COOLER_STUCK: (*COLD, *DRY, *DAMP, *ANY_WAY, "cooler"),
    FaultKind.FAN_DEAD: (*DAMP, *HEAT, *ANY_WAY, "fan"),
    FaultKind.HUMIDIFIER_DRY: (*DRY, *ANY_WAY),
    FaultKind.HUMIDIFIER_STUCK: (*DAMP, *ANY_WAY),
    FaultKind.LAMP_OFF: LAMP,
    FaultKind.LAMP_ALL_NIGHT: LAMP,
    FaultKind.LAMP_SHORT: LAMP,
    FaultKind.LAMP_LONG: LAMP,
    FaultKind.LAMP_SHIFTED: LAMP,
    FaultKind.COVER_LIFTED: ("light", "cover", "dark"),
    FaultKind.DOOR_OPEN: (*COLD, *HEAT, *DRY, *DAMP, *ANY_WAY, "door"),
    FaultKind.STORE_DEAD: (*STORE, *ANY_WAY),
    FaultKind.SENSOR_STUCK: DOUBT,
    FaultKind.SENSOR_DRIFTS: DOUBT,
    FaultKind.SENSOR_SPIKES: DOUBT,
    FaultKind.SENSOR_SILENT: SILENCE,
    FaultKind.CLOCK_OFF: ("clock",),
    FaultKind.TWICE: (),
    FaultKind.LATE: (),
    FaultKind.NODE_SILENT: SILENCE,
    FaultKind.ALL_SILENT: SILENCE,
}
"""Which news finds a fault: words of the rule's name, one of which must be in it."""
_CLIMATE_WORDS = (*COLD, *HEAT, *DRY, *DAMP, *ANY_WAY)
_SIDE_WORDS = {"cold": COLD, "heat": HEAT, "dry": DRY, "damp": DAMP}


def has(rule: str, words: Iterable[str]) -> bool:
    """Tell whether one of some words is in a rule's name."""
    return any(word in rule for word in words)


def explains(fault: Fault, told: Told) -> bool:
    """Tell whether a fault can be why something is told: what goes wrong with the air can show on any side of it."""
    words = MATCHES[fault.kind]
    return has(told.rule, (*words, *_CLIMATE_WORDS) if fault.kind in CLIMATE else words)


class Way(StrEnum):
    """Who watched."""

    OURS = "Traywarden"
    FIXED = "fixed limits (baseline)"


@dataclass(frozen=True, slots=True)
class FaultRow:
    """What came of one fault: whether it did harm, whether it was found, and minutes until it was told."""

    kind: str
    harmful: bool
    found: bool
    minutes: float | None


@dataclass(slots=True)
class Tally:
    """What came of one way of watching."""

    weeks: int = 0
    faults: list[FaultRow] = field(default_factory=list)
    false: Counter[str] = field(default_factory=Counter)
    told: Counter[str] = field(default_factory=Counter)
    ordinary_days: list[int] = field(default_factory=list)
    noisy_weeks: int = 0
    quiet_weeks: int = 0
    unreached_weeks: int = 0

    def add(self, other: Tally) -> None:
        """Add another tally to this one."""
        self.weeks += other.weeks
        self.faults += other.faults
        self.false += other.false
        self.told += other.told
        self.ordinary_days += other.ordinary_days
        self.noisy_weeks += other.noisy_weeks
        self.quiet_weeks += other.quiet_weeks
        self.unreached_weeks += other.unreached_weeks


class Judge:
    """Holds what was told in one week against its truth."""

    def __init__(self, week: RoomWeek, harm: Harm) -> None:
        """Take the week and what truly harms in it."""
        self.week, self.harm = week, harm
        self.judged_from = week.minutes.at(week.judged_from)
        self.harmful = {fault: harm.harmful_at(fault) for fault in week.faults}

    def rows(self, watched: Watched) -> list[FaultRow]:
        """Return what came of each fault."""
        found = []
        for fault in self.week.faults:
            harmful, told = self.harmful[fault], self.finds(fault, watched.told)
            minutes = None
            if harmful is not None and told is not None:
                minutes = self.week.minutes.minute_of(told.told_at) - harmful
            found.append(FaultRow(fault.kind.value, harmful is not None, told is not None, minutes))
        return found

    def finds(self, fault: Fault, told: Sequence[Told]) -> Told | None:
        """Return the first news that finds a fault in time, or None."""
        begins, ends = (self.week.minutes.at(each) for each in (fault.begins, fault.ends))
        fits = [
            each
            for each in told
            if has(each.rule, MATCHES[fault.kind]) and begins <= each.at and each.told_at <= ends + FOUND_UNTIL
        ]
        return min(fits, key=lambda each: each.told_at, default=None)

    def is_false(self, told: Told, before: Sequence[Told]) -> bool:
        """Tell whether news is a false alarm: no fault explains it, and the truth does not bear it out."""
        for fault in self.week.faults:
            begins, ends = (self.week.minutes.at(each) for each in (fault.begins, fault.ends))
            if begins <= told.at <= ends + EXPLAINS_FOR and explains(fault, told):
                return False
        sides = [side for side, words in _SIDE_WORDS.items() if has(told.rule, words)]
        if "light is short" in told.rule or "integral" in told.rule:
            sides.append("dim")
        unreached = [side for side in sides if side in self.harm.out_of_reach]
        if unreached or (has(told.rule, ANY_WAY) and self.harm.out_of_reach):
            return any(other.rule == told.rule and other.urgent == told.urgent for other in before)
        return not self._borne_out(told, sides)

    def _borne_out(self, told: Told, sides: Sequence[str]) -> bool:
        """Tell whether what truly holds bears news out."""
        harm = self.harm
        minute = min(int(self.week.minutes.minute_of(told.at)), len(self.week.minutes) - 1)
        near = slice(max(minute - 30, 0), minute + 60)
        if told.spot == "cold" or has(told.rule, STORE):
            return bool(harm.store_out[near].any())
        if has(told.rule, ANY_WAY):
            sides = list(_SIDE_WORDS)
        if any(side in harm.share and harm.share[side][near].max() >= BORNE_SHARE for side in sides):
            return True
        if has(told.rule, ("mould", "mildew", "condens", "wet")):
            return bool(harm.mould[near].any() or harm.dew[near].any())
        if has(told.rule, ("dark", "cover", "leak")):
            return bool(harm.bright[near].any())
        return False

    def tally(self, watched: Watched) -> Tally:
        """Return what came of one way of watching in this week."""
        tally = Tally(weeks=1, faults=self.rows(watched))
        for number, told in enumerate(watched.told):
            if told.at < self.judged_from:
                continue
            tally.told[told.rule] += 1
            if self.is_false(told, watched.told[:number]):
                tally.false[told.rule] += 1
        tally.noisy_weeks = int(bool(tally.false))
        tally.quiet_weeks = int(not self.week.faults)
        tally.unreached_weeks = int(bool(self.harm.out_of_reach))
        tally.ordinary_days = [watched.nudges[day] for day in self.ordinary()]
        return tally

    def ordinary(self) -> list[date]:
        """Return the judged days on which nothing is wrong, or was six hours before."""
        zone, minutes = self.week.minutes.zone, self.week.minutes
        first = local_day(self.judged_from, zone)
        days = {first + timedelta(days=day) for day in range(JUDGED_DAYS)}
        for fault in self.week.faults:
            at, end = minutes.at(fault.begins), minutes.at(fault.ends) + EXPLAINS_FOR
            while local_day(at, zone) <= local_day(end, zone):
                days.discard(local_day(at, zone))
                at += timedelta(days=1)
        return sorted(days)


def one_week(job: tuple[int, int]) -> dict[Way, Tally]:
    """Return what came of one week, by way of watching; ``job``: the week's seed, minutes between looks."""
    seed, look = job
    week = room_week(seed, PROFILES)
    judge = Judge(week, harm_of(week, PROFILES))
    every = timedelta(minutes=look)
    found = {
        Way.OURS: judge.tally(by_rules(week, PROFILES, every)),
        Way.FIXED: judge.tally(by_fixed_limits(week, every)),
    }
    return found


def _quantile(values: Sequence[float], share: float) -> float:
    return float(np.quantile(values, share)) if values else float("nan")


def figures(tally: Tally) -> dict[str, float]:
    """Return the figures of one way of watching."""
    harmful = [row for row in tally.faults if row.harmful]
    minutes = [row.minutes for row in harmful if row.minutes is not None]
    return {
        "faults_found": sum(row.found for row in harmful) / len(harmful) if harmful else float("nan"),
        "false_alarms_per_room_month": tally.false.total() / tally.weeks / JUDGED_DAYS * DAYS_A_MONTH,
        "nudges_p95_ordinary_day": _quantile(tally.ordinary_days, 0.95),
        "minutes_to_told_median": _quantile(minutes, 0.5),
        "minutes_to_told_p90": _quantile(minutes, 0.9),
    }


def result(total: dict[Way, Tally], seed: int) -> dict[str, float]:
    """Return the line of JSON."""
    ours = total[Way.OURS]
    rows = [row for row in ours.faults if row.harmful]
    found: dict[str, float] = {"seed": seed, "room_weeks": ours.weeks, "harmful_faults": len(rows), **figures(ours)}
    return found | {f"{key}_fixed_limits": value for key, value in figures(total[Way.FIXED]).items()}


def run(seed: int, weeks: int, look: int, workers: int) -> dict[Way, Tally]:
    """Return what came of many weeks."""
    jobs = [(100_000 * seed + number, look) for number in range(weeks)]
    total: dict[Way, Tally] = {Way.OURS: Tally(), Way.FIXED: Tally()}
    if workers <= 1:
        results: Iterable[dict[Way, Tally]] = map(one_week, jobs)
        return _summed(total, results, len(jobs))
    with Pool(workers) as pool:
        return _summed(total, pool.imap_unordered(one_week, jobs), len(jobs))


def _summed(total: dict[Way, Tally], results: Iterable[dict[Way, Tally]], count: int) -> dict[Way, Tally]:
    """Return the sum of what comes."""
    for done, found in enumerate(results, start=1):
        for name, tally in found.items():
            total[name].add(tally)
        if done % 20 == 0:
            sys.stderr.write(f"   {done} of {count} simulated room-weeks\n")
    return total


def _print_faults(name: str, tally: Tally) -> None:
    """Print one way's table by kind of fault."""
    say = print
    say(f"SIMULATED faults, watched by {name}")
    say(
        f"{'kind':26}{'faults':>8}{'harmful':>9}{'found':>7}{'missed':>8}{'told after harm, min: median':>30}{'p90':>8}"
    )
    for kind in [*(kind.value for kind in FaultKind), "all"]:
        rows = [row for row in tally.faults if kind in (row.kind, "all")]
        harmful = [row for row in rows if row.harmful]
        minutes = [row.minutes for row in harmful if row.minutes is not None]
        found = sum(row.found for row in harmful)
        middle = f"{_quantile(minutes, 0.5):.0f}" if minutes else "-"
        late = f"{_quantile(minutes, 0.9):.0f}" if minutes else "-"
        say(f"{kind:26}{len(rows):>8}{len(harmful):>9}{found:>7}{len(harmful) - found:>8}{middle:>30}{late:>8}")
    never = sum(not row.harmful for row in tally.faults)
    say(f"{never} of the {len(tally.faults)} never did harm, and count neither as found nor as missed")
    say("")


def _print_false(total: dict[Way, Tally]) -> None:
    """Print the false alarms by rule, and the nudges."""
    say = print
    for name, tally in total.items():
        say(f"SIMULATED false alarms in {tally.weeks} room-weeks, {name}")
        for rule, count in sorted(tally.told.items(), key=lambda each: -tally.false[each[0]]):
            say(f"   {rule:50}{tally.false[rule]:>6} false of {count:>6} told")
        days = tally.ordinary_days
        say(f"   {tally.false.total() / tally.weeks:.2f} a room-week; {tally.noisy_weeks} weeks had any")
        say(
            f"   nudges a grower-day on {len(days)} ordinary days: median {_quantile(days, 0.5):.0f}, "
            f"95 of 100 under or at {_quantile(days, 0.95):.0f}"
        )
        say("")


def _print_week(seed: int, look: int) -> None:
    """Print one week: what is there, what was wrong, what was told."""
    say = print
    week = room_week(seed, PROFILES)
    judge = Judge(week, harm_of(week, PROFILES))
    zone, plan, harm = week.minutes.zone, week.plan, judge.harm

    def when(at: datetime) -> str:
        return f"{at.astimezone(zone):%a %d %b %H:%M}"

    say(f"SIMULATED week {seed}: {plan.building.kind}, {week.climate.kind}, {week.climate.season_c:.0f} degC outside")
    say(
        f"   heater {plan.heater.power:.0f} W {plan.heater.on_at:.1f}-{plan.heater.off_at:.1f} degC, "
        f"cooler {plan.cooler.power:.0f} W {plan.cooler.off_at:.1f}-{plan.cooler.on_at:.1f} degC, "
        f"humidifier {plan.humidifier.power:.0f} g/h, dryer {plan.dryer.power:.0f} g/h"
    )
    say(f"   crops {', '.join(plan.crops)}; lamps {', '.join(str(lamp) for lamp in dict.fromkeys(plan.lamps))}")
    for node in plan.nodes:
        quantities = ", ".join(
            f"{each.quantity.value} {each.offset:+.2f}" if each.offset else each.quantity.value for each in node.sensors
        )
        say(f"   node {node.id} at {node.spot} every {node.interval_s:.0f} s: {quantities}")
    say(f"   out of reach all week: {', '.join(sorted(harm.out_of_reach)) or 'nothing'}")
    worst = {side: float(share[week.judged_from :].max()) for side, share in harm.share.items()}
    say("   worst share of a harmful dose: " + ", ".join(f"{side} {share:.2f}" for side, share in worst.items()))
    lines: list[tuple[datetime, str]] = []
    for fault in week.faults:
        what = f"{fault.kind.value} at {fault.where} (severity {fault.severity:.2f})"
        harmful = judge.harmful[fault]
        lines.append((week.minutes.at(fault.begins), f"FAULT begins: {what}"))
        lines.append((week.minutes.at(fault.ends), f"FAULT ends: {what}"))
        if harmful is not None:
            lines.append((week.minutes.at(harmful), f"HARM from here on: {what}"))
    ways = {
        Way.OURS: by_rules(week, PROFILES, timedelta(minutes=look)),
        Way.FIXED: by_fixed_limits(week, timedelta(minutes=look)),
    }
    for name, watched in ways.items():
        for number, told in enumerate(watched.told):
            if name == Way.FIXED:
                continue
            verdict = "warm-up" if told.at < judge.judged_from else (
                "FALSE" if judge.is_false(told, watched.told[:number]) else "right")  # fmt: skip
            later = "" if told.urgent else f" (told {when(told.told_at)})"
            lines.append((told.at, f"   {verdict:8}{'!' if told.urgent else ' '} {told.text}{later}"))
    for at, line in sorted(lines, key=lambda each: each[0]):
        say(f"{when(at)}  {line}")
    for name, watched in ways.items():
        for row in judge.rows(watched):
            say(f"{name}: {row}")
        tally = judge.tally(watched)
        say(f"{name}: {tally.false.total()} false, nudges on ordinary days {tally.ordinary_days}")


def main() -> None:
    """Run the weeks, print the tables and one line of JSON; or print one week."""
    seed, weeks = int(os.environ.get("SEED", "1")), int(os.environ.get("WEEKS", "300"))
    look = int(os.environ.get("LOOK", "5"))
    if "WEEK" in os.environ:
        _print_week(100_000 * seed + int(os.environ["WEEK"]), look)
        return
    total = run(seed, weeks, look, int(os.environ.get("WORKERS", "2")))
    ours = total[Way.OURS]
    print(  # noqa: T201 # the head of the tables
        f"SIMULATED: {ours.weeks} room-weeks, seed {seed}, looked at every {look} min; {ours.quiet_weeks} without a "
        f"fault, {ours.unreached_weeks} in rooms that cannot reach some band all week\n"
    )
    for name, tally in total.items():
        _print_faults(name, tally)
    _print_false(total)
    line = {key: None if np.isnan(value) else round(value, 4) for key, value in result(total, seed).items()}
    print(json.dumps(line))  # noqa: T201 # the last line is the result


if __name__ == "__main__":
    main()
