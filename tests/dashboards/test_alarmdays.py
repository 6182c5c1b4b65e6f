"""What an alarm's picture shows: the last two days of a batch or a place, with what is wanted, and nothing else."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from alerts.findings import Finding, Priority, Tick
from dashboards.alarmdays import SHOWN, alarm_days, cut_to, picture_words
from dashboards.daypicture import DayPicture
from monitor.farm import Farm
from monitor.fold import fold_as_of
from monitor.ledger import EntryKind, effective
from monitor.live import LiveBuffer
from monitor.profilefile import shipped_profiles
from monitor.readings import Block, to_ms
from monitor.stores.sqlite import SqliteReadingStore
from tests.dashboards.test_batchdays import SENSORS, a_radish_week, readings
from tests.dashboards.test_charts import whole_picture
from tests.support.farms import Book, farm, sensor_text

PROFILES = shipped_profiles()
HOUR = timedelta(hours=1)
COLD = sensor_text("cold-1", "temperature", "cold") + sensor_text("cold-2", "temperature", "cold")


def finding(spot: str, *, batch: str | None = None, sensor: str | None = None) -> Finding:
    """Return an urgent finding."""
    return Finding(
        rule="too hot", spot=spot, batch=batch, sensor=sensor, priority=Priority.URGENT,
        since=datetime.fromisoformat("2026-03-07T06:00+00:00"), value=9.0, limit=5.0, cause="c", consequence="c",
        action="a",
    )  # fmt: skip


def drawn_for(found: Finding, where: Farm, folder: Path, book: Book, now: datetime) -> DayPicture | None:
    """Return the picture of a finding, with five days of hourly readings of every sensor of the farm behind it."""
    store = SqliteReadingStore(folder / "readings.db")
    for name in where.sensors:
        store.append(Block.from_readings(readings(name, now - 120 * HOUR, [float(n) for n in range(120)])))
    tick = Tick(
        now=now, farm=where, profiles=PROFILES, batches=fold_as_of(book.entries, now), live=LiveBuffer(),
        watching_since=now, entries=effective(book.entries),
    )  # fmt: skip
    try:
        return alarm_days(found, tick, store.read)
    finally:
        store.close()


def test_an_alarm_of_a_batch_shows_its_last_two_days(tmp_path: Path) -> None:
    """Not the week before, neither in the lines nor in phases, marks and bands."""
    book = a_radish_week()
    now = book.at("2026-03-07", "09:00")
    found = finding("cellar/1/2", batch="1", sensor="air-1")

    picture = drawn_for(found, farm(tmp_path, more=SENSORS), tmp_path, book, now)

    assert picture is not None
    assert (picture.begins_at, picture.ends_at) == (now - SHOWN, now)
    assert picture.title == "Batch 1 radish"
    heat = next(panel for panel in picture.panels if panel.name == "temperature")
    assert heat.traces[0].value.tolist() == [float(n) for n in range(72, 120)]
    assert min(each.begins_at for each in picture.phases) == now - SHOWN
    assert min(each.begins_at for each in heat.wanted) >= now - SHOWN
    assert all(mark.at >= now - SHOWN for mark in picture.marks)


def test_an_alarm_of_a_place_shows_its_sensors_and_its_limits(tmp_path: Path) -> None:
    """The one that shows it first; what stands elsewhere is left out."""
    now = Book().at("2026-03-07", "09:00")

    picture = drawn_for(finding("cold", sensor="cold-2"), farm(tmp_path, more=SENSORS + COLD), tmp_path, Book(), now)

    assert picture is not None
    (panel,) = picture.panels
    assert [trace.name for trace in panel.traces] == ["cold-2", "cold-1"]
    assert [(each.low, each.high) for each in panel.wanted] == [(1, 5)]
    assert picture_words(picture) == "The picture: The cold store, Thu 5 Mar 09:00 to Sat 7 Mar 09:00: temperature."


def test_us_units_hold_for_lines_and_limits(tmp_path: Path) -> None:
    """Fahrenheit where the farm says so."""
    from dataclasses import replace

    now = Book().at("2026-03-07", "09:00")
    where = replace(farm(tmp_path, more=COLD), units="US")

    picture = drawn_for(finding("cold"), where, tmp_path, Book(), now)

    assert picture is not None
    (panel,) = picture.panels
    assert panel.unit == "°F"
    assert panel.traces[0].value[-1] == pytest.approx(119 * 1.8 + 32)
    assert panel.wanted[0].low == pytest.approx(33.8)


@pytest.mark.parametrize("spot", ["", "cellar/2", "nowhere"])
def test_where_nothing_is_measured_there_is_no_picture(tmp_path: Path, spot: str) -> None:
    """An alarm of the machine, of a rack without sensors, of a place that is gone."""
    now = Book().at("2026-03-07", "09:00")

    assert drawn_for(finding(spot), farm(tmp_path, more=COLD), tmp_path, Book(), now) is None


def test_a_batch_that_nobody_measures_has_no_picture(tmp_path: Path) -> None:
    """Its phases alone say nothing of an alarm."""
    book = Book()
    book.sow(book.at("2026-03-02"), "radish", 4, spot="cellar/2/1")
    book.add(EntryKind.UNCOVERED, book.at("2026-03-04"))
    found = finding("cellar/2/1", batch="1")

    assert drawn_for(found, farm(tmp_path, more=COLD), tmp_path, book, book.at("2026-03-07")) is None


def test_a_cut_picture_keeps_what_reaches_into_it() -> None:
    """Phases, bands and silences from the cut on; a line is cut; one that ends before it is gone."""
    whole = whole_picture()
    cut_at = whole.ends_at - 24 * HOUR

    cut = cut_to(whole, cut_at)

    assert [each.name for each in cut.phases] == ["blackout"]
    assert cut.phases[0].begins_at == cut_at
    assert cut.panels[1].silences[0].begins_at == cut_at
    assert int(np.min(cut.panels[0].traces[0].at_ms)) >= to_ms(cut_at)
    assert cut_to(whole, whole.begins_at - HOUR) is whole
