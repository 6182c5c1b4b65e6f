"""On which shelf each planned pile and tray stands, so that no shelf ever holds more than it can; pure.

Places are handed out in the order of their first day. A place that is free on a stay's first day stays free for it, so
as many places as are taken at once on the fullest day are enough: what the plan counted always finds a shelf.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date, timedelta

from monitor.sowplan import Plan


@dataclass(frozen=True, slots=True, kw_only=True)
class Berth:
    """Places on one shelf for one stay.

    Attributes:
        shelf: The shelf's id; empty while any shelf will do.
        crop: Profile id.
        batch: The batch that stands already; None: it is to be sown.
        sown_on: The day on which it is to be sown; None: it stands already.
        first: First local day.
        last: Last local day.
        places: How many places.
        piled: They are piles, not single trays.
    """

    crop: str
    batch: str | None
    sown_on: date | None
    first: date
    last: date
    places: int
    piled: bool
    shelf: str = ""


def berths(plan: Plan) -> tuple[Berth, ...]:
    """Return the places of everything in a plan; what stands keeps its shelf until its pile is taken apart.

    A farm whose shelves are not said has none. What stands beyond what its shelf holds gets none.
    """
    until: dict[str, list[date]] = {
        shelf: [plan.room.first - timedelta(days=1)] * holds for shelf, holds in plan.room.shelves.items()
    }
    home: dict[tuple[str, str | date | None], str] = {}
    found: list[Berth] = []
    asks = sorted(_asks(plan), key=lambda ask: (ask.first, ask.sown_on is not None, not ask.shelf, not ask.piled))
    for ask in asks:
        key = (ask.crop, ask.batch or ask.sown_on)
        for shelf, count in _hand_out(until, ask, home.get(key)).items():
            home.setdefault(key, shelf)
            found.append(replace(ask, shelf=shelf, places=count))
    return tuple(found)


def _asks(plan: Plan) -> Iterator[Berth]:
    """Yield every stay as it wants places: what stands, then piles and open trays to be sown."""
    room = plan.room
    for stay in room.stays:
        if stay.places:
            piled = stay.trays == 0
            yield Berth(
                crop=stay.crop,
                batch=stay.batch,
                sown_on=None,
                first=max(stay.first, room.first),
                last=min(stay.last, room.last),
                places=stay.places,
                piled=piled,
                shelf=stay.shelf or "",
            )
    stacked: Counter[tuple[str, date]] = Counter()
    piled_days: dict[str, int] = {}
    for each in plan.sown:
        want = each.want
        opened = each.on + timedelta(days=want.piled_days)
        yield Berth(
            crop=want.crop, batch=None, sown_on=each.on, first=opened, last=want.on, places=each.trays, piled=False
        )
        if want.piled_days:
            stacked[(want.crop, each.on)] += each.trays
            piled_days[want.crop] = want.piled_days
    for (crop, on), trays in stacked.items():
        yield Berth(
            crop=crop,
            batch=None,
            sown_on=on,
            first=on,
            last=on + timedelta(days=piled_days[crop] - 1),
            places=-(-trays // room.in_pile),
            piled=True,
        )


def _hand_out(until: dict[str, list[date]], ask: Berth, home: str | None) -> dict[str, int]:
    """Return how many places on which shelves a stay gets, and take them.

    Its own shelf first, then the fullest shelf that has enough, then the emptiest ones.
    """
    free = {shelf: [n for n, day in enumerate(days) if day < ask.first] for shelf, days in until.items()}
    if ask.shelf:
        order = [ask.shelf] if ask.shelf in until else []
    else:
        enough = sorted((len(places), shelf) for shelf, places in free.items() if len(places) >= ask.places)
        others = sorted(((-len(places), shelf) for shelf, places in free.items() if places))
        first = [home] if home in free else []
        order = [*first, *(shelf for _, shelf in enough[:1]), *(shelf for _, shelf in others)]
    got: dict[str, int] = defaultdict(int)
    left = ask.places
    for shelf in order:
        for n in free[str(shelf)][:left]:
            until[str(shelf)][n] = ask.last
            got[str(shelf)] += 1
            left -= 1
        free[str(shelf)] = []
    return dict(got)
