"""What will be ready on coming days, which of it is promised, and what is left to promise; pure.

Trays are handed to promises by day, those that go over first before the others, so that a tray promised on one
day is not counted again on a later one.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date

from monitor.promises import Owed
from monitor.supplies import Supply


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """Trays of a supply that are kept for something owed.

    Attributes:
        supply: Which.
        place: Its place in the list of supplies.
        trays: How many.
    """

    supply: Supply
    place: int
    trays: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Cover:
    """Something owed, with the trays that stand for it.

    Attributes:
        owed: What is owed.
        taken: Which trays are kept for it.
    """

    owed: Owed
    taken: tuple[Taken, ...]

    @property
    def kept(self) -> int:
        """Return how many trays are kept for it."""
        return sum(each.trays for each in self.taken)

    @property
    def lacking(self) -> int:
        """Return how many trays nothing stands for yet."""
        return self.owed.open - self.kept


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadyRow:
    """One crop on one coming day.

    Attributes:
        on: The local day.
        crop: Profile id.
        ready: Trays that can be cut on that day and did not go to an earlier promise.
        ready_living: Trays that can go out living on that day, likewise.
        promised: Trays promised on that day and still to go out.
        lacking: Trays of those for which nothing stands.
        free: Trays that could still be promised cut on that day without taking one from any other promise.
        free_living: The same for living trays.
        batches: Ids of the batches that the trays belong to.
    """

    on: date
    crop: str
    ready: int
    ready_living: int
    promised: int
    lacking: int
    free: int
    free_living: int
    batches: tuple[str, ...]


def cover(asked: Sequence[Owed], supplies: Sequence[Supply]) -> tuple[Cover, ...]:
    """Return what is owed with the trays that stand for it, in the order given (by day).

    Each takes first what is cut already, then what goes over soonest.
    """
    return _handed_out(asked, supplies)[0]


def _handed_out(asked: Sequence[Owed], supplies: Sequence[Supply]) -> tuple[tuple[Cover, ...], list[int]]:
    """Return what is owed with the trays that stand for it, and how many trays of each supply are left."""
    left = [supply.trays for supply in supplies]
    by_crop: dict[str, list[int]] = defaultdict(list)
    for place, supply in enumerate(supplies):
        by_crop[supply.crop].append(place)
    found = []
    for each in asked:
        taken: list[Taken] = []
        wanted = each.open
        fitting = [place for place in by_crop[each.crop] if supplies[place].serves(each.on, living=each.living)]
        for place in sorted(fitting, key=lambda place: _first(supplies[place], living=each.living)):
            trays = min(wanted, left[place])
            if trays:
                taken.append(Taken(supply=supplies[place], place=place, trays=trays))
                left[place] -= trays
                wanted -= trays
        found.append(Cover(owed=each, taken=tuple(taken)))
    return tuple(found), left


def _first(supply: Supply, *, living: bool) -> tuple[bool, date, date]:
    """Return what sorts trays by how soon they must go."""
    return (not supply.is_cut, supply.last_day(living=living), supply.opens_on)


def later(each: Cover, covers: Iterable[Cover], supplies: Sequence[Supply]) -> tuple[Supply, int] | None:
    """Return the trays of the same crop that are ready soonest after the day asked for, with how many nobody has.

    None: there are none.
    """
    kept: dict[int, int] = defaultdict(int)
    for other in covers:
        for taken in other.taken:
            kept[taken.place] += taken.trays
    found = [
        (supply.opens_on, supply, supply.trays - kept[place])
        for place, supply in enumerate(supplies)
        if supply.crop == each.owed.crop and supply.opens_on > each.owed.on and supply.trays > kept[place]
    ]
    return min(found, key=lambda one: one[0])[1:] if found else None


def lacking(covers: Iterable[Cover]) -> int:
    """Return how many trays nothing stands for, in all."""
    return sum(each.lacking for each in covers)


def ready(days: Sequence[date], asked: Sequence[Owed], supplies: Sequence[Supply]) -> tuple[ReadyRow, ...]:
    """Return what is ready and what is promised, by day and crop; crops of which there is neither are left out.

    Args:
        days: The local days asked about, ascending.
        asked: All that is owed from today on, by day, later days than those asked about among it.
        supplies: All trays that stand, soak or lie cut.
    """
    found = []
    for crop in sorted({supply.crop for supply in supplies} | {each.crop for each in asked}):
        mine = [supply for supply in supplies if supply.crop == crop]
        wanted = [each for each in asked if each.crop == crop]
        covers = cover(wanted, mine)
        rows = (_row(day, crop, wanted, mine, covers) for day in days)
        found += [row for row in rows if row.ready or row.ready_living or row.promised]
    return tuple(sorted(found, key=lambda row: row.on))


def _row(day: date, crop: str, wanted: Sequence[Owed], supplies: Sequence[Supply], covers: Sequence[Cover]) -> ReadyRow:
    """Return one crop on one day."""
    _, left = _handed_out([each for each in wanted if each.on < day], supplies)
    counted = {
        living: sum(trays for supply, trays in zip(supplies, left, strict=True) if supply.serves(day, living=living))
        for living in (False, True)
    }
    here = [each for each in covers if each.owed.on == day]
    return ReadyRow(
        on=day,
        crop=crop,
        ready=counted[False],
        ready_living=counted[True],
        promised=sum(each.owed.open for each in here),
        lacking=lacking(here),
        free=_free(day, crop, wanted, supplies, covers, most=counted[False], living=False),
        free_living=_free(day, crop, wanted, supplies, covers, most=counted[True], living=True),
        batches=tuple(
            dict.fromkeys(
                supply.batch
                for supply in supplies
                if supply.serves(day, living=False) or supply.serves(day, living=True)
            )
        ),
    )


def _free(
    day: date,
    crop: str,
    wanted: Sequence[Owed],
    supplies: Sequence[Supply],
    covers: Sequence[Cover],
    *,
    most: int,
    living: bool,
) -> int:
    """Return the most trays that one more promise on a day could ask for without any other losing one."""
    lacks = lacking(covers)

    def fits(trays: int) -> bool:
        more = Owed(promise="", on=day, crop=crop, trays=trays, whom="", living=living)
        return lacking(cover(sorted([*wanted, more], key=lambda each: each.on), supplies)) <= lacks

    low, high = 0, most
    while low < high:
        middle = (low + high + 1) // 2
        low, high = (middle, high) if fits(middle) else (low, middle - 1)
    return low
