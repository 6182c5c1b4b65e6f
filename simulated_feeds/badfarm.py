"""Whole simulated farms with one bad batch among good ones: entries and readings, and the truth beside them; SIMULATED.

What the look-back may read is ``Case.entries``, ``Case.farm`` and ``Case.readings``. The truth stands in ``Case.truth``
and in the lives, which nothing but a benchmark may look at.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from monitor.farm import Farm
from monitor.farmfile import parse_farm
from monitor.ledger import Entry
from monitor.profiles import PhaseKind, Profile
from monitor.readings import Quantity
from simulated_feeds import badparameters as ranges
from simulated_feeds.badair import (
    PER_HOUR,
    Room,
    damp_spell,
    longest_wet,
    mean_daily_light,
    ordinary_room,
    temperature_spell,
    weak_light,
)
from simulated_feeds.badbook import book_of, sensed
from simulated_feeds.badlife import Life, settle_days, settle_water, steps_of

Array = NDArray[np.float64]
Readings = Mapping[str, tuple[NDArray[np.int64], Array]]
_TRIES = 60
_SECOND_BAG = 0.2


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One simulated farm with the batch that is asked about.

    Attributes:
        farm: The farm, with its sensors.
        entries: The ledger.
        readings: Usable readings by sensor: instants [ms] and values.
        target: Id of the bad batch.
        now: When it is asked.
        truth: What spoilt it; ``none of these`` where that is not in the record.
        lives: The true lives, the target's last; for the benchmark alone.
        measured: Causes of which the record shows the target's dose; for the benchmark alone.
    """

    farm: Farm
    entries: tuple[Entry, ...]
    readings: Readings
    target: str
    now: datetime
    truth: frozenset[str]
    lives: tuple[Life, ...]
    measured: frozenset[str]


def simulated_farm() -> Farm:
    """Return the farm on which all cases play: six shelves of three places, all of them measured."""
    return parse_farm(farm_text(), file="farm.toml", folder=Path())


def farm_text() -> str:
    """Return that farm's farm.toml."""
    text = [
        '[farm]\nname = "Saltcellar Farm (simulated)"\ntime_zone = "UTC"\nrounds = ["07:30", "17:00"]\n',
        '[[room]]\nid = "cellar"\nlamp = "06:00-22:00"\n',
        f'[[rack]]\nid = "1"\nroom = "cellar"\nshelves = {ranges.SHELVES}\ntrays_per_shelf = {ranges.POSITIONS}\n',
        '[[person]]\nid = "ines"\nchannels = ["console"]\n',
    ]
    for shelf in range(ranges.SHELVES):
        spot = shelf_id(shelf)
        for name, quantity in (("t", "temperature"), ("h", "humidity"), ("p", "ppfd")):
            text.append(_sensor(f"{name}{shelf}", quantity, spot))
        for position in range(ranges.POSITIONS):
            place, end = f"{spot}/{position + 1}", f"{shelf}-{position}"
            text.append(_sensor(f"l{end}", "light", place, "under_cover = true"))
            text.append(_sensor(f"w{end}", "weight", place))
    return "\n".join(text)


def _sensor(name: str, quantity: str, spot: str, more: str = "") -> str:
    """Return one sensor's table."""
    return f'[[sensor]]\nid = "{name}"\nquantity = "{quantity}"\nspot = "{spot}"\ntopic = "t/{name}"\n{more}\n'


def shelf_id(shelf: int) -> str:
    """Return the id of a shelf, counted from 0."""
    return f"cellar/1/{shelf + 1}"


def make_case(rng: np.random.Generator, farm: Farm, profiles: Mapping[str, Profile], causes: Sequence[str]) -> Case:
    """Return a farm whose newest bad batch was spoilt by these causes and no other.

    Args:
        rng: Source of chance.
        farm: What ``simulated_farm`` gives.
        profiles: Crop profiles by id.
        causes: One or two of the causes of ``badparameters``, or ``none of these``.
    """
    for _ in range(_TRIES):
        made = _try(rng, farm, profiles, set(causes) - {ranges.NOT_IN_RECORD}, causes)
        if made is not None:
            return made
    raise RuntimeError(f"no farm came out in which {', '.join(causes)} alone spoilt the batch; look at badparameters")


def _try(
    rng: np.random.Generator, farm: Farm, profiles: Mapping[str, Profile], true: set[str], asked: Sequence[str]
) -> Case | None:
    """Return a case, or None where something else spoilt the batch too, or nothing did."""
    names = ranges.SLOW_CROPS if "cover lifted early" in true else ranges.CROPS
    first_day = date(2025, 1, 1) + timedelta(days=int(rng.integers(0, 365)))
    lives = _sowings(rng, profiles, str(rng.choice(names)), first_day, true)
    kin = {
        crop: {cause: float(rng.normal(0, each.harmful.sigma)) for cause, each in ranges.DOSES.items()}
        for crop in sorted({life.profile.id for life in lives})
    }
    for life in lives:
        _settle(life, rng, kin[life.profile.id], true if life is lives[-1] else set())
    last = max(life.cut_at.date() for life in lives)
    room = ordinary_room(rng, (last - first_day).days + 2)
    for life in lives:
        _spells(life, rng, room, first_day)
    for life in lives:
        _measure(life, room, first_day)
    _harm(lives, rng, true)
    target = lives[-1]
    wanted = true or {ranges.NOT_IN_RECORD}
    if not true:
        target.harmed.add(ranges.NOT_IN_RECORD)
    if target.harmed != wanted:
        return None
    if not true and rng.random() < ranges.BAD_SEED_AS_GOOD:
        mates = [life for life in lives[:-1] if life.profile.id == target.profile.id and not life.harmed]
        if mates:
            target.lot = mates[int(rng.integers(0, len(mates)))].lot
    order = sorted(lives, key=lambda life: (life.sown_at, life is target))
    for number, life in enumerate(order, start=1):
        life.batch = str(number)
    now = datetime.combine(last + timedelta(days=1), time(12), tzinfo=UTC)
    readings, missing = sensed(rng, room, lives, first_day)
    entries, forgotten = book_of(rng, lives)
    return Case(
        farm=farm,
        entries=entries,
        readings=readings,
        target=target.batch,
        now=now,
        truth=frozenset(asked),
        lives=tuple(lives),
        measured=frozenset(ranges.DOSES) - missing - forgotten,
    )


def _sowings(
    rng: np.random.Generator, profiles: Mapping[str, Profile], crop: str, first_day: date, true: set[str]
) -> list[Life]:
    """Return the batches of a farm, the one that is asked about last: where and when, from which lot and medium."""
    target_on = first_day + timedelta(days=int(rng.integers(*ranges.DAYS_BEFORE)))
    shelf = int(rng.integers(0, ranges.SHELVES))
    target = _life(profiles[crop], shelf, int(rng.integers(0, ranges.POSITIONS)), target_on, trays=4)
    others: list[Life] = []
    for _ in range(int(rng.integers(*ranges.SIBLINGS))):
        other = crop if rng.random() < ranges.SAME_CROP else str(rng.choice(ranges.CROPS))
        day = target_on + timedelta(days=int(rng.integers(-5, 6)))
        _place(rng, _life(profiles[other], 0, 0, day, trays=4), [*others, target], others, shelf)
    for _ in range(int(rng.integers(*ranges.EARLIER))):
        day = first_day + timedelta(days=int(rng.integers(0, (target_on - first_day).days - 5)))
        _place(rng, _life(profiles[crop], 0, 0, day, trays=4), [*others, target], others, shelf)
    _lots(rng, others, target)
    _share(rng, others, target, true)
    return [*others, target]


def _life(profile: Profile, shelf: int, position: int, sown_on: date, *, trays: int) -> Life:
    """Return a batch of which only crop, place and day are settled."""
    return Life(
        batch="", profile=profile, shelf=shelf, position=position, sown_on=sown_on, lot="", medium="", trays=trays
    )


def _place(rng: np.random.Generator, life: Life, taken: Sequence[Life], others: list[Life], shelf: int) -> None:
    """Put a batch on a shelf with a free place; where none is free it is left out."""
    harvest = life.plan(PhaseKind.HARVEST).days.high + 12
    near = [shelf] if rng.random() < ranges.SAME_SHELF else []
    for at in [*near, *rng.permutation(ranges.SHELVES).tolist()]:
        for position in rng.permutation(ranges.POSITIONS).tolist():
            free = all(
                (other.shelf, other.position) != (at, position)
                or abs((other.sown_on - life.sown_on).days) > max(harvest, other.plan(PhaseKind.HARVEST).days.high + 12)
                for other in taken
            )
            if free:
                life.shelf, life.position = at, position
                others.append(life)
                return


def _lots(rng: np.random.Generator, others: Sequence[Life], target: Life) -> None:
    """Give every batch its seed lot and its bag of medium: a few of each, one after the other."""
    everyone = sorted([*others, target], key=lambda life: life.sown_on)
    first = everyone[0].sown_on
    every_lot, every_bag = int(rng.integers(11, 24)), int(rng.integers(8, 20))
    for life in everyone:
        day = (life.sown_on - first).days
        life.lot = f"{life.profile.id[:2].upper()}-{day // every_lot + 1}"
        life.medium = f"coir {day // every_bag + 1}"
    for life in everyone:
        if life is not target and rng.random() < 0.2:  # the old bag of seed is used up beside the new one
            life.lot = f"{life.profile.id[:2].upper()}-{max((life.sown_on - first).days // every_lot, 1)}"
        life.lot += "b" if rng.random() < _SECOND_BAG else ""  # so that a name tells nothing
        life.medium += "b" if rng.random() < _SECOND_BAG else ""


def _share(rng: np.random.Generator, others: Sequence[Life], target: Life, true: set[str]) -> None:
    """See that a bad lot, bag or place is shared by some other batches, and not by all."""
    near = sorted(others, key=lambda life: abs((life.sown_on - target.sown_on).days))
    mates = int(rng.integers(ranges.LOT_MATES[0], ranges.LOT_MATES[1] + 1))
    if "seed lot" in true:
        target.lot += "b"
        for life in [each for each in near if each.profile.id == target.profile.id][:mates]:
            life.lot = target.lot
    if "medium" in true:
        target.medium += "b"
        for life in near[:mates]:
            life.medium = target.medium


def _settle(life: Life, rng: np.random.Generator, kin: Mapping[str, float], true: set[str]) -> None:
    """Give a batch what it stands and what it is to have of everything, its days and its water."""
    for cause, each in ranges.DOSES.items():
        life.stands[cause] = each.harmful.middle * float(np.exp(kin[cause] + rng.normal(0, each.own_sigma)))
        life.dose[cause] = _dose(rng, each, life.stands[cause], is_cause=cause in true)
    if life.dose["sown too thin"] and life.dose["sown too thick"]:
        life.dose["sown too thick" if "sown too thin" in true or rng.random() < 0.5 else "sown too thin"] = 0.0
    settle_days(life, rng)
    dark_h = (life.lights_at - life.sown_at) / timedelta(hours=1)
    life.dose["light leak"] = min(life.dose["light leak"], 0.7 * dark_h)
    settle_water(life, rng)


def _dose(rng: np.random.Generator, each: ranges.DoseRange, stands: float, *, is_cause: bool) -> float:
    """Return a dose: one that spoils where it is the cause, else an ordinary one that does not."""
    if not is_cause and rng.random() >= each.usual_share:
        return 0.0
    spread = each.wrong if is_cause else each.usual
    for _ in range(40):
        dose = min(spread.middle * float(np.exp(rng.normal(0, spread.sigma))), each.most)
        dose = float(round(dose)) if each.whole and (is_cause or dose > 0.7) else dose
        if (dose > stands) is is_cause:
            return dose
    return min(stands * 1.25, each.most) if is_cause else 0.0


def _spells(life: Life, rng: np.random.Generator, room: Room, first_day: date) -> None:
    """Bring about in the room what a batch is to have of cold, heat, damp and weak light."""
    sown, uncovered, lights, cut = steps_of(life, first_day)
    band = life.plan(PhaseKind.GERMINATION).bands[Quantity.TEMPERATURE][0]
    low, high, harm = band.low or 0.0, band.high or 40.0, life.profile.harm
    if life.dose["cold germination"] > 0:
        dose = life.dose["cold germination"] * harm.cold.value
        temperature_spell(rng, room, life.shelf, sown, uncovered, low, dose, -1)
    if life.dose["hot germination"] > 0:
        dose = life.dose["hot germination"] * harm.heat.value
        temperature_spell(rng, room, life.shelf, sown, uncovered, high, dose, 1)
    if life.dose["mould weather"] > 0:
        damp_spell(rng, room, life.shelf, lights, cut, life.dose["mould weather"])
    least = life.plan(PhaseKind.LIGHT).daily_light_mol_m2
    if life.dose["too little light"] > 0 and least is not None:
        weak_light(room, life.shelf, lights, cut, least.low * (1 - life.dose["too little light"]))


def _measure(life: Life, room: Room, first_day: date) -> None:
    """Put in what a batch truly had of what it shares with its neighbours."""
    sown, uncovered, lights, cut = steps_of(life, first_day)
    band = life.plan(PhaseKind.GERMINATION).bands[Quantity.TEMPERATURE][0]
    warm = room.temp_c[life.shelf, sown:uncovered]
    harm = life.profile.harm
    life.dose["cold germination"] = float(np.maximum((band.low or 0) - warm, 0).sum()) / PER_HOUR / harm.cold.value
    life.dose["hot germination"] = float(np.maximum(warm - (band.high or 40), 0).sum()) / PER_HOUR / harm.heat.value
    life.dose["mould weather"] = longest_wet(room.deficit_kpa(life.shelf, lights, cut))
    least = life.plan(PhaseKind.LIGHT).daily_light_mol_m2
    had = mean_daily_light(room.ppfd[life.shelf], lights, cut)
    life.dose["too little light"] = 0.0 if least is None else max(1 - had / least.low, 0.0)


def _harm(lives: Sequence[Life], rng: np.random.Generator, true: set[str]) -> None:
    """Work out what spoilt each batch: doses that it could not stand, what it shares with others, and chance."""
    target = lives[-1]
    for life in lives:
        life.harmed = {cause for cause in ranges.DOSES if life.dose[cause] > life.stands[cause]}
        shares = {
            "seed lot": life.lot == target.lot,
            "medium": life.medium == target.medium,
            "spot": life.shelf == target.shelf,
        }
        for cause in sorted(true & set(ranges.SHARED)):
            if life is target or (shares[cause] and rng.random() < ranges.SHARED[cause]):
                life.harmed.add(cause)
        if life is not target and rng.random() < ranges.OTHER_HARM:
            life.harmed.add(ranges.NOT_IN_RECORD)
        share = rng.uniform(*(ranges.BAD_YIELD if life.harmed or life is target else ranges.GOOD_YIELD))
        life.yield_g = life.profile.yield_g_per_tray.usual * float(share)


def draw_causes(rng: np.random.Generator) -> tuple[str, ...]:
    """Return the causes of a case: one, two, or one that is not in the record."""
    chance = float(rng.random())
    single = [*ranges.DOSES, *ranges.SHARED]
    if chance < ranges.NOT_RECORDED:
        return (ranges.NOT_IN_RECORD,)
    if chance >= ranges.NOT_RECORDED + ranges.MIXTURES:
        return (str(rng.choice(single)),)
    while True:
        pair = tuple(str(each) for each in rng.choice(single, 2, replace=False))
        if not any({*pair} <= against for against in _CANNOT_BE_TWO):
            return pair


_CANNOT_BE_TWO = (
    {"sown too thin", "sown too thick"},
    {"blackout too long", "blackout too short"},
    {"seed lot", "medium"}, {"seed lot", "spot"}, {"medium", "spot"},
)  # fmt: skip
