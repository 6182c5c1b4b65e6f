"""The benchmark of the stores: its SIMULATED records are what they are said to be, and like is compared with like."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path

import numpy as np
import pytest

from monitor.readings import from_ms
from tests.bench.store import bare_decode, keep, our_size
from tests.bench.storeappend import append_ratio, live_blocks
from tests.bench.storepeers import PlainRows
from tests.bench.storerecord import IN_A_MESSAGE, JITTER_MS, MINUTE_MS, SERIES, Clocks, Record


def record(clocks: Clocks, rows: int = 3_000) -> Record:
    """Return a small record."""
    return Record(clocks=clocks, seed=3, rows=rows)


def test_noise_is_one_step_of_a_hundredth() -> None:
    """Second differences, in which waves vanish, have the variance of six such noises rounded to steps."""
    piece = record(Clocks.EXACT).piece(5, 0)
    steps = piece.value * 100

    assert np.abs(steps - np.rint(steps)).max() < 1e-9
    assert np.std(np.diff(steps, n=2)) == pytest.approx(np.sqrt(6 * (1 + 1 / 12)), rel=0.1)
    assert 0 < np.mean([(record(Clocks.EXACT).piece(series, 0).flag != 1).mean() for series in range(9)]) < 0.01


@pytest.mark.parametrize(
    ("clocks", "together"), [(Clocks.EXACT, SERIES), (Clocks.PACKS, IN_A_MESSAGE), (Clocks.JITTER, 1)]
)
def test_who_shares_its_instants(clocks: Clocks, together: int) -> None:
    """All, those of one message, or none; jitter is 0 to 440 ms."""
    made = record(clocks)
    first = made.piece(0, 0).at_ms
    sharing = [series for series in range(SERIES) if np.array_equal(made.piece(series, 0).at_ms, first)]

    assert len(sharing) == together
    assert (first % MINUTE_MS).max() <= (0 if clocks is Clocks.EXACT else JITTER_MS)


def test_the_bare_decode_gives_what_the_store_gives(tmp_path: Path) -> None:
    """As many readings of a span; the store holds every one, and no row is left when its size is taken."""
    made = record(Clocks.PACKS, rows=600)
    store, _ = keep(made, tmp_path)
    decode = bare_decode(tmp_path)
    start, end = made.span(1, 0.0)
    start += 100 * MINUTE_MS
    found = len(store.read(["s042"], from_ms(start), from_ms(end)))
    count = store.count()
    store.close()

    assert (found, decode("s042", start, end), count) == (500, 500, len(made))
    assert our_size(tmp_path) > 0


def test_plain_rows_hold_the_same(tmp_path: Path) -> None:
    """What is written can be fetched."""
    made = record(Clocks.JITTER, rows=50)
    with closing(PlainRows(tmp_path)) as rows:
        for _, series, piece in made.pieces():
            rows.write(made.name(series), piece)
        rows.settle()

        assert rows.read("s007", *made.span(1, 0.0)) == 50


def test_blocks_come_as_they_do_in_life() -> None:
    """Minute by minute through all series, each naming only the sensors that it has readings of."""
    first, blocks = live_blocks(record(Clocks.EXACT), 10)

    assert len(set(first.sensor_index.tolist())) == len(first) == SERIES
    assert [block.sensors for block in blocks[:2]] == [
        tuple(f"s{n:03d}" for n in range(begin, begin + 10)) for begin in (0, 10)
    ]
    assert (np.diff(np.concatenate([block.measured_at_ms for block in blocks])) >= 0).all()


def test_appending_is_timed_for_both(tmp_path: Path) -> None:
    """Both figures are readings a second, of the same rows."""
    mine, bare = append_ratio(record(Clocks.EXACT), 5_000, tmp_path, turns=1)

    assert mine > 0
    assert bare > 0
