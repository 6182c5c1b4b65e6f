"""`traywarden replay`: what last month's readings would have brought, and a real room that brings no storm."""

from __future__ import annotations

import csv
import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from alerts.replay import Replay, in_order, through
from monitor.errors import RefusedError
from monitor.profilefile import load_profiles, shipped_texts
from monitor.readings import Block, Reading
from monitor.stores.sqlite import SqliteReadingStore
from tests.support.farms import TEXT, Book, farm, sensor_text
from tests.support.needs import require_shared
from tests.support.typist import Typist

BEGIN = datetime(2026, 3, 2, 8, tzinfo=UTC)


class Past(Typist):
    """A farm with a week of basil behind it: eight hours of 15 degrees in the fourth night."""

    def __init__(self, folder: Path) -> None:
        """Write farm.toml, sow, and store the week."""
        self.path = folder / "farm.toml"
        more = sensor_text("air", "temperature", "cellar/1/1")
        self.path.write_text(TEXT.format(zone="Europe/Lisbon", more=more), encoding="utf-8")
        self.now = BEGIN
        assert self.run("sow", "basil", "--trays", "4", "--spot", "1/1").exit_code == 0
        rng = np.random.default_rng(4)
        rows = []
        for minute in range(0, 7 * 1440, 5):
            cold = 3 * 1440 + 840 <= minute < 3 * 1440 + 1320
            value = (15.0 if cold else 23.0) + float(rng.normal(0, 0.2))
            rows.append(Reading(sensor="air", measured_at=BEGIN + timedelta(minutes=minute), value=round(value, 2)))
        store = SqliteReadingStore(folder / "data" / "readings.db")
        store.append(Block.from_readings(rows))
        store.close()
        self.now = BEGIN + timedelta(days=7)


@pytest.fixture
def past(tmp_path: Path) -> Past:
    """Return the farm."""
    return Past(tmp_path)


def test_a_cold_night_would_have_been_told_once(past: Past) -> None:
    """At its time, with its words; the quiet days bring nothing."""
    done = past.run("replay", "2026-03-03", "2026-03-08")

    assert done.exit_code == 0, done.output
    assert "Thu 5 Mar 22:50" in done.stdout
    assert "urgent: Too cold: rack 1 shelf 1" in done.stdout
    assert "1 in 6 days, by the rules of today: too cold 1." in done.stdout


def test_other_limits_are_tried_before_they_are_trusted(past: Past, tmp_path: Path) -> None:
    """A profile that lets basil have 14 degrees brings nothing; the farm's own profile stays as it is."""
    own = tmp_path / "hardy.toml"
    text = shipped_texts()["basil"].replace("low = 20, high = 30", "low = 14, high = 30")
    own.write_text(text.replace("low = 19, high = 29", "low = 14, high = 29"), encoding="utf-8")
    said = past.run("replay", "2026-03-03", "2026-03-08", "--profile", str(own)).stdout
    facts = json.loads(past.run("replay", "2026-03-03", "2026-03-08", "--json").stdout)

    assert "0 in 6 days" in said
    assert "Judged by hardy.toml" in said
    assert len(facts["came"]) == 1


def test_a_replay_writes_nothing(past: Past) -> None:
    """Neither alarms nor messages, nor entries."""
    past.run("replay", "2026-03-03", "2026-03-08")

    assert json.loads(past.run("alarms", "--json").stdout)["alarms"] == []
    assert len(json.loads(past.run("batch", "1", "--json").stdout)["entries"]) == 1


def test_a_span_that_cannot_be(past: Past) -> None:
    """The wrong way round."""
    done = past.run("replay", "2026-03-08", "2026-03-03")

    assert isinstance(done.exception, RefusedError)


@pytest.mark.shared
def test_eight_days_of_a_real_room_bring_no_storm(tmp_path: Path) -> None:
    """[UCI-OCCUPANCY] an office over mustard and radish in the light: fewer than one piece of news a day."""
    folder = require_shared("room_uci")
    rows = []
    for name in ("datatraining.txt", "datatest.txt"):
        with (folder / name).open(encoding="utf-8") as file:
            for row in list(csv.reader(file))[1:]:
                at = datetime.fromisoformat(row[1]).replace(tzinfo=UTC)
                for sensor, place in (("t", 2), ("h", 3)):
                    rows.append(Reading(sensor=sensor, measured_at=at, value=float(row[place])))
    rows.sort(key=lambda reading: reading.measured_at)
    first, last = rows[0].measured_at, rows[-1].measured_at
    more = sensor_text("t", "temperature", "cellar/1/1") + sensor_text("h", "humidity", "cellar/1/1")
    book = Book()
    for number, crop in enumerate(("radish", "mustard"), start=1):
        book.sow(first - timedelta(days=3), crop, 4, batch=str(number))
    run = Replay(farm(tmp_path, more=more), load_profiles(None), book.entries, start=first)
    came = list(through(run, in_order(Block.from_readings(rows)), first, last, timedelta(minutes=5)))
    days = (last - first) / timedelta(days=1)

    assert days > 7
    assert len(came) < days
