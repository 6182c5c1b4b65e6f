"""Flags as readings come, in any pieces and a little late, are those of the whole record."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import cycle
from pathlib import Path
from tempfile import mkdtemp

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.flagger import Flagger, Pending, flag_all, flag_beside
from monitor.flagging import Kept
from monitor.loadcell import LATE_MS
from monitor.neighbours import groups_of
from monitor.readings import Block, Doubt, Flag
from tests.support.farms import farm, sensor_text

NAMES = ("t1", "t2", "t3", "h1", "h2", "cover")
SENSORS = "".join(sensor_text(f"t{shelf}", "temperature", f"cellar/1/{shelf}") for shelf in (1, 2, 3))
SENSORS += "".join(sensor_text(f"h{shelf}", "humidity", f"cellar/1/{shelf}") for shelf in (1, 2))
SENSORS += sensor_text("cover", "temperature", "cellar/1/1", under_cover=True)
WHERE = farm(Path(mkdtemp()), more=SENSORS)
START_MS = 1_772_000_000_000 // 1_800_000 * 1_800_000
STEP_MS = 15 * 60_000
BY_NEIGHBOURS = Doubt.DISAGREES | Doubt.LAMP_WARMED | Doubt.UNSURE
Row = tuple[int, int, float, int, int]


def record(seed: int, days: int = 3) -> list[Row]:
    """Return some days of six sensors in order of time, in which some drift, jump, spike, stop or are warmed."""
    rng = np.random.default_rng(seed)
    count = days * 96
    hours = np.arange(count) / 4
    lit = (hours % 24 >= 6) & (hours % 24 < 22)
    rows: list[Row] = []
    for place, name in enumerate(NAMES):
        line = (21.0 if name[0] != "h" else 60.0) + np.sin(hours / 24 * 6.28) + rng.normal(0, 0.05, count) + place
        begin = int(rng.integers(count // 2, count))
        what = int(rng.integers(6))
        if what == 0:
            line[begin:] += np.arange(count - begin) / 4 * rng.choice((-1, 1)) * (0.4 if name[0] != "h" else 2.5)
        elif what == 1:
            line[begin:] -= 6.0 if name[0] != "h" else 40.0
        elif what == 2:
            line[rng.integers(0, count, 5)] += 10.0
        elif what == 3:
            line += 6.0 * lit
        spoke = np.ones(count, dtype=bool)
        if what == 4:
            spoke[begin : begin + 30] = False
        jitter = rng.integers(0, STEP_MS // 2, count)
        for step in np.flatnonzero(spoke).tolist():
            rows.append((place, START_MS + step * STEP_MS + int(jitter[step]), float(line[step]), int(Flag.PASS), 0))
    return sorted(rows, key=lambda row: row[1])


def streamed(rows: Sequence[Row], pieces: Sequence[int], *, at_once: bool = False) -> dict[tuple[int, int], Kept]:
    """Return what a store holds in the end, and see that no flag is revised twice.

    Where told so, what passes at once is not taken the long way, as a pipeline does it.
    """
    flagger, kept, revised = Flagger(WHERE), dict[tuple[int, int], Kept](), set[tuple[int, int]]()
    sizes, start = cycle(pieces), 0
    while start < len(rows):
        pending, size = Pending(), next(sizes)
        for index, at_ms, value, flag, doubt in rows[start : start + size]:
            sensor = WHERE.sensors[NAMES[index]]
            number = flagger.number(sensor)
            assert number is not None
            if at_once and flagger.passes(number, at_ms, value, pending):
                kept[index, at_ms] = Kept(at_ms, value, flag, doubt)
                continue
            now, before = flagger.take(sensor, Kept(at_ms, value, flag, doubt), pending)
            if before is not None:
                assert (index, before.at_ms) not in revised
                revised.add((index, before.at_ms))
                kept[index, before.at_ms] = before
            if now is not None:
                kept[index, now.at_ms] = now
        flagger.settle(pending)
        start += size
    return kept


def whole(rows: Sequence[Row]) -> dict[tuple[int, int], Kept]:
    """Return the flags of the whole record at once."""
    block = flag_all(Block.from_rows(NAMES, rows), WHERE)
    columns = (block.sensor_index, block.measured_at_ms, block.value, block.flag, block.doubt)
    return {(index, at): Kept(at, *rest) for index, at, *rest in zip(*(c.tolist() for c in columns), strict=True)}


def late(rows: Sequence[Row], seed: int, *, in_order: bool) -> list[Row]:
    """Return rows as they may come: up to a quarter of an hour late, some twice, each series in order or not."""
    rng = np.random.default_rng(seed)
    by_series = rng.integers(0, LATE_MS, len(NAMES))
    delays = by_series[[row[0] for row in rows]] if in_order else rng.integers(0, LATE_MS, len(rows))
    order = np.argsort(np.array([row[1] for row in rows]) + delays, kind="stable")
    return [rows[place] for place in order for _ in range(2 if rng.random() < 0.02 else 1)]


@settings(max_examples=10, deadline=None)
@given(st.integers(0, 10**6), st.lists(st.integers(1, 300), min_size=1, max_size=8), st.booleans())
def test_streaming_and_batch_agree(seed: int, pieces: list[int], at_once: bool) -> None:
    """All flags, however the stream is cut and whichever sensor is late or comes twice."""
    rows = record(seed)

    assert streamed(late(rows, seed, in_order=True), pieces, at_once=at_once) == whole(rows)


def test_most_readings_pass_at_once() -> None:
    """Else the agreement says nothing of that; and none that is odd does."""
    flagger, passed = Flagger(WHERE), list[Kept]()
    rows = record(3)
    final = whole(rows)
    pending = Pending()
    for index, at_ms, value, flag, doubt in rows:
        number = flagger.number(WHERE.sensors[NAMES[index]])
        assert number is not None
        if flagger.passes(number, at_ms, value, pending):
            passed.append(final[index, at_ms])
        else:
            flagger.take(WHERE.sensors[NAMES[index]], Kept(at_ms, value, flag, doubt), pending)

    assert len(passed) > 0.5 * len(rows)
    assert all(not each.doubt & ~Doubt.SPIKE for each in passed)  # of a spike the next reading tells


@settings(max_examples=4, deadline=None)
@given(st.integers(0, 10**6))
def test_what_neighbours_say_does_not_depend_on_the_order_within_a_series_either(seed: int) -> None:
    """Readings that come before their elders are not judged by their own series, but are by their neighbours."""
    rows = record(seed)
    found, asked = streamed(late(rows, seed, in_order=False), [50]), whole(rows)

    assert {key: each.doubt & BY_NEIGHBOURS for key, each in found.items()} == {
        key: each.doubt & BY_NEIGHBOURS for key, each in asked.items()
    }


def test_the_records_hold_every_kind_of_oddity() -> None:
    """So the agreement says something."""
    doubts = {Doubt(each.doubt) for seed in range(8) for each in whole(record(seed)).values()}

    assert Doubt.DISAGREES in doubts
    assert Doubt.DISAGREES | Doubt.UNSURE in doubts
    assert any(each & Doubt.LAMP_WARMED for each in doubts)
    assert any(each & Doubt.SPIKE for each in doubts)


def drifting(place: int, by_hour: float, after_days: int = 2) -> list[Row]:
    """Return the record of two thermometers, and of another sensor that drifts from a day on."""
    rows = [row for row in record(1) if row[0] < 2]
    hours = [(at - START_MS) / 3_600_000 - 24 * after_days for _, at, *_ in rows]
    line = [(place, row[1], row[2] + max(each, 0.0) * by_hour, 1, 0) for row, each in zip(rows, hours, strict=True)]
    return [row for pair in zip(rows, line, strict=True) for row in pair]


def test_a_restart_changes_no_flag() -> None:
    """What is stored is remembered: a drift that began before the stop is flagged after it all the same."""
    rows = drifting(2, 0.3)
    cut, asked = len(rows) - 60, list(whole(rows).items())
    flagger, pending = Flagger(WHERE), Pending()
    flagger.remember(Block.from_rows(NAMES, [(index, *kept) for (index, _), kept in asked[:cut]]))

    after = [
        flagger.take(WHERE.sensors[NAMES[index]], Kept(at_ms, value, flag, doubt), pending)[0]
        for index, at_ms, value, flag, doubt in rows[cut:]
    ]

    assert sum(bool(kept.doubt & Doubt.DISAGREES) for _, kept in asked[cut:]) > 15
    assert [each.doubt & BY_NEIGHBOURS for each in after if each] == [
        kept.doubt & BY_NEIGHBOURS for _, kept in asked[cut:]
    ]


def test_a_file_gets_the_flags_that_its_readings_would_have_got_as_they_came() -> None:
    """One sensor of three comes in later, out of a file in any order; its neighbours are stored."""
    rows, name = drifting(2, 0.3), "t3"
    final = whole(rows)
    stored = Block.from_rows(NAMES, [(index, *kept) for (index, _), kept in final.items() if index != 2])
    fresh = Block.from_rows((name,), [(0, *row[1:]) for row in reversed(rows) if row[0] == 2])

    found = flag_beside(fresh, stored, WHERE).readings()

    asked = [kept for (index, _), kept in final.items() if index == 2]
    assert {reading.sensor for reading in found} == {name}
    assert [(reading.flag, reading.doubt) for reading in found] == [(kept.flag, kept.doubt) for kept in asked]
    assert Flag.SUSPECT in {reading.flag for reading in found}


def test_a_reading_that_comes_twice_keeps_its_flag() -> None:
    """A spike is flagged with the next reading; its copy after that is no other reading."""
    flagger, sensor = Flagger(WHERE), WHERE.sensors["t1"]
    rows = [Kept(START_MS + step * 60_000, value, 1, 0) for step, value in enumerate((21.0, 26.0, 21.0))]

    def take(reading: Kept) -> tuple[Kept | None, Kept | None]:
        pending = Pending()
        found = flagger.take(sensor, reading, pending)
        flagger.settle(pending)
        return found

    assert [take(reading)[1] is not None for reading in rows] == [False, False, True]
    assert [take(reading) for reading in rows] == [(None, None)] * 3


@pytest.mark.parametrize(
    ("by_hour", "doubt", "flag"),
    [
        pytest.param(0.3, Doubt.DISAGREES | Doubt.UNSURE, Flag.PASS, id="warmer: a pile may heat up, and must be seen"),
        pytest.param(-0.3, Doubt.DISAGREES, Flag.SUSPECT, id="colder than its room by itself it cannot be"),
    ],
)
def test_a_thermometer_under_a_cover(by_hour: float, doubt: Doubt, flag: Flag) -> None:
    """It is held against the open ones of the room, and they not against it."""
    rows = drifting(5, by_hour)
    found = whole(rows)

    assert (found[5, rows[-1][1]].doubt, found[5, rows[-1][1]].flag) == (doubt, flag)
    assert not any(kept.doubt & Doubt.DISAGREES for (index, _), kept in found.items() if index != 5)


@pytest.mark.parametrize(
    ("more", "groups"),
    [
        pytest.param("", [("t1", "t2", "t3"), ("h1", "h2")], id="the room's"),
        pytest.param(
            sensor_text("u1", "temperature", "cellar/1/1") + sensor_text("v1", "temperature", "cellar/1/1"),
            [("t1", "u1", "v1"), ("t1", "t2", "t3", "u1", "v1"), ("h1", "h2")], id="three on one shelf by themselves",
        ),
        pytest.param(
            sensor_text("store", "temperature", "cold"), [("t1", "t2", "t3"), ("h1", "h2")], id="one alone has none"
        ),
    ],
)  # fmt: skip
def test_who_is_held_against_whom(tmp_path: Path, more: str, groups: list[tuple[str, ...]]) -> None:
    """Those of a shelf from three on, else those of the room; each is judged once."""
    found = groups_of(farm(tmp_path, more=SENSORS + more))

    assert [group.sensors for group in found] == groups
    judged = [name for group in found for name in group.judged]
    assert len(judged) == len(set(judged))
