"""What a load cell's series shows: its level, its noise, and the steps in it, reading by reading; pure.

A reading costs bounded time and memory. What was found depends on the readings in their order only, so a series
taken in pieces and a series taken whole give the same.
"""

from __future__ import annotations

from bisect import bisect_right, insort
from collections import deque
from collections.abc import Sequence
from copy import copy
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise
from math import isfinite
from operator import itemgetter
from statistics import median

LATE_MS = 15 * 60_000
"""How late a reading may come and still be put in its place. [ms]"""
BIN_MS = 30 * 60_000
"""Length of the spans whose median weights the drying rate is read from. [ms]"""
EVENT_SIGMAS = 5.0
EVENT_G = 20.0
"""A step counts as an event from so many of the cell's standard deviations and so many grams up."""

_WINDOW, _WINDOW_MS = 15, 15 * 60_000
_LEAST = 5
_TRIGGER_SIGMAS, _TRIGGER_G = 3.5, 12.0
_SIGMA_OVER = 120  # differences that the noise is averaged over
_APART_MS = 90 * 60_000
_SURE_OF_NOISE = 20  # differences
_LEAST_SIGMA_G, _FIRST_SIGMA_G = 0.3, 6.0
_G_PER_MS = 40 / 3_600_000  # faster than any tray dries, for gaps
_GIVE_UP_MS = 3 * 3_600_000
_BINS = 240
_STEPS = 400
_SMALL_G = 10.0
_LIGHTEST_G = 150.0  # no tray with anything in it weighs less
_HEAP = 400


class StepKind(StrEnum):
    """What a step in a weight looks like, before anything is known of the tray."""

    RISE = "rise"  # it went up and stayed
    FALL = "fall"  # it went down and stayed
    AWAY = "away"  # it went to nothing and came back
    TOUCH = "touch"  # it went elsewhere for a while and came back
    BUMP = "bump"  # one reading, or two, stood out
    SMALL = "small"  # it moved by less than counts as an event


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One step in a weight.

    Attributes:
        kind: What it looks like.
        at_ms: When it began. [ms since 1970 UTC]
        until_ms: When the weight stood still again. [ms since 1970 UTC]
        grams: Change that stayed; for AWAY, TOUCH and BUMP the farthest that it went. [g]
        before_g: Level before. [g]
        after_g: Level after. [g]
    """

    kind: StepKind
    at_ms: int
    until_ms: int
    grams: float
    before_g: float
    after_g: float


@dataclass(frozen=True, slots=True)
class Rest:
    """The median weight of half an hour in which nothing happened; two of one ``run`` have no step between them."""

    at_ms: int
    grams: float
    readings: int
    run: int


class CellTrouble(StrEnum):
    """What is wrong with a load cell."""

    NEGATIVE = "negative"  # far under nothing: the zero has moved, or the wiring is wrong
    OVERLOADED = "overloaded"  # at or over what it can carry


class LoadCell:
    """The state of one load cell's series after the readings taken so far."""

    def __init__(self, *, carries_g: float | None = None) -> None:
        """Begin with nothing.

        Args:
            carries_g: What the cell can carry; readings there are no weights. None: not said. [g]
        """
        self._carries_g = carries_g
        self.last_ms = -1
        self.last_g = 0.0
        self.sigma_g = _FIRST_SIGMA_G
        self.run = 0
        self.steps: deque[Step] = deque(maxlen=_STEPS)
        self.rests: deque[Rest] = deque(maxlen=_BINS)
        self.zero_g: float | None = None
        self.same_since_ms = -1
        self.trouble: CellTrouble | None = None
        self.trouble_since_ms = -1
        self._window: deque[tuple[int, float]] = deque(maxlen=_WINDOW)
        self._differences = 0
        self._last_two = ((-1, 0.0), (-1, 0.0))
        self._agreed = 0
        self._is_sparse = False
        self._heap: list[tuple[int, float]] = []
        self._before_g = 0.0
        self._bin = -1
        self._in_bin: list[float] = []

    def copy(self) -> LoadCell:
        """Return a copy that goes its own way."""
        other = copy(self)
        for name in ("steps", "rests", "_window"):
            setattr(other, name, copy(getattr(self, name)))
        other._heap, other._in_bin = list(self._heap), list(self._in_bin)
        return other

    # -- what it shows ----------------------------------------------------------------------------------------

    @property
    def level_g(self) -> float | None:
        """Return the weight that it rests at, or last rested at; None before it ever did. [g]."""
        return self._level() if self._window else None

    @property
    def is_settled(self) -> bool:
        """Tell whether the weight stands still."""
        return bool(self._window) and not self._heap

    @property
    def is_away(self) -> bool:
        """Tell whether nothing lies on it now, though something did."""
        return bool(self._heap) and self._is_nothing(self._heap[-1][1])

    @property
    def threshold_g(self) -> float:
        """Return from what size a step counts as an event. [g]."""
        return max(EVENT_SIGMAS * self.sigma_g, EVENT_G)

    # -- readings -------------------------------------------------------------------------------------------

    def take(self, at_ms: int, grams: float) -> None:
        """Take the next reading; one that is not later than the last, or no number, is left out."""
        if at_ms <= self.last_ms or not isfinite(grams):
            return
        if grams != self.last_g or self.last_ms < 0:
            self.same_since_ms = at_ms
        gap_ms = at_ms - self.last_ms if self.last_ms >= 0 else 0
        self.last_ms, self.last_g = at_ms, grams
        if self._is_no_weight(at_ms, grams):
            return
        if self._heap:
            self._unsettled(at_ms, grams)
        elif not self._window:
            self._first(at_ms, grams)
        else:
            self._steady(at_ms, grams, gap_ms)

    def _is_no_weight(self, at_ms: int, grams: float) -> bool:
        """Note what no tray can weigh, and tell whether this is such."""
        trouble = None
        if grams < -50.0:
            trouble = CellTrouble.NEGATIVE
        elif self._carries_g is not None and grams >= 0.995 * self._carries_g:
            trouble = CellTrouble.OVERLOADED
        if trouble is not self.trouble:
            self.trouble, self.trouble_since_ms = trouble, at_ms
        return trouble is not None

    def _level(self) -> float:
        """Return the median of the last weights; statistics.median is this, and slower for so few."""
        values = sorted([value for _, value in self._window])
        middle = len(values) // 2
        return values[middle] if len(values) % 2 else (values[middle - 1] + values[middle]) / 2

    def _is_nothing(self, grams: float) -> bool:
        """Tell whether a weight is that of an empty cell, beside the level before."""
        return grams < min(max(40.0, 0.12 * self._before_g), _LIGHTEST_G)

    def _first(self, at_ms: int, grams: float) -> None:
        """Begin with a first reading, and with each that disagrees until three have agreed."""
        self._agreed = 1
        self._window.clear()
        self._in_bin.clear()
        self._window.append((at_ms, grams))
        self._rest(at_ms, grams)

    def _steady(self, at_ms: int, grams: float, gap_ms: int) -> None:
        """Take a reading while the weight stands still; one that stands out opens a step."""
        level = self._level()
        slack = _G_PER_MS * max(gap_ms - 600_000, 0)
        trigger = max(_TRIGGER_SIGMAS * self.sigma_g, _TRIGGER_G)
        off = grams - level
        if self._agreed < 3 and abs(off) > trigger:
            self._first(at_ms, grams)
            return
        if off > trigger + 0.15 * slack or off < -trigger - slack:
            self._before_g = level
            self._heap = [(at_ms, grams)]
            return
        self._is_sparse = gap_ms >= 10 * 60_000
        if slack:
            self._window.clear()  # after a gap the level is what it has dried to
        self._accept(at_ms, grams, gap_ms)

    def _accept(self, at_ms: int, grams: float, gap_ms: int) -> None:
        """Add a reading to the level, the noise and the half hour."""
        self._agreed += 1
        self._learn_noise(at_ms, grams)
        self._window.append((at_ms, grams))
        while len(self._window) > _LEAST and at_ms - self._window[0][0] > _WINDOW_MS:
            self._window.popleft()
        self._rest(at_ms, grams)

    def _learn_noise(self, at_ms: int, grams: float) -> None:
        """Average the square of what three neighbours stand off a line, clipped so that a step is no noise."""
        first, second = self._last_two
        self._last_two = (second, (at_ms, grams))
        one, two = second[0] - first[0], at_ms - second[0]
        if first[0] < 0 or not 0.5 * one <= two <= 2 * one or two > _APART_MS:
            return
        share_of = one / (one + two)
        off = second[1] - (first[1] + share_of * (grams - first[1]))
        difference = off * (2 / (1 + share_of**2 + (1 - share_of) ** 2)) ** 0.5
        self._differences += 1
        share = 1 / min(self._differences + 2, _SIGMA_OVER)
        most = 9.0 * self.sigma_g**2
        variance = (1 - share) * self.sigma_g**2 + share * 1.03 * min(difference**2 / 2, most)
        self.sigma_g = max(variance**0.5, _LEAST_SIGMA_G)

    def _unsettled(self, at_ms: int, grams: float) -> None:
        """Take a reading while something happens, until the weight is back or stands still elsewhere."""
        heap = self._heap
        heap.append((at_ms, grams))
        trigger = max(_TRIGGER_SIGMAS * self.sigma_g, _TRIGGER_G)
        began_ms = heap[0][0]
        sparse_ms = (at_ms - began_ms) / (len(heap) - 1)
        back = 1 if len(heap) == 2 and sparse_ms > 240_000 else 2
        if len(heap) > back and all(abs(value - self._before_g) <= trigger for _, value in heap[-back:]):
            self._came_back(heap[:-back], heap[-back:])
            return
        if self._is_nothing(grams) and at_ms - began_ms < 24 * _GIVE_UP_MS:
            if len(heap) > _HEAP:
                del heap[1:-_LEAST]
            return
        count = 5 if sparse_ms < 100_000 else 4 if sparse_ms < 200_000 else 3 if sparse_ms < 15 * 60_000 else 2
        last = [value for _, value in heap[-count:]]
        wide = max(4.5 * self.sigma_g, 4.0)
        still = len(heap) >= count and max(last) - min(last) <= wide and not self._is_nothing(last[0])
        waited_ms = at_ms - max((when for when, value in heap if self._is_nothing(value)), default=began_ms)
        if still or (waited_ms > _GIVE_UP_MS and not any(self._is_nothing(value) for value in last)):
            self._settle(heap, count)
        elif len(heap) > _HEAP:
            del heap[1:-_LEAST]

    def _came_back(self, out: list[tuple[int, float]], back: list[tuple[int, float]]) -> None:
        """Close what was passing: a bump, a touch, or a tray lifted out and put back."""
        farthest = max((value - self._before_g for _, value in out), key=abs)
        began_ms, until_ms = out[0][0], back[0][0]
        nothing = [value for _, value in out if self._is_nothing(value)]
        after = median(value for _, value in back)
        self._heap = []
        if nothing:
            self.zero_g = median(nothing)
            self._add(StepKind.AWAY, began_ms, until_ms, farthest, after)
        elif abs(farthest) >= max(6 * self.sigma_g, 30.0) * (1.5 if self._differences < _SURE_OF_NOISE else 1.0):
            far = [at_ms for at_ms, value in out if abs(value - self._before_g) > max(6 * self.sigma_g, 30.0)]
            lasted = len(far) > 2 or (len(far) == 2 and far[1] - far[0] > 90_000)
            self._add(StepKind.TOUCH if lasted else StepKind.BUMP, began_ms, until_ms, farthest, after)
        for at_ms, value in back:
            self._accept(at_ms, value, _WINDOW_MS * 2)

    def _settle(self, heap: list[tuple[int, float]], count: int) -> None:
        """Close a step: the weight stands still elsewhere."""
        last = heap[-count:]
        after = median(value for _, value in last)
        change = after - self._before_g
        nothing = [value for _, value in heap if self._is_nothing(value)]
        began_ms, until_ms = heap[0][0], last[0][0]
        before = self._before_g
        if nothing:
            self.zero_g = median(nothing)
            self._add(StepKind.AWAY, began_ms, until_ms, min(nothing) - before, after)
            began_ms = until_ms
        if abs(change) >= 0.97 * self.threshold_g:
            kind = StepKind.RISE if change > 0 else StepKind.FALL
            self.steps.append(
                Step(kind=kind, at_ms=began_ms, until_ms=until_ms, grams=change, before_g=before, after_g=after)
            )
        elif not nothing and abs(change) >= _SMALL_G:
            self._add(StepKind.SMALL, began_ms, until_ms, change, after)
        self._heap = []
        self._new_run()
        self._window.clear()
        for at_ms, value in last:
            self._accept(at_ms, value, _WINDOW_MS * 2)

    def _add(self, kind: StepKind, at_ms: int, until_ms: int, grams: float, after: float) -> None:
        """Note a step that did not change the level, or hardly."""
        step = Step(kind=kind, at_ms=at_ms, until_ms=until_ms, grams=grams, before_g=self._before_g, after_g=after)
        self.steps.append(step)

    # -- half hours -----------------------------------------------------------------------------------------

    def _rest(self, at_ms: int, grams: float) -> None:
        """Add a reading of a weight that stands still to its half hour."""
        at_bin = at_ms // BIN_MS
        if at_bin != self._bin:
            self._close_bin()
            self._bin = at_bin
        self._in_bin.append(grams)

    def _close_bin(self) -> None:
        """Keep the half hour that has ended, and look whether it stands off by a small step."""
        if len(self._in_bin) >= 2 or (self._in_bin and self._is_sparse):
            rest = Rest(self._bin * BIN_MS + BIN_MS // 2, median(self._in_bin), len(self._in_bin), self.run)
            self._look_for_small(rest)
            self.rests.append(rest)
        self._in_bin = []

    def _look_for_small(self, rest: Rest) -> None:
        """Note a change between two half hours that drying does not explain, and that is no event."""
        near = [each for each in list(self.rests)[-2:] if each.run == rest.run]
        if len(near) < 2 or rest.at_ms - near[0].at_ms != 2 * BIN_MS:
            return
        change = (rest.grams - near[1].grams) - (near[1].grams - near[0].grams)
        least = max(_SMALL_G, 5 * 1.25 * 2.45 * self.sigma_g / min(each.readings for each in (*near, rest)) ** 0.5)
        if change > least:  # a fall may be the lamp going on
            self._before_g = near[1].grams
            self._add(StepKind.SMALL, rest.at_ms, rest.at_ms, change, rest.grams)

    def _new_run(self) -> None:
        """Begin a new run: weights before and after are not compared."""
        self._close_bin()
        self._bin = -1
        self.run += 1


class OrderedCell:
    """A load cell whose readings may come up to a quarter of an hour late, twice, and in any pieces."""

    def __init__(self, *, carries_g: float | None = None) -> None:
        """Begin with nothing."""
        self._carries_g = carries_g
        self._behind = LoadCell(carries_g=carries_g)
        self._tail: list[tuple[int, float]] = []
        self._newest_ms = -1
        self._view: LoadCell | None = None
        self.is_stale = False

    def add(self, at_ms: int, grams: float) -> None:
        """Take a reading; one that comes too late, or corrects what is already counted, makes the state stale.

        A stale state is mended by ``rebuild`` from the store.
        """
        if at_ms <= self._behind.last_ms:
            self.is_stale = True
            return
        self._view = None
        if at_ms > self._newest_ms:
            self._tail.append((at_ms, grams))
            self._newest_ms = at_ms
        else:
            self._add_late(at_ms, grams)
        while self._tail and self._tail[0][0] <= self._newest_ms - LATE_MS:
            self._behind.take(*self._tail.pop(0))

    def _add_late(self, at_ms: int, grams: float) -> None:
        """Put a reading in its place among the last ones; of two of one instant the later counts."""
        same = [index for index, (known_ms, _) in enumerate(self._tail) if known_ms == at_ms]
        if same:
            self._tail[same[0]] = (at_ms, grams)
        else:
            insort(self._tail, (at_ms, grams))

    def add_all(self, readings: Sequence[tuple[int, float]]) -> None:
        """Take many readings, as by ``add`` one by one; the first of all, in order of time, go quickly."""
        is_fresh = self._newest_ms < 0 and all(one[0] < other[0] for one, other in pairwise(readings))
        sure = bisect_right(readings, readings[-1][0] - LATE_MS, key=itemgetter(0)) if is_fresh and readings else 0
        for at_ms, grams in readings[:sure]:
            self._behind.take(at_ms, grams)
        for at_ms, grams in readings[sure:]:
            self.add(at_ms, grams)

    def rebuild(self, readings: list[tuple[int, float]]) -> None:
        """Start again from all readings of the store, in order."""
        fresh = OrderedCell(carries_g=self._carries_g)
        fresh.add_all(readings)
        self._behind, self._tail, self._newest_ms = fresh._behind, fresh._tail, fresh._newest_ms
        self._view, self.is_stale = None, False

    def now(self) -> LoadCell:
        """Return the state after all readings in their order; not to be added to."""
        if self._view is None:
            view = self._behind.copy()
            for at_ms, grams in self._tail:
                view.take(at_ms, grams)
            self._view = view
        return self._view
