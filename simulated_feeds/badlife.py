"""The life of one simulated batch: its days, its water, and what was written down of it; pure, seeded, SIMULATED."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta

import numpy as np
from numpy.typing import NDArray

from monitor.phases import harvest_window
from monitor.profiles import PhaseKind, PhasePlan, Profile
from simulated_feeds.badair import PER_HOUR

Array = NDArray[np.float64]
DRY_G, FULL_G = 1150.0, 1850.0
"""What the set-up of each scale says of a tray without seed; a real one differs a little. Common practice, no source.
[g]"""
_LIMP_OF_HELD = 0.35
ON_TOP_KG = 3.0


@dataclass(slots=True, kw_only=True)
class Life:
    """One simulated batch: the truth of it.

    Attributes:
        batch: Batch id.
        profile: Its crop.
        shelf: Number of its shelf, from 0.
        position: Number of its place on the shelf, from 0.
        sown_on: Local day of sowing.
        lot: Seed lot that it really is from.
        medium: Bag of medium.
        trays: How many.
        dose: What it had of each cause, in the units of ``badparameters.DOSES``.
        stands: What it stands of each, likewise.
        harmed: What spoilt it; empty: it came good.
        yield_g: What a tray gives. [g]
        germination_days, blackout_days, cut_day: Local days; cut_day is counted from sowing. [d]
        look_day: Day of a look under the cover before its time; None: there was none.
        pours: When it was watered. [h since sowing]
        water_h, water_left: Its water as a broken line. [h since sowing; 0-1 and over]
    """

    batch: str
    profile: Profile
    shelf: int
    position: int
    sown_on: date
    lot: str
    medium: str
    trays: int = 4
    dose: dict[str, float] = field(default_factory=dict)
    stands: dict[str, float] = field(default_factory=dict)
    harmed: set[str] = field(default_factory=set)
    yield_g: float = 0.0
    germination_days: int = 0
    blackout_days: int = 0
    cut_day: int = 0
    look_day: int | None = None
    pours: list[float] = field(default_factory=list)
    water_h: Array = field(default_factory=lambda: np.zeros(0))
    water_left: Array = field(default_factory=lambda: np.zeros(0))

    @property
    def seed_g(self) -> float:
        """Return what was sown on a tray. [g]."""
        span = self.profile.seed_g_per_tray
        if self.dose["sown too thin"] > 0:
            return span.low * (1 - self.dose["sown too thin"])
        if self.dose["sown too thick"] > 0:
            return span.high * (1 + self.dose["sown too thick"])
        return span.usual

    @property
    def sown_at(self) -> datetime:
        """Return when it was sown."""
        return datetime.combine(self.sown_on, time(9), tzinfo=UTC)

    @property
    def uncovered_at(self) -> datetime:
        """Return when its cover or weight came off."""
        return datetime.combine(self.sown_on + timedelta(days=self.germination_days), time(8), tzinfo=UTC)

    @property
    def lights_at(self) -> datetime:
        """Return when it came into the light."""
        day = self.sown_on + timedelta(days=self.germination_days + self.blackout_days)
        return datetime.combine(day, time(8, 30), tzinfo=UTC)

    @property
    def cut_at(self) -> datetime:
        """Return when it was cut."""
        return datetime.combine(self.sown_on + timedelta(days=self.cut_day), time(10), tzinfo=UTC)

    def plan(self, kind: PhaseKind) -> PhasePlan:
        """Return a phase's plan; all crops used here have them."""
        found = self.profile.plan(kind)
        if found is None:
            raise ValueError(f"{self.profile.id} has no {kind.value}; leave it out of badparameters.CROPS")
        return found


def settle_days(life: Life, rng: np.random.Generator) -> None:
    """Give a batch its days, those of its doses that are days among them; what cannot be is made less."""
    germination, blackout = life.plan(PhaseKind.GERMINATION).days, life.plan(PhaseKind.BLACKOUT).days
    early = life.dose["cover lifted early"]
    life.germination_days = int(
        rng.choice([round(germination.usual), round(rng.uniform(germination.low, germination.high))])
    )
    if early >= 1:
        life.dose["cover lifted early"] = min(early, germination.low - 1)
        life.germination_days = round(germination.low - life.dose["cover lifted early"])
    elif early > 0:
        life.look_day = max(1, round(germination.low) - 1)
    life.blackout_days = int(rng.choice([round(blackout.usual), round(rng.uniform(blackout.low, blackout.high))]))
    if life.dose["blackout too long"] > 0:
        life.dose["blackout too short"] = 0.0
        life.blackout_days = round(blackout.high + life.dose["blackout too long"])
    elif life.dose["blackout too short"] > 0:
        life.dose["blackout too short"] = min(life.dose["blackout too short"], blackout.low)
        life.blackout_days = round(blackout.low - life.dose["blackout too short"])
    lights_on = life.sown_on + timedelta(days=life.germination_days + life.blackout_days)
    window = harvest_window(life.profile, life.sown_on, lights_on)
    first, usual, last = ((day - life.sown_on).days for day in (window.earliest, window.usual, window.latest))
    life.cut_day = int(np.clip(usual + rng.integers(-1, 2), first, last))
    if life.dose["late harvest"] > 0:
        life.cut_day = last + round(life.dose["late harvest"])


def settle_water(life: Life, rng: np.random.Generator) -> None:
    """Give a batch its water from sowing to the cut, with the dry and the wet times that it is to have."""
    wilting, refill = life.profile.wilting_fraction.value, life.profile.refill_fraction.value
    dark_h = (life.lights_at - life.sown_at) / timedelta(hours=1)
    whole_h = (life.cut_at - life.sown_at) / timedelta(hours=1)
    points: list[tuple[float, float]] = [(0.0, 1.0)]
    dry = min(life.dose["dried out while covered"], dark_h - 3)
    life.dose["dried out while covered"] = dry
    if dry > 0:
        points += [(dark_h - dry, wilting), (dark_h, wilting - 0.08)]
    else:
        points.append((dark_h, float(rng.uniform(max(refill, 0.5), 0.8))))
    _open_days(life, rng, points, dark_h, whole_h)
    hours, left = zip(*points, strict=True)
    life.water_h, life.water_left = np.array(hours), np.array(left)


def _open_days(
    life: Life, rng: np.random.Generator, points: list[tuple[float, float]], begin_h: float, end_h: float
) -> None:
    """Add the days in the open: pours, water that stands after them, and one dry time where there is to be one."""
    wilting, refill = life.profile.wilting_fraction.value, life.profile.refill_fraction.value
    wet = min(life.dose["waterlogged"], 0.75 * (end_h - begin_h))
    dry, dry_done, had_wet = life.dose["dried out later"], life.dose["dried out later"] <= 0, 0.0
    wet_pour, count, at_h = int(rng.integers(0, 2)), 0, begin_h
    while at_h < end_h - 6:
        life.pours.append(at_h)
        ordinary = wet * float(rng.uniform(0.3, 0.9)) if wet < 12 else float(rng.uniform(1, 5))
        stands = min(wet if count == wet_pour else ordinary, end_h - at_h - 1)
        had_wet = max(had_wet, stands)
        points += [(at_h + 0.05, 1.12 if stands < 12 else 1.25), (at_h + 0.05 + stands, 1.05)]
        from_h, rate = at_h + 0.05 + stands, float(rng.uniform(0.013, 0.021))
        refill_h, limp_h = (from_h + (1.05 - level) / rate for level in (refill, wilting))
        if not dry_done and count >= 1 and limp_h + dry < end_h - 1:
            points += [(limp_h, wilting), (limp_h + dry, wilting - 0.1)]
            at_h, dry_done = limp_h + dry, True
        else:
            at_h = min(refill_h + min(float(rng.uniform(0, 7)), max(limp_h - refill_h - 1, 0.0)), end_h)
            points.append((at_h, 1.05 - rate * (at_h - from_h)))
        count += 1
    life.dose["dried out later"] = dry if dry_done else 0.0
    life.dose["waterlogged"] = had_wet


def weight_of(life: Life, rng: np.random.Generator, hours: Array) -> Array:
    """Return what one tray weighs on its scale, cover weight and all. [h since sowing -> g]."""
    wilting = life.profile.wilting_fraction.value
    dry, full = DRY_G + rng.normal(0, 12), FULL_G + rng.normal(0, 14)
    limp = dry + _LIMP_OF_HELD * (full - dry)
    left = np.interp(hours, life.water_h, life.water_left)
    whole_h = (life.cut_at - life.sown_at) / timedelta(hours=1)
    steep, middle = rng.uniform(5.5, 7.5), rng.uniform(0.55, 0.65)
    grown = life.yield_g / (1 + np.exp(-steep * (hours / whole_h - middle)))
    on_top = np.where(hours < (life.uncovered_at - life.sown_at) / timedelta(hours=1), 1000 * ON_TOP_KG, 0.0)
    return np.asarray(limp + life.seed_g + grown + (left - wilting) / (1 - wilting) * (full - limp) + on_top)


def steps_of(life: Life, first_day: date) -> tuple[int, int, int, int]:
    """Return the steps at which it was sown, uncovered, brought into the light, and cut."""
    origin = datetime.combine(first_day, time(0), tzinfo=UTC)
    hours = [
        (at - origin) / timedelta(hours=1) for at in (life.sown_at, life.uncovered_at, life.lights_at, life.cut_at)
    ]
    sown, uncovered, lights, cut = (round(each * PER_HOUR) for each in hours)
    return sown, uncovered, lights, cut
