"""Simulated lives of trays: what truly becomes of the water of one to eight trays of one sowing; pure, seeded.

Mass balance: weight = tare + dry medium + seed + water in the medium + standing water + plants; plants are made
of the medium's water, so the weight changes only by what is poured, poured off, cut, and given to the air.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from simulated_feeds.lifeparameters import CROPS, HABITS, RANGES, WEATHERS, Range
from simulated_feeds.room import saturation_kpa

Array = NDArray[np.float64]
STEP_H = 1 / 12
SOWN_H = 9.0
_AFTER_CUT_H = 8.0


@dataclass(frozen=True, slots=True)
class Deed:
    """Something that was done to a tray: hours since the first midnight, what, and how many grams it changed."""

    at_h: float
    kind: str
    grams: float
    tray: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """Something that the grower wrote down or felt: an entry, a mark, a lift by hand."""

    at_h: float
    kind: str
    tray: int
    grams: float = 0.0
    feel: str = ""


@dataclass(frozen=True, slots=True)
class Truth:
    """What holds of each tray; every array has shape (trays,)."""

    holds: Array
    limp: Array
    floor: Array
    tare: Array
    medium: Array
    wick: Array
    lamp: Array
    air: Array
    night: Array
    soil: Array
    covered: Array
    stress: Array
    grown: Array
    cover_k: Array


@dataclass(frozen=True, slots=True)
class Climate:
    """The room, every five minutes from the first midnight; every array has shape (steps,)."""

    lit: NDArray[np.bool_]
    temp_c: Array
    humidity: Array
    deficit: Array


@dataclass(slots=True)
class TrayLife:
    """One simulated life of one to eight trays, with its truth.

    Attributes:
        crop, habit, weather: What was drawn.
        dark_h, open_h, cut_h: When it was uncovered, lit, and cut, in hours since the first midnight.
        rounds: Times of day at which the racks are walked. [h]
        seed_g, pile_g: Seed a tray, weight on the pile. [g]
        pile_trays: Trays that lay in the pile over the load cell, this one with them.
        climate, truth: The room and the trays.
        water, standing, plants: True water in the medium, standing water, fresh plants; shape (steps, trays). [g]
        lost: Water given to the air so far; shape (steps, trays). [g]
        earlier: Days to the cut and cut weight of the farm's three batches of this crop before this one.
        deeds: What was done, in order.
        told: What was written down, in order.
    """

    crop: str
    habit: str
    weather: str
    dark_h: float
    open_h: float
    cut_h: float
    rounds: tuple[float, ...]
    lamp_on_h: float
    lamp_off_h: float
    seed_g: float
    pile_g: float
    pile_trays: int
    noise_g: float
    climate: Climate
    truth: Truth
    growth: tuple[float, float]
    yield_g: float
    water: Array
    standing: Array
    plants: Array
    lost: Array
    setup_full_g: Array
    setup_limp_g: Array
    earlier: tuple[tuple[float, float], ...] = ()
    deeds: list[Deed] = field(default_factory=list)
    told: list[Told] = field(default_factory=list)

    @property
    def trays(self) -> int:
        """Return how many trays live."""
        return len(self.truth.holds)

    @property
    def steps(self) -> int:
        """Return how many steps it has."""
        return len(self.climate.temp_c)

    def step_at(self, at_h: float) -> int:
        """Return the step of an instant."""
        return min(max(int(at_h / STEP_H), 0), self.steps - 1)

    def left(self, step: int | NDArray[np.int64], tray: int, limp_fraction: float) -> Array:
        """Return the true share of available water, 1 at what it holds, ``limp_fraction`` where plants limp."""
        truth = self.truth
        share = (self.water[step, tray] - truth.limp[tray]) / (truth.holds[tray] - truth.limp[tray])
        return np.asarray(limp_fraction + (1 - limp_fraction) * share)

    def deficit(self, step: int, tray: int) -> float:
        """Return what the tray could still take: held water missing, less what stands in its bottom tray. [g]."""
        return float(self.truth.holds[tray] - self.water[step, tray] - self.standing[step, tray])

    def base_g(self, tray: int) -> float:
        """Return what a tray weighs without water and plants. [g]."""
        return float(self.truth.tare[tray] + self.truth.medium[tray] + self.seed_g)

    def weight(self, step: int, tray: int) -> float:
        """Return the true weight of a tray. [g]."""
        water = self.water[step, tray] + self.standing[step, tray] + self.plants[step, tray]
        return self.base_g(tray) + float(water)


def _draw(rng: np.random.Generator, span: Range) -> float:
    return float(rng.uniform(span.low, span.high))


def _lag(rng: np.random.Generator, steps: int, hours: float, spread: float) -> Array:
    """Return noise that remembers for some hours, with a standard deviation of ``spread``."""
    keep = math.exp(-STEP_H / hours)
    noise = rng.normal(0, spread * math.sqrt(1 - keep * keep), steps)
    out = np.empty(steps)
    last = float(rng.normal(0, spread))
    for index, each in enumerate(noise):
        last = keep * last + each
        out[index] = last
    return out


def _climate(rng: np.random.Generator, steps: int, weather: str, on_h: float, off_h: float) -> Climate:
    """Return the room's air and light."""
    hour = np.arange(steps) * STEP_H
    of_day = hour % 24
    lit = (of_day >= on_h) & (of_day < off_h) if on_h < off_h else (of_day >= on_h) | (of_day < off_h)
    warm = _draw(rng, RANGES["lamp_warmth_c"])
    lifted = np.empty(steps)
    level = 0.0
    for index, on in enumerate(lit):
        level += ((warm if on else 0.0) - level) * STEP_H / 1.5
        lifted[index] = level
    temp = _draw(rng, RANGES["temp_c"]) + lifted + _lag(rng, steps, 3, 0.3)
    damp = _draw(rng, RANGES["humidity_pct"]) - 1.5 * lifted
    damp = damp + _draw(rng, RANGES["humidity_swing_pct"]) * np.cos((of_day - 5) / 24 * 2 * np.pi)
    damp = damp + _lag(rng, steps, 3, 1.5)
    if weather == "changes":
        damp = damp + _lag(rng, steps, 40, 9)
        temp = temp + _lag(rng, steps, 40, 1.2)
    turn = float(rng.uniform(0.4, 0.75)) * steps * STEP_H
    if weather == "dry spell":
        damp = damp - 16 * ((hour > turn) & (hour < turn + 48))
    if weather == "heater fails":
        temp = temp - 5 * ((hour > turn) & (hour < turn + 12))
    damp = np.clip(damp, 20, 96)
    deficit = np.array([saturation_kpa(each) for each in temp]) * (1 - damp / 100)
    return Climate(lit=lit, temp_c=temp, humidity=damp, deficit=deficit)


def _truth(rng: np.random.Generator, trays: int, grown: float) -> Truth:
    """Return the trays of one sowing, which differ a little."""
    spread = _draw(rng, RANGES["sister_spread"])

    def each(name: str, wobble: float = 1.0) -> Array:
        return _draw(rng, RANGES[name]) * np.exp(rng.normal(0, spread * wobble, trays))

    holds = each("holds_g", 0.6)
    limp = holds * np.clip(_draw(rng, RANGES["limp_share"]) + rng.normal(0, 0.01, trays), 0.2, 0.5)
    return Truth(
        holds=holds,
        limp=limp,
        floor=limp * _draw(rng, RANGES["floor_share"]),
        tare=_draw(rng, RANGES["tare_g"]) + rng.normal(0, 3, trays),
        medium=each("dry_medium_g", 0.6),
        wick=each("wick_g_h"),
        lamp=each("lamp_g_h"),
        air=each("air_g_h_kpa"),
        night=np.full(trays, _draw(rng, RANGES["night_share"])),
        soil=each("soil_g_h_kpa"),
        covered=each("covered_g_h"),
        stress=np.full(trays, _draw(rng, RANGES["stress_from"])),
        grown=grown * np.exp(rng.normal(0, spread, trays)),
        cover_k=np.full(trays, _draw(rng, RANGES["cover_k"])),
    )


def _loss_g(
    truth: Truth, water: Array, plants: Array, lit: Array, deficit: Array, covered: Array, pick: NDArray[np.int64]
) -> Array:
    """Return what trays give to the air in one step. [g]."""
    floor, holds = truth.floor[pick], truth.holds[pick]
    left = np.clip((water - floor) / (holds - floor), 0, 1)
    strength = np.clip(left / truth.stress[pick], 0, 1)
    cover = 1 - np.exp(-truth.cover_k[pick] * plants / truth.grown[pick])
    leaves = truth.lamp[pick] * lit + truth.air[pick] * deficit * np.where(lit > 0, 1.0, truth.night[pick])
    soil = truth.soil[pick] * deficit * (1 - cover) * np.sqrt(np.clip(water / holds, 0, 1))
    rate = np.where(covered > 0, truth.covered[pick], leaves * cover * strength + soil)
    return np.asarray(np.minimum(rate * STEP_H, np.maximum(water - 0.3 * floor, 0)))


def live(seed: int, *, trays: int, pile: bool) -> TrayLife:
    """Return one simulated life.

    Args:
        seed: Draws all of it; another seed is another life.
        trays: How many trays of the sowing are followed; the first stands on the load cell.
        pile: The load cell lies under the pile from sowing on.
    """
    rng = np.random.default_rng(seed)
    crop = str(rng.choice(list(CROPS)))
    ranges = CROPS[crop]
    habit, weather = str(rng.choice(HABITS)), str(rng.choice(WEATHERS, p=(0.5, 0.25, 0.15, 0.1)))
    rounds = ((7.5, 17.5), (7.0, 12.5, 18.0), (8.0, 20.0))[int(rng.integers(3))]
    dark_h = 24 * round(_draw(rng, ranges.dark_days)) + rounds[0]
    open_h = dark_h + 24 * round(_draw(rng, ranges.blackout_days))
    cut_h = 24 * max(round(_draw(rng, ranges.cut_day)), round(open_h / 24) + 3) + 10.0
    hours = _draw(rng, RANGES["lamp_hours"])
    on_h = 6.0
    steps = int((cut_h + _AFTER_CUT_H) / STEP_H)
    grown = _draw(rng, ranges.yield_g)
    truth = _truth(rng, trays, grown)
    b, c = _draw(rng, RANGES["gompertz_b"]), _draw(rng, RANGES["gompertz_c"])
    share = np.clip((np.arange(steps) * STEP_H - SOWN_H) / (cut_h - SOWN_H), 0, None)
    curve = (np.exp(-b * np.exp(-c * share)) - math.exp(-b)) / (math.exp(-b * math.exp(-c)) - math.exp(-b))
    plants = np.outer(curve, truth.grown)
    life = TrayLife(
        crop=crop,
        habit=habit,
        weather=weather,
        dark_h=dark_h,
        open_h=open_h,
        cut_h=cut_h,
        rounds=rounds,
        lamp_on_h=on_h,
        lamp_off_h=(on_h + hours) % 24,
        seed_g=_draw(rng, ranges.seed_g),
        pile_g=1000 * _draw(rng, ranges.pile_kg),
        pile_trays=int(rng.integers(2, 6)) if pile else 1,
        noise_g=_draw(rng, RANGES["noise_g"]),
        climate=_climate(rng, steps, weather, on_h, (on_h + hours) % 24),
        truth=truth,
        growth=(b, c),
        yield_g=grown,
        water=np.zeros((steps, trays)),
        standing=np.zeros((steps, trays)),
        plants=plants,
        lost=np.zeros((steps, trays)),
        setup_full_g=np.zeros(trays),
        setup_limp_g=np.zeros(trays),
    )
    own = np.random.default_rng((seed, 3))
    of_yield, of_days = _draw(own, RANGES["batch_yield_spread"]), _draw(own, RANGES["batch_days_spread"])
    farm_g = grown * math.exp(-own.normal(0, of_yield))
    farm_days = (cut_h - SOWN_H) / 24 * math.exp(-own.normal(0, of_days))
    life.earlier = tuple(
        (round(farm_days * math.exp(own.normal(0, of_days))), farm_g * math.exp(own.normal(0, of_yield)))
        for _ in range(3)
    )
    _run(life, rng)
    return life


def _run(life: TrayLife, rng: np.random.Generator) -> None:
    """Fill in what becomes of the water, with the grower's deeds."""
    truth, trays = life.truth, life.trays
    base = truth.tare + truth.medium + life.seed_g
    life.setup_full_g = base + truth.holds + rng.uniform(0, _draw(rng, RANGES["setup_error_g"]), trays)
    wrong = rng.normal(0, _draw(rng, RANGES["limp_error_share"]), trays)
    life.setup_limp_g = base + truth.limp + wrong * truth.holds
    water = truth.holds * rng.uniform(0.9, 1.0)
    standing, lost = np.zeros(trays), np.zeros(trays)
    grower = _Grower(life, rng)
    everyone = np.arange(trays)
    before = life.plants[0].copy()
    for step in range(life.steps):
        at_h = step * STEP_H
        for tray, grams in grower.pours_at(step, water, standing):
            standing[tray] += grams
        for tray in grower.poured_off_at(at_h):
            life.deeds.append(Deed(at_h, "poured off", -float(standing[tray]), tray))
            standing[tray] = 0.0
        grown = np.minimum(life.plants[step] - before, np.maximum(water - truth.floor, 0))
        life.plants[step] = before + grown
        before = life.plants[step].copy()
        water = water - grown
        drawn = np.minimum(np.minimum(standing, truth.wick * STEP_H), np.maximum(truth.holds - water, 0))
        water, standing = water + drawn, standing - drawn
        loss = _loss_g(
            truth,
            water,
            life.plants[step],
            np.full(trays, float(life.climate.lit[step] and at_h >= life.open_h)),
            np.full(trays, life.climate.deficit[step]),
            np.full(trays, float(at_h < life.dark_h)),
            everyone,
        )
        water = water - loss
        lost = lost + loss
        life.water[step], life.standing[step], life.lost[step] = water, standing, lost
    life.deeds.append(Deed(life.cut_h, "cut", -float(life.plants[life.step_at(life.cut_h), 0])))
    life.deeds.sort(key=lambda deed: deed.at_h)
    life.told.sort(key=lambda told: told.at_h)


class _Grower:
    """The simulated grower's habits; knows the trays by hand only, with the hand's error."""

    def __init__(self, life: TrayLife, rng: np.random.Generator) -> None:
        """Take the life that is acted upon, and draw the habits."""
        self.life, self.rng = life, rng
        self.amount_error = _draw(rng, RANGES["amount_error"])
        self.feel_error = _draw(rng, RANGES["feel_error"])
        self.mark_share = _draw(rng, RANGES["mark_share"])
        self.enter_share = _draw(rng, RANGES["enter_share"])
        hand = np.random.default_rng((int(rng.integers(2**31)), 5))
        self.heavy_from, self.light_under = _draw(hand, RANGES["heavy_from"]), _draw(hand, RANGES["light_under"])
        self.every_days = int(rng.integers(1, 4))
        self.usual_ml = float(rng.uniform(150, 450))
        self.last_day = -9
        self.off: list[tuple[float, int]] = []
        first = life.dark_h / STEP_H
        self.walks = {
            int((24 * day + hour) / STEP_H)
            for day in range(int(life.cut_h // 24) + 1)
            for hour in life.rounds
            if 24 * day + hour > life.dark_h + 1 and 24 * day + hour < life.cut_h - 6
        }
        self.first_step = int(first)

    def feel(self, step: int, tray: int, water: Array) -> float:
        """Return the share of water left as the hand feels it."""
        truth = self.life.truth
        left = 0.2 + 0.8 * (water[tray] - truth.limp[tray]) / (truth.holds[tray] - truth.limp[tray])
        return float(left + self.rng.normal(0, self.feel_error))

    def pours_at(self, step: int, water: Array, standing: Array) -> list[tuple[int, float]]:
        """Return what is poured at a step: (tray, grams)."""
        if step not in self.walks:
            return []
        life, rng, at_h = self.life, self.rng, step * STEP_H
        for tray in range(life.trays):
            if rng.random() < 0.6:
                felt = self.feel(step, tray, water)
                feel = "heavy" if felt > self.heavy_from else "light" if felt < self.light_under else "right"
                life.told.append(Told(at_h=at_h - 0.02, kind="lift", tray=tray, feel=feel))
        leader = self.feel(step, 0, water)
        start = {"early": 0.75, "right": 0.5, "late": 0.2, "too much": 0.55}.get(life.habit)
        if start is None:
            if int(at_h // 24) - self.last_day < self.every_days:
                return []
        elif leader > start or standing[0] > 30:
            return []
        self.last_day = int(at_h // 24)
        missing = float(life.truth.holds[0] - water[0] - standing[0])
        aim = self.usual_ml if start is None else missing * (1.5 if life.habit == "too much" else 1.0)
        aim = max(aim * float(np.exp(rng.normal(-0.05, self.amount_error))), 60.0)
        if rng.random() < self.enter_share:
            said = aim * float(np.exp(rng.normal(0, 0.08)))
            life.told.append(Told(at_h=at_h + float(rng.uniform(0, 0.3)), kind="water", tray=0, grams=said))
        pours = []
        for tray in range(life.trays):
            grams = aim * float(np.exp(rng.normal(0, 0.06))) if tray else aim
            pours.append((tray, grams))
            life.deeds.append(Deed(at_h, "pour", grams, tray))
        self._afterwards(at_h, aim > missing + 40)
        return pours

    def _afterwards(self, at_h: float, brimming: bool) -> None:
        """Note what follows a pour beyond what is held: the rest poured off, or a weighing marked full."""
        if not brimming:
            return
        rng, life = self.rng, self.life
        if rng.random() < 0.6:
            off_h = at_h + float(rng.uniform(0.6, 0.9))
            self.off += [(off_h, tray) for tray in range(life.trays)]
            if rng.random() < self.mark_share:
                life.told.append(Told(at_h=off_h + 0.25, kind="full", tray=0))

    def poured_off_at(self, at_h: float) -> list[int]:
        """Return the trays whose standing water is poured off at a step."""
        due = [tray for off_h, tray in self.off if off_h <= at_h]
        self.off = [(off_h, tray) for off_h, tray in self.off if off_h > at_h]
        return due


def hours_until(life: TrayLife, starts: NDArray[np.int64], tray: int, water_g: float, horizon_h: float = 96.0) -> Array:
    """Return how long it would take from some steps, without a further pour, until the medium holds ``water_g``.

    The room beyond the life's end is its last day again. NaN where it takes longer than the horizon. Shape of
    ``starts``. [h]
    """
    truth, steps = life.truth, life.steps
    water, standing = life.water[starts, tray].copy(), life.standing[starts, tray].copy()
    plants = life.plants[starts, tray].copy()
    out = np.full(len(starts), np.nan)
    out[water <= water_g] = 0.0
    day = int(24 / STEP_H)
    pick = np.full(len(starts), tray)
    growth = np.diff(life.plants[:, tray], append=life.plants[-1, tray])
    for ahead in range(int(horizon_h / STEP_H)):
        at = starts + ahead
        at = np.where(at < steps, at, steps - day + (at - steps) % day)
        grown = np.where(starts + ahead < steps, growth[np.minimum(at, steps - 1)], 0.0)
        water, plants = water - grown, plants + grown
        drawn = np.minimum(np.minimum(standing, truth.wick[tray] * STEP_H), np.maximum(truth.holds[tray] - water, 0))
        water, standing = water + drawn, standing - drawn
        hours = at * STEP_H
        lit = (life.climate.lit[at] & (hours >= life.open_h)).astype(float)
        covered = (hours < life.dark_h).astype(float)
        water = water - _loss_g(truth, water, plants, lit, life.climate.deficit[at], covered, pick)
        out[np.isnan(out) & (water <= water_g)] = (ahead + 1) * STEP_H
        if not np.isnan(out).any():
            break
    return out
