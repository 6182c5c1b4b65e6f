"""How a scale is set up, what is refused with which advice, and which set-up holds on which day."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from monitor.errors import RefusedError
from monitor.ledger import EntryKind
from monitor.readings import Block, Quantity, Reading
from monitor.scales import Scales
from monitor.scalesetup import reckoned_limp, setup_at, setup_data, setups_of
from tests.support.farms import Book, farm, sensor_text

GOOD: dict[str, Any] = {
    "sensor": "scale-1", "zero_g": 12.0, "known_g": 1000.0, "known_shown_g": 1007.0, "tare_shown_g": 412.0,
    "dry_shown_g": 520.0, "full_shown_g": 1700.0, "limp_shown_g": None, "carries_g": 20_000.0, "load_g": 9_000.0,
}  # fmt: skip


def test_a_set_up_corrects_zero_and_span() -> None:
    """Shown 1,007 for 1,000 g over a zero of 12: half a percent is put right."""
    data = setup_data(**GOOD)

    assert data["factor"] == pytest.approx(1000 / 995, abs=1e-6)
    assert data["tare_g"] == pytest.approx(402.0, abs=0.1)
    assert data["full_g"] == pytest.approx(1696.5, abs=0.1)


@pytest.mark.parametrize(
    ("changed", "says"),
    [
        pytest.param({"known_g": 50.0}, "too light", id="a mass that says nothing"),
        pytest.param({"known_shown_g": 13.0}, "no small error", id="kg taken for g"),
        pytest.param({"known_shown_g": 12.0}, "no small error", id="a cell that does not move"),
        pytest.param({"load_g": 25_000.0}, "take a stronger cell", id="a cell that cannot carry the pile"),
        pytest.param({"dry_shown_g": 300.0}, "each must be heavier", id="put on in the wrong order"),
        pytest.param({"limp_shown_g": 1900.0}, "does not lie between", id="a limp tray heavier than a full one"),
    ],
)
def test_a_set_up_that_cannot_be_is_refused_with_advice(changed: dict[str, Any], says: str) -> None:
    """Nothing is written then."""
    with pytest.raises(RefusedError, match=says):
        setup_data(**{**GOOD, **changed})


def test_limp_is_reckoned_where_it_was_never_weighed() -> None:
    """A third of the held water is left; common practice, no source."""
    assert reckoned_limp(1700, 500) == pytest.approx(920)


def test_readings_keep_the_set_up_of_their_day(tmp_path: Path) -> None:
    """A new zero holds from its instant on; earlier weights stay what they were."""
    cellar = farm(tmp_path, more=sensor_text("scale-1", "weight", "cellar/1/2/1"))
    book = Book()
    first, second = book.at("2026-03-02"), book.at("2026-03-04")
    book.add(EntryKind.CALIBRATED, first, None, data=setup_data(**GOOD))
    book.add(EntryKind.CALIBRATED, second, None, data=setup_data(**{**GOOD, "zero_g": 112.0, "known_shown_g": 1107.0,
             "tare_shown_g": 512.0, "dry_shown_g": 620.0, "full_shown_g": 1800.0}))  # fmt: skip
    setups = setups_of(book.entries, cellar.sensors)
    scales = Scales(cellar.sensors)
    scales.set_up(setups)
    rows = [Reading(sensor="scale-1", measured_at=first + timedelta(minutes=m), value=1512.0) for m in range(1, 300)]
    rows += [Reading(sensor="scale-1", measured_at=second + timedelta(minutes=m), value=1612.0) for m in range(1, 300)]
    scales.take(Block.from_readings(rows))
    cell = scales.cell("scale-1")

    assert cell is not None
    assert cell.level_g == pytest.approx(1507.5, abs=0.5)
    assert not cell.steps  # the same tray all along
    assert setup_at(setups["scale-1"], first - timedelta(days=1)) is None
    assert scales.setup("scale-1", second - timedelta(seconds=1)) == setups["scale-1"][0]


def test_a_new_set_up_makes_the_state_stale(tmp_path: Path) -> None:
    """It is rebuilt from the raw readings of the store."""
    cellar = farm(tmp_path, more=sensor_text("scale-1", "weight", "cellar/1/2/1"))
    book = Book()
    scales = Scales(cellar.sensors)
    block = Block.from_readings([Reading(sensor="scale-1", measured_at=book.at("2026-03-02"), value=1500.0)])
    scales.take(block)
    book.add(EntryKind.CALIBRATED, book.at("2026-03-01"), None, data=setup_data(**GOOD))
    scales.set_up(setups_of(book.entries, cellar.sensors))
    stale = scales.stale()
    scales.rebuild(stale, block)

    assert stale == ("scale-1",)
    assert scales.stale() == ()
    cell = scales.cell("scale-1")
    assert cell is not None
    assert cell.level_g == pytest.approx(1495.5, abs=0.1)


def test_the_air_of_the_last_day_stands_for_the_next(tmp_path: Path) -> None:
    """The deficit of a time of day to come is that of the same time on the last day that was heard."""
    more = sensor_text("air", "temperature", "cellar") + sensor_text("damp", "humidity", "cellar")
    cellar = farm(tmp_path, more=more)
    begin = Book().at("2026-03-02", "00:00")
    rows = []
    for half_hour in range(3 * 48):
        at = begin + timedelta(minutes=30 * half_hour + 5)
        day = half_hour % 48 >= 24
        rows.append(Reading(sensor="air", measured_at=at, value=24.0 if day else 18.0))
        rows.append(Reading(sensor="damp", measured_at=at, value=50.0))
    scales = Scales(cellar.sensors)
    scales.take(Block.from_readings(rows))
    deficit_at = scales.deficit_at(["air"], ["damp"])
    hours = np.array([begin.timestamp() * 1000 + hour * 3.6e6 for hour in (6.2, 18.2, 72 + 6.2, 72 + 18.2, 120 + 18.2)])

    assert cellar.sensors["air"].quantity is Quantity.TEMPERATURE
    assert deficit_at(hours) == pytest.approx([1.03, 1.49, 1.03, 1.49, 1.49], abs=0.01)
    assert scales.mean_temp_c(["air"], begin.timestamp() * 1000) == pytest.approx(21.0)
    assert np.isnan(scales.deficit_at(["air"], [])(hours)).all()
