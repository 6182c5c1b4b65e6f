"""The choice of sowing days as an integer program, solved by HiGHS through scipy; the one module that knows a solver.

Whole numbers x[i,s]: trays of want i sown on day s, spare ones among them. For each want the sum over its days is
met[i] + spare[i], with met[i] <= trays lacking and spare[i] <= spare trays wished for. For each day, the places of
what stands, of piles, and of trays out of their pile keep within what the shelves hold; so do trays in use within
those owned, and seed by crop within what is left.

What is best comes in steps: as many trays met as can be; then as many spare ones; among equals, the older promises;
then as near to the usual day as can be, summed over trays. One weighing would need weights so far apart that the
solver's tolerance drowns the last, so it is solved twice, the second time with the first result held.

Whole piles make a big program hard (minutes for 200 promises), so there they are chosen first: by the relaxation, in
which a want's tray takes the share of a place that it takes when the want is piled by itself. With the piles fixed, all
that is left has runs of ones in its columns (days in a row), which HiGHS solves at once. Once more, the piles of the
best so far are fixed and the rest is chosen anew. A small program is solved whole. The relaxation in which piles may be
broken bounds what any plan can meet.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from math import floor

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import coo_matrix

from monitor.promises import promise_number
from monitor.roombook import RoomBook, fill, first_come, on_usual_days, plan_from
from monitor.sowplan import Plan, Room, Want

Array = NDArray[np.float64]
Piles = dict[tuple[str, date], int]
_ROUNDS = 2
_EXACT_CELLS = 250  # up to so many days to choose from, piles and all are solved at once
_SECONDS = 1.0  # for one solution; met and spare trays found until then count, and are filled up after it


@dataclass(slots=True)
class _Rows:
    """A sparse matrix while it is being written, with the ends of its rows."""

    row: list[int]
    column: list[int]
    value: list[float]
    low: list[float]
    high: list[float]

    def add(self, cells: Sequence[tuple[int, float]], low: float, high: float) -> None:
        """Add a row; one without cells is left out."""
        if not cells:
            return
        columns, values = zip(*cells, strict=True)
        self.row += [len(self.low)] * len(cells)
        self.column += columns
        self.value += values
        self.low.append(low)
        self.high.append(high)


class _Model:
    """The program over given wants and room; with ``own_piles`` the numbers of piles are variables of their own."""

    def __init__(self, wants: Sequence[Want], room: Room, *, own_piles: bool = False) -> None:
        """Give each variable its column: one a want and day, then met, then spare of each want, then piles."""
        self.wants, self.room, self.own_piles = wants, room, own_piles
        self.cells = [(place, on) for place, want in enumerate(wants) for on in want.days]
        self.count = len(self.cells)
        stacked = ((wants[place].crop, on) for place, on in self.cells if wants[place].piled_days)
        self.piles = list(dict.fromkeys(stacked)) if own_piles else []
        self.first_pile = self.count + 2 * len(wants)
        self.size = self.first_pile + len(self.piles)
        most = [wants[place].trays + wants[place].spare for place, _ in self.cells]
        asked, spare = [want.trays for want in wants], [want.spare for want in wants]
        heaps = -(-(sum(asked) + sum(spare)) // room.in_pile)
        self.upper = np.array([*most, *asked, *spare, *([heaps] * len(self.piles))], dtype=float)
        self.far = np.zeros(self.size)
        self.far[: self.count] = [abs((on - wants[place].usual).days) for place, on in self.cells]
        self.met = np.zeros(self.size)
        self.met[self.count : self.count + len(wants)] = 1
        self.spare = np.zeros(self.size)
        self.spare[self.count + len(wants) : self.first_pile] = 1
        self.early = np.zeros(self.size)
        self.early[self.count : self.count + len(wants)] = _earliness(wants)
        self.empty = RoomBook(wants, room)
        self._lay_out()

    def rows(self, share: Array | None, piles: Piles | None) -> LinearConstraint:
        """Return the constraints, with piles as shares of a place a tray, as fixed numbers, or as variables."""
        rows = _Rows([], [], [], [], [])
        of_want: dict[int, list[tuple[int, float]]] = defaultdict(list)
        for column, (place, _) in enumerate(self.cells):
            of_want[place].append((column, 1.0))
        for place in range(len(self.wants)):
            sides = [(self.count + place, -1.0), (self.count + len(self.wants) + place, -1.0)]
            rows.add([*of_want[place], *sides], 0, 0)
        if self.room.places is not None:
            self._places(rows, share, piles)
        if self.room.trays_owned is not None:
            self._trays(rows)
        self._seed(rows)
        matrix = coo_matrix((rows.value, (rows.row, rows.column)), shape=(len(rows.low), self.size)).tocsr()
        return LinearConstraint(matrix, np.array(rows.low), np.array(rows.high))

    def _places(self, rows: _Rows, share: Array | None, piles: Piles | None) -> None:
        """Add a row a day for places, and a row a pile that holds its trays within its number."""
        taken: dict[date, int] = defaultdict(int)
        for pile, count in (piles or {}).items():
            for old in range(self.days_of.get(pile, 0)):
                taken[pile[1] + timedelta(days=old)] += count
        for day, cells in self.open_on.items():
            piled = self.piled_on.get(day, [])
            shares = [] if share is None else [(column, float(share[place])) for column, place in piled]
            rows.add([*cells, *shares], -np.inf, max(0, self.empty.places_free(day) - taken[day]))
        if piles is not None or self.own_piles:
            for pile, cells in self.of_pile.items():
                rows.add(cells, -np.inf, self.room.in_pile * (piles or {}).get(pile, 0))

    def _lay_out(self) -> None:
        """Note, once for all, which columns take a place on which day, and which trays lie in which pile."""
        self.open_on: dict[date, list[tuple[int, float]]] = {day: [] for day in self.room.days}
        self.piled_on: dict[date, list[tuple[int, int]]] = defaultdict(list)
        self.of_pile: dict[tuple[str, date], list[tuple[int, float]]] = defaultdict(list)
        self.days_of: dict[tuple[str, date], int] = {}
        days = self.room.days
        for column, (place, on) in enumerate(self.cells):
            want, first = self.wants[place], (on - self.room.first).days
            opened = first + want.piled_days
            if want.piled_days:
                self.of_pile[(want.crop, on)].append((column, 1.0))
                self.days_of[(want.crop, on)] = want.piled_days
            for day in days[first:opened]:
                self.piled_on[day].append((column, place))
            for day in days[opened : (want.on - self.room.first).days + 1]:
                self.open_on[day].append((column, 1.0))
        for number, pile in enumerate(self.piles):
            for old in range(self.days_of[pile]):
                self.open_on[pile[1] + timedelta(days=old)].append((self.first_pile + number, 1.0))
            self.of_pile[pile].append((self.first_pile + number, -float(self.room.in_pile)))

    def _trays(self, rows: _Rows) -> None:
        """Add a row a day for trays in use."""
        of_day: dict[date, list[tuple[int, float]]] = defaultdict(list)
        for column, (place, on) in enumerate(self.cells):
            for old in range((self.wants[place].on - on).days + 1):
                of_day[on + timedelta(days=old)].append((column, 1.0))
        for day, cells in of_day.items():
            rows.add(cells, -np.inf, self.empty.trays_free(day))

    def _seed(self, rows: _Rows) -> None:
        """Add a row for each crop whose seed is counted."""
        of_crop: dict[str, list[tuple[int, float]]] = defaultdict(list)
        for column, (place, _) in enumerate(self.cells):
            of_crop[self.wants[place].crop].append((column, self.wants[place].seed_g))
        for crop, grams in self.room.seed_g.items():
            rows.add(of_crop.get(crop, []), -np.inf, grams)

    def solve(self, rows: LinearConstraint, *, whole: bool, near_too: bool = True) -> Array | None:
        """Return the best amounts, in whole trays or as a relaxation; None where the solver found none in time."""
        most_spare = float(self.spare @ self.upper)
        best = self._milp(-(most_spare + 1) * self.met - self.spare - self.early, [rows], whole=whole)
        if best is None or not near_too:
            return best
        scale = float(1 / self.early[self.early > 0].min()) if self.early.any() else 1.0
        least = np.array([self.met @ best, self.spare @ best, scale * (self.early @ best)])
        held = LinearConstraint(np.vstack([self.met, self.spare, scale * self.early]), least - 1e-4, np.inf)
        near = self._milp(self.far, [rows, held], whole=whole)
        return best if near is None else near

    def _milp(self, cost: Array, rows: list[LinearConstraint], *, whole: bool) -> Array | None:
        """Return the cheapest amounts."""
        integrality = np.zeros(self.size)
        integrality[: self.count] = 1 if whole else 0
        integrality[self.first_pile :] = 1 if whole else 0
        result = milp(
            cost,
            constraints=rows,
            bounds=Bounds(0, self.upper),
            integrality=integrality,
            options={"time_limit": _SECONDS, "mip_rel_gap": 0.0},
        )
        return None if result.x is None else np.asarray(result.x, dtype=float)

    def piles_of(self, amounts: Array) -> Piles:
        """Return how many piles amounts make, broken ones counted whole."""
        stacked: dict[tuple[str, date], float] = defaultdict(float)
        for (place, on), trays in zip(self.cells, amounts, strict=False):
            if self.wants[place].piled_days and trays > 1e-6:
                stacked[(self.wants[place].crop, on)] += float(trays)
        return {pile: int(np.ceil(trays / self.room.in_pile - 1e-6)) for pile, trays in stacked.items()}

    def book(self, amounts: Array | None) -> RoomBook:
        """Return amounts as exact room used."""
        book = RoomBook(self.wants, self.room)
        for (place, on), value in zip(self.cells, () if amounts is None else amounts, strict=False):
            lacks = self.wants[place].trays + self.wants[place].spare - book.of_want(place)
            trays = min(round(float(value)), lacks)
            trays = min(trays, book.room_for(place, on)) if trays > 0 else 0
            if trays > 0:
                book.sow(place, on, trays)
        return book


def _earliness(wants: Sequence[Want]) -> list[float]:
    """Return what a tray met counts by when it was promised: older ones more, all of them less than one spare tray."""
    order = sorted({promise_number(want.promise) for want in wants})
    trays = sum(want.trays for want in wants) + 1
    return [(1 - order.index(promise_number(want.promise)) / (len(order) + 1)) / trays for want in wants]


def _score(book: RoomBook) -> tuple[int, int, int]:
    """Return what ranks plans: trays met, spare ones, and nearness to the usual days."""
    met = spare = far = 0
    for place, want in enumerate(book.wants):
        trays = book.of_want(place)
        met += min(trays, want.trays)
        spare += max(0, trays - want.trays)
        far += sum(book.amounts.get((place, day), 0) * abs((day - want.usual).days) for day in want.days)
    return met, spare, -far


def make_plan(wants: Sequence[Want], room: Room) -> Plan:
    """Return what to sow on which day: as many trays met as found, then spare ones, then nearest to the usual days.

    Where everything fits on its usual day nothing is solved. Every tray that is not met has a reason.
    """
    simple = on_usual_days(wants, room)
    if simple is not None or not any(want.days for want in wants):
        return plan_from(simple or RoomBook(wants, room), chosen=False)
    model = _Model(wants, room)
    in_pile = room.in_pile
    broken = model.solve(model.rows(np.full(len(wants), 1 / in_pile), None), whole=False, near_too=False)
    whole = np.array([-(-(want.trays + want.spare) // in_pile) / (want.trays + want.spare) for want in wants])
    piles = model.piles_of(_or_empty(model.solve(model.rows(whole, None), whole=False), model))
    best: RoomBook | None = None
    if model.count <= _EXACT_CELLS:
        exact = _Model(wants, room, own_piles=True)
        best = exact.book(exact.solve(exact.rows(None, None), whole=True))
    for _ in range(_ROUNDS):
        book = model.book(model.solve(model.rows(None, piles), whole=True))
        if best is None or _score(book) > _score(best):
            best = book
        piles = _piles(best)
    if best is None:
        best = RoomBook(wants, room)
    fill(best)
    first_come(best)
    at_most = None if broken is None else floor(float(model.met @ broken) + 1e-6)
    return plan_from(best, chosen=True, at_most=at_most)


def _or_empty(amounts: Array | None, model: _Model) -> Array:
    return np.zeros(model.size) if amounts is None else amounts


def _piles(book: RoomBook) -> Piles:
    """Return how many piles a plan makes."""
    stacked: dict[tuple[str, date], int] = defaultdict(int)
    for (place, on), trays in book.amounts.items():
        if book.wants[place].piled_days:
            stacked[(book.wants[place].crop, on)] += trays
    return {pile: book.piles(trays) for pile, trays in stacked.items()}
