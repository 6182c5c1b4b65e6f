"""The middles of the half hours of many series, as far back as they are asked for; pure.

There are eleven days of them for each sensor that has neighbours, so a middle is kept in two bytes, as whole steps of
0.005 of its unit: finer than tray-room sensors show, and a two-hundredth of the least that is judged by it. Readings
themselves are kept for the last hours only, as long as late ones may still change a middle.
"""

from __future__ import annotations

from array import array
from bisect import bisect_left
from collections.abc import Iterable, Mapping, Sequence
from itertools import chain

import numpy as np
from numpy.typing import NDArray

from monitor.crosscheck import SPAN, Array
from monitor.loadcell import BIN_MS

_STEPS = 200  # to one degree, or one %RH
_MOST = 32_767  # steps
_UNHEARD = -32_768
_OPEN = 8  # half hours of a series that late readings may still change
_NEVER = 2**62

Readings = Mapping[int, float]
"""Value by instant. [stored unit by ms]"""
Said = tuple[int, int, float]
"""Number of a series, instant, value. [ms, stored unit]"""


def middle_of(values: Iterable[float]) -> float:
    """Return the median of readings as it is kept: to the nearest 0.005. [stored unit]."""
    return _in_steps(values) / _STEPS


def _in_steps(values: Iterable[float]) -> int:
    """Return the median of readings in whole steps."""
    ordered = sorted(values)
    count = len(ordered)
    middle = (ordered[(count - 1) // 2] + ordered[count // 2]) / 2
    return round(max(-_MOST, min(_MOST, middle * _STEPS)))


class HalfHours:
    """The middles of the half hours of series that are known by their numbers, 0 to n - 1."""

    def __init__(self, series: int) -> None:
        """Take how many series there are; nothing was heard of any."""
        self._steps = np.full((series, SPAN), _UNHEARD, dtype=np.int16)  # a ring of half hours each
        self._newest = array("q", [-1]) * series
        self._stale = array("q", [_NEVER]) * series  # from this half hour on middles are to be worked out
        self._open: list[array[float] | None] = [None] * series  # instant, value, instant, value ... in order of time

    def add(self, heard: Iterable[Said]) -> None:
        """Take readings as they came; those of a half hour that is long over are left out."""
        newest, stale, every = self._newest, self._stale, self._open
        others: dict[int, dict[int, float]] = {}
        for number, at_ms, value in heard:
            held, half_hour = every[number], newest[number]
            if held and at_ms > held[-2] and at_ms // BIN_MS == half_hour:  # the usual case: the next one
                held.append(at_ms)
                held.append(value)
                if stale[number] > half_hour:
                    stale[number] = half_hour
            else:
                others.setdefault(number, {})[at_ms] = value
        for number, readings in others.items():
            self._add(number, readings)

    def _add(self, number: int, readings: Readings) -> None:
        """Take readings of one series, in any order."""
        newest, first = self._newest[number], min(readings)
        if first // BIN_MS <= newest - _OPEN:
            readings = {at_ms: value for at_ms, value in readings.items() if at_ms // BIN_MS > newest - _OPEN}
            if not readings:
                return
            first = min(readings)
        held = self._open[number]
        if held is None:
            held = self._open[number] = array("d")
        elif first <= held[-2]:
            readings = {int(at_ms): value for at_ms, value in zip(held[::2], held[1::2], strict=True)} | dict(readings)
            del held[:]
        held.extend(chain.from_iterable(sorted(readings.items())))
        self._stale[number] = min(self._stale[number], first // BIN_MS)
        last = int(held[-2]) // BIN_MS
        if last > newest:
            self._go_on(number, held, newest, last)

    def _go_on(self, number: int, held: array[float], newest: int, last: int) -> None:
        """Begin a new half hour of a series, and let go of the readings of those that are long over."""
        if last == newest + 1:
            self._steps[number, last % SPAN] = _UNHEARD
        else:
            self._steps[number, np.arange(max(newest, last - SPAN) + 1, last + 1) % SPAN] = _UNHEARD
        self._newest[number] = last
        begin_ms = (last - _OPEN + 1) * BIN_MS
        if held[0] < begin_ms:
            self._work_out(number, last - _OPEN)
            del held[: 2 * _place(held, begin_ms)]

    def _work_out(self, number: int, upto: int) -> None:
        """Work out the middles that have changed, up to a half hour."""
        held, half_hour = self._open[number], self._stale[number]
        if held is None or half_hour > upto:
            return
        oldest, times = self._newest[number] - SPAN, held[::2]
        begin = bisect_left(times, half_hour * BIN_MS)
        while begin < len(times) and (half_hour := int(times[begin]) // BIN_MS) <= upto:
            end = bisect_left(times, (half_hour + 1) * BIN_MS, begin)
            if half_hour > oldest:
                self._steps[number, half_hour % SPAN] = _in_steps(held[2 * begin + 1 : 2 * end : 2])
            begin = end
        self._stale[number] = upto + 1

    def said(self, number: int, at_ms: int) -> float | None:
        """Return the value of an instant, where it is known and not long past."""
        held = self._open[number]
        if held is None:
            return None
        place = _place(held, at_ms)
        return held[2 * place + 1] if 2 * place < len(held) and held[2 * place] == at_ms else None

    def middles(self, numbers: Sequence[int], asked: NDArray[np.int64], more: Mapping[int, Readings]) -> Array:
        """Return the middles of some half hours of some series, with further readings of theirs.

        Args:
            numbers: The series, k of them.
            asked: The half hours, shape (m,).
            more: Readings that were not added, by series.

        Returns:
            Shape (k, m), NaN where nothing was heard. [stored unit]
        """
        upto, rows = int(asked.max()), np.array(numbers, dtype=np.intp)
        for row in rows[np.frombuffer(self._stale, dtype=np.int64)[rows] <= upto].tolist():
            self._work_out(row, upto)
        newest = np.frombuffer(self._newest, dtype=np.int64)[rows][:, np.newaxis]
        steps = self._steps[rows[:, np.newaxis], asked % SPAN]
        known = (steps != _UNHEARD) & (asked <= newest) & (asked > newest - SPAN)
        found = np.where(known, steps / _STEPS, np.nan)
        column = {half_hour: place for place, half_hour in enumerate(asked.tolist())}
        for row, number in enumerate(numbers):
            if number not in more:
                continue
            for half_hour, readings in self._changed_by(number, more[number], column):
                found[row, column[half_hour]] = middle_of(readings.values())
        return found

    def _changed_by(self, number: int, more: Readings, asked: Mapping[int, int]) -> Iterable[tuple[int, Readings]]:
        """Return the half hours that further readings change, of those asked for, with all readings of each."""
        oldest = self._newest[number] - _OPEN
        changed: dict[int, dict[int, float]] = {}
        for at_ms, value in more.items():
            half_hour = at_ms // BIN_MS
            if half_hour in asked and half_hour > oldest:
                if half_hour not in changed:
                    changed[half_hour] = self._heard_in(number, half_hour)
                changed[half_hour][at_ms] = value
        return changed.items()

    def _heard_in(self, number: int, half_hour: int) -> dict[int, float]:
        """Return the readings of a half hour that is not long over."""
        held = self._open[number]
        if held is None:
            return {}
        begin, end = (2 * _place(held, each * BIN_MS) for each in (half_hour, half_hour + 1))
        return {int(at_ms): value for at_ms, value in zip(held[begin:end:2], held[begin + 1 : end : 2], strict=True)}


def _place(held: array[float], at_ms: int) -> int:
    """Return how many readings came before an instant."""
    if held[-2] < at_ms:
        return len(held) // 2
    return 0 if held[0] >= at_ms else bisect_left(held[::2], at_ms)
