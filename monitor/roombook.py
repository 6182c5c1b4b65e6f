"""The room that sowings take, day by day, reckoned exactly: places with whole piles, trays in use, seed; pure.

Where everything fits on its usual day the plan is made here, without a solver; and here each tray that a plan does not
meet gets its reason.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from datetime import date, timedelta

from monitor.promises import promise_number
from monitor.sowplan import Lacks, Plan, Room, Sown, Unmet, Want

_NO_END = 10**9
Amounts = dict[tuple[int, date], int]
"""Trays sown, by the place of their want in the list and the day."""


class RoomBook:
    """Room used, day by day: what stands, and what is sown so far; exact, with whole piles.

    Inside, days are counted from the plan's first, and what is free is kept in lists, for a plan asks often.
    """

    def __init__(self, wants: Sequence[Want], room: Room) -> None:
        """Begin with what stands already."""
        self.wants, self.room = wants, room
        self.amounts: Amounts = defaultdict(int)
        self._of_want = [0] * len(wants)
        self._stacked: dict[tuple[str, date], int] = defaultdict(int)
        self._seed: dict[str, float] = defaultdict(float)
        count = (room.last - room.first).days + 1
        self._places = [room.places if room.places is not None else _NO_END] * count
        self._trays = [room.trays_owned if room.trays_owned is not None else _NO_END] * count
        for stay in room.stays:
            for n in range(self._n(max(stay.first, room.first)), self._n(min(stay.last, room.last)) + 1):
                self._places[n] -= stay.places
                self._trays[n] -= stay.trays

    def _n(self, day: date) -> int:
        """Return a day as its number in the plan."""
        return (day - self.room.first).days

    def sow(self, place: int, on: date, trays: int) -> None:
        """Count trays of a want as sown on a day; a negative number takes them back."""
        want = self.wants[place]
        self.amounts[(place, on)] += trays
        self._of_want[place] += trays
        first, last = self._n(on), self._n(want.on)
        if want.piled_days:
            before = self._stacked[(want.crop, on)]
            self._stacked[(want.crop, on)] = before + trays
            piles = self.piles(before + trays) - self.piles(before)
            for n in range(first, first + want.piled_days):
                self._places[n] -= piles
        for n in range(first, last + 1):
            self._trays[n] -= trays
        for n in range(first + want.piled_days, last + 1):
            self._places[n] -= trays
        self._seed[want.crop] += trays * want.seed_g

    def piles(self, trays: int) -> int:
        """Return how many piles so many trays make."""
        return -(-trays // self.room.in_pile)

    def room_for(self, place: int, on: date) -> int:
        """Return how many more trays of a want can be sown on a day."""
        want = self.wants[place]
        first, last = self._n(on), self._n(want.on)
        opened = first + want.piled_days
        most = min(self._places[opened : last + 1], default=_NO_END)
        most = min(most, min(self._trays[first : last + 1]))
        if want.piled_days:
            slack = -self._stacked[(want.crop, on)] % self.room.in_pile
            most = min(most, slack + self.room.in_pile * max(0, min(self._places[first:opened])))
        if want.crop in self.room.seed_g:
            most = min(most, int(self.seed_free(want.crop) / want.seed_g + 1e-9))
        return max(0, most)

    def pile_has_room(self, crop: str, on: date) -> bool:
        """Tell whether a pile of a crop sown on a day can take another tray."""
        return self._stacked[(crop, on)] % self.room.in_pile > 0

    def places_free(self, day: date) -> int:
        """Return how many places are free on a day; 0 where too much stands already."""
        return max(0, self._places[self._n(day)])

    def trays_free(self, day: date) -> int:
        """Return how many trays are free on a day."""
        return max(0, self._trays[self._n(day)])

    def seed_free(self, crop: str) -> float:
        """Return how many grams of seed of a crop are left after all that is sown."""
        return self.room.seed_g[crop] - self._seed[crop]

    def fits(self) -> bool:
        """Tell whether what was sown keeps within places, trays and seed; what stands already is not judged."""
        mine = {
            n
            for (place, on), trays in self.amounts.items()
            if trays
            for n in range(self._n(on), self._n(self.wants[place].on) + 1)
        }
        return all(self._places[n] >= 0 and self._trays[n] >= 0 for n in mine) and all(
            self.seed_free(crop) >= -1e-6 for crop in self.room.seed_g
        )

    def of_want(self, place: int) -> int:
        """Return how many trays are sown for a want, spare ones among them."""
        return self._of_want[place]


def _span(first: date, last: date) -> tuple[date, ...]:
    """Return all days from first to last, both included."""
    return tuple(first + timedelta(days=n) for n in range((last - first).days + 1))


def nearest_first(want: Want) -> list[date]:
    """Return the days on which a want can still be sown, its usual day first, then those nearest to it."""
    return sorted(want.days, key=lambda day: (abs((day - want.usual).days), day))


def fill(book: RoomBook, *, spares: bool = True) -> None:
    """Sow what still lacks wherever there is room: trays before spare ones, near its usual day before far from it."""
    for most in (0, 1) if spares else (0,):
        for place, want in enumerate(book.wants):
            lacks = want.trays + want.spare * most - book.of_want(place)
            for day in nearest_first(want) if lacks > 0 else ():
                trays = min(lacks, book.room_for(place, day))
                if trays > 0:
                    book.sow(place, day, trays)
                    lacks -= trays


def first_come(book: RoomBook) -> None:
    """Give trays of a later promise to an earlier one that lacks them, of the same crop and for the same day.

    Both take the same room, so only the order of promising tells them apart.
    """
    alike: dict[tuple[str, date], list[int]] = defaultdict(list)
    for place, want in enumerate(book.wants):
        alike[(want.crop, want.on)].append(place)
    for places in alike.values():
        places.sort(key=lambda place: promise_number(book.wants[place].promise))
        for earlier, place in enumerate(places):
            for other in reversed(places[earlier + 1 :]):
                for day in book.wants[place].days:
                    lacks = book.wants[place].trays - book.of_want(place)
                    trays = min(lacks, book.amounts.get((other, day), 0))
                    if trays > 0:
                        book.sow(other, day, -trays)
                        book.sow(place, day, trays)


def on_usual_days(wants: Sequence[Want], room: Room) -> RoomBook | None:
    """Return everything sown on the day nearest to its usual one, or None where that does not fit."""
    book = RoomBook(wants, room)
    for place, want in enumerate(wants):
        days = nearest_first(want)
        if days:
            book.sow(place, days[0], want.trays + want.spare)
    return book if book.fits() else None


def plan_from(book: RoomBook, *, chosen: bool, at_most: int | None = None) -> Plan:
    """Return the plan that amounts make, with a reason for every tray that is not met."""
    sown, unmet = [], []
    for place, want in enumerate(book.wants):
        left = want.trays
        for day in nearest_first(want):
            trays = book.amounts.get((place, day), 0)
            if trays:
                spare = max(0, trays - left)
                left -= trays - spare
                sown.append(Sown(want=want, on=day, trays=trays, spare=spare))
        if left:
            unmet.append(_unmet(book, place, left))
    return Plan(
        room=book.room,
        wants=tuple(book.wants),
        sown=tuple(sorted(sown, key=lambda each: (each.on, each.want.crop, each.want.on))),
        unmet=tuple(sorted(unmet, key=lambda each: each.want.on)),
        chosen=chosen,
        at_most=at_most,
    )


def _unmet(book: RoomBook, place: int, trays: int) -> Unmet:
    """Return why trays of a want are not met: what runs out on each day on which they could still be sown."""
    want, room = book.wants[place], book.room
    lacks: set[Lacks] = set()
    full: set[date] = set()
    short: set[date] = set()
    if want.not_before > want.earliest:
        lacks.add(Lacks.TOO_LATE)
    for on in want.days:
        if room.places is not None:
            full |= {day for day in _takes_a_place(book, place, on) if book.places_free(day) == 0}
        if room.trays_owned is not None:
            short |= {day for day in _span(on, want.on) if book.trays_free(day) == 0}
    if full:
        lacks.add(Lacks.NO_PLACES)
    if short:
        lacks.add(Lacks.NO_TRAYS)
    if want.days and want.crop in room.seed_g and book.seed_free(want.crop) < want.seed_g - 1e-9:
        lacks.add(Lacks.NO_SEED)
    return Unmet(
        want=want,
        trays=trays,
        lacks=tuple(each for each in Lacks if each in lacks),
        full_on=tuple(sorted(full)),
        short_on=tuple(sorted(short)),
    )


def _takes_a_place(book: RoomBook, place: int, on: date) -> Iterable[date]:
    """Yield the days on which one more tray sown on a day would need another place."""
    want = book.wants[place]
    joins = want.piled_days > 0 and book.pile_has_room(want.crop, on)
    for day in _span(on, want.on):
        if (day - on).days >= want.piled_days or not joins:
            yield day
