"""What a plan of sowings starts from: what lacks of the promises, and the room that what stands already takes; pure."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from monitor.ahead import Cover
from monitor.batches import Batch
from monitor.clock import local_day
from monitor.farm import Farm
from monitor.places import SpotKind
from monitor.profiles import Manner, PhaseKind, Profile
from monitor.sowby import SowBy, sow_day
from monitor.sowplan import Plan, Room, Stay, Want
from monitor.supplies import Supply

_NO_PLACE = (SpotKind.COLD_STORE, SpotKind.CUPBOARD, SpotKind.OTHER)


@dataclass(frozen=True, slots=True, kw_only=True)
class DayNeed:
    """What a plan needs on one day.

    Attributes:
        on: The local day.
        trays: Trays by phase, as words; soaks count the trays that they are meant for.
        in_use: Trays in use, soaks not counted.
        places: Shelf places taken.
        free: Shelf places left; under 0: what stands already takes more than there are; None: nobody said.
    """

    on: date
    trays: Mapping[str, int]
    in_use: int
    places: int
    free: int | None


def want_of(each: Cover, plan: SowBy, profile: Profile, farm: Farm, now: datetime) -> Want:
    """Return what lacks of something owed, as a plan takes it."""
    lead = plan.lead
    return Want(
        promise=each.owed.promise,
        on=each.owed.on,
        crop=each.owed.crop,
        whom=each.owed.whom,
        living=each.owed.living,
        trays=each.lacking,
        spare=plan.to_sow - plan.trays,
        earliest=plan.earliest.on,
        usual=plan.usual.on,
        latest=plan.latest.on,
        not_before=_first_start(farm, profile, now),
        piled_days=lead.uncover if profile.manner is Manner.STACKED else 0,
        dark_until=(lead.uncover, lead.light),
        opens=lead.opens,
        seed_g=profile.seed_g_per_tray.usual * farm.tray_size(next(iter(farm.tray_kinds))),
    )


def _first_start(farm: Farm, profile: Profile, now: datetime) -> date:
    """Return the first local day on which a crop can still be sown, with its soak where it has one."""
    today = local_day(now, farm.zone)
    for day in (today + timedelta(days=n) for n in range(3)):
        if sow_day(farm, profile, day).latest_start_at >= now:
            return day
    return today + timedelta(days=3)


def shelves_of(farm: Farm) -> dict[str, int]:
    """Return how many trays each shelf holds, in walking order."""
    return {
        spot.id: spot.holds_trays
        for spot in farm.places
        if spot.kind is SpotKind.SHELF and spot.holds_trays is not None
    }


def room_of(
    farm: Farm,
    supplies: Sequence[Supply],
    covers: Iterable[Cover],
    *,
    first: date,
    last: date,
    seed_g: Mapping[str, float],
) -> Room:
    """Return the room of a plan: shelves, trays and seed, and what stands already.

    What stands leaves on the day of the promise that it is kept for; what is not promised stays to the last day of its
    harvest window, and what is past that is cleared today.
    """
    kind = next(iter(farm.tray_kinds.values()))
    stays = tuple(_stays(farm, supplies, covers, first))
    return Room(
        first=first,
        last=last,
        shelves=shelves_of(farm),
        in_pile=farm.trays_in_pile,
        trays_owned=kind.owned,
        seed_g=dict(seed_g),
        stays=stays,
    )


def _shelf(farm: Farm, spot_id: str | None) -> tuple[str | None, bool]:
    """Return (the shelf that a spot is on, or None; whether trays there count for the shelves)."""
    if spot_id is None:
        return None, True
    for outer in farm.places.chain(spot_id):
        if outer not in farm.places:
            continue
        if farm.places[outer].kind is SpotKind.SHELF:
            return outer, True
        if farm.places[outer].kind in _NO_PLACE:
            return None, False
    return None, True


def _stays(farm: Farm, supplies: Sequence[Supply], covers: Iterable[Cover], first: date) -> Iterator[Stay]:
    """Yield what stands, from today to the day on which it leaves; piles by themselves, with the places they take."""
    leaving: dict[int, Counter[date]] = defaultdict(Counter)
    for each in covers:
        for taken in each.taken:
            leaving[taken.place][each.owed.on] += taken.trays
    piles: dict[tuple[str, str | None], list[tuple[Supply, date]]] = defaultdict(list)
    for place, supply in enumerate(supplies):
        if supply.is_cut:
            continue
        shelf, counts = _shelf(farm, supply.spot)
        rest = supply.trays - leaving[place].total()
        days = Counter(leaving[place])
        if rest:
            days[max(supply.closes_on, first)] += rest
        opened = _opened_on(supply, first)
        if opened > first and counts and supply.begins and supply.phase_on(opened) is not PhaseKind.SOAK:
            piles[(supply.stack or f"batch {supply.batch}", shelf)].append((supply, opened))
        for last, trays in sorted(days.items()):
            yield from _of_trays(supply, shelf, counts, trays, first, opened, last)
    for (_, shelf), members in piles.items():
        yield from _of_pile(farm, shelf, members, first)


def _opened_on(supply: Supply, first: date) -> date:
    """Return the local day from which trays take a place each; ``first`` where they do already."""
    after = [begins_on for kind, begins_on in supply.begins if kind not in (PhaseKind.SOAK, PhaseKind.GERMINATION)]
    return max(first, after[0]) if supply.piled and after else first


def _of_trays(
    supply: Supply, shelf: str | None, counts: bool, trays: int, first: date, opened: date, last: date
) -> Iterator[Stay]:
    """Yield the stay of some trays: piled without a place of their own, then open with one each."""
    sown = next((begins_on for kind, begins_on in supply.begins if kind is not PhaseKind.SOAK), first)
    start = max(first, sown)
    for begin, end, places in ((start, min(opened - timedelta(days=1), last), 0), (max(start, opened), last, trays)):
        if begin <= end:
            days = (begin + timedelta(days=n) for n in range((end - begin).days + 1))
            yield Stay(
                batch=supply.batch,
                crop=supply.crop,
                shelf=shelf if begin == first else None,
                first=begin,
                last=end,
                trays=trays,
                places=places if counts else 0,
                phases=tuple(str(supply.phase_on(day) or "") for day in days),
            )


def _of_pile(farm: Farm, shelf: str | None, members: Sequence[tuple[Supply, date]], first: date) -> Iterator[Stay]:
    """Yield the places that a pile takes until its last tray comes out; trays that nobody piled yet make several."""
    supply = members[0][0]
    trays = sum(each.trays for each, _ in members)
    places = 1 if supply.stack else -(-trays // farm.trays_in_pile)
    last = max(opened for _, opened in members) - timedelta(days=1)
    days = (last - first).days + 1
    yield Stay(
        batch=supply.batch,
        crop=supply.crop,
        shelf=shelf,
        first=first,
        last=last,
        trays=0,
        places=places,
        phases=("germination",) * days,
    )


def days_of(plan: Plan, supplies: Iterable[Supply]) -> tuple[DayNeed, ...]:
    """Return what a plan needs day by day: trays by phase, trays in use, places; soaks of today's batches too."""
    trays: dict[date, Counter[str]] = defaultdict(Counter)
    places: Counter[date] = Counter()
    soaks = [supply for supply in supplies if supply.begins and supply.begins[0][0] is PhaseKind.SOAK]
    for day in plan.room.days:
        for supply in soaks:
            if supply.phase_on(day) is PhaseKind.SOAK:
                trays[day]["soak"] += supply.trays
    for stay in plan.room.stays:
        for n, phase in enumerate(stay.phases):
            day = stay.first + timedelta(days=n)
            trays[day][phase] += stay.trays
            places[day] += stay.places
    stacked: Counter[tuple[str, date]] = Counter()
    piled_days: dict[str, int] = {}
    for each in plan.sown:
        for n in range((each.want.on - each.on).days + 1):
            day = each.on + timedelta(days=n)
            trays[day][each.want.phase_on(each.on, day)] += each.trays
            if n >= each.want.piled_days:
                places[day] += each.trays
        if each.want.piled_days:
            stacked[(each.want.crop, each.on)] += each.trays
            piled_days[each.want.crop] = each.want.piled_days
    for (crop, on), count in stacked.items():
        for n in range(piled_days[crop]):
            places[on + timedelta(days=n)] += -(-count // plan.room.in_pile)
    total = plan.room.places
    return tuple(
        DayNeed(
            on=day,
            trays={phase: count for phase, count in trays[day].items() if count},
            in_use=sum(count for phase, count in trays[day].items() if phase != "soak"),
            places=places[day],
            free=None if total is None else total - places[day],
        )
        for day in plan.room.days
    )


def lots_of(batches: Iterable[Batch]) -> dict[str, str]:
    """Return the seed lot that was sown or soaked last, by crop."""
    begun = [
        (batch.sown_at or batch.soaked_at, batch)
        for batch in batches
        if batch.lot and (batch.sown_at or batch.soaked_at)
    ]
    return {
        batch.crop: batch.lot
        for _, batch in sorted(begun, key=lambda each: str(each[0]))
        if batch.lot is not None
    }  # fmt: skip
