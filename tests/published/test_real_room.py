"""Eight days of a real room: hours of light by an independent count, and no storm of alarms.

[UCI-OCCUPANCY] is an office in February, nearly a reading a minute, with a gap of seven hours on 4 February. What it
brings to a farm whose trays stand there was measured with four crops in the light: nine pieces of news in eight days,
at most two a day, none urgent, where the lamp's hours are those of the office (the lamp off on the weekend and one
morning, five; too dry, three; nothing heard in the gap, one). Where the lamp is meant to be on from 6 to 22 it is
twenty, at most four a day: the office is dark in the morning and in the evening, every day, and is told so.
"""

from __future__ import annotations

import csv
from collections import Counter
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest

from alerts.findings import Priority
from alerts.replay import Came, Replay, in_order, through
from monitor.farmfile import parse_farm
from monitor.ledger import EntryKind
from monitor.light import light_days
from monitor.profilefile import load_profiles
from monitor.readings import Block, Quantity, Reading
from tests.support.farms import TEXT, Book, sensor_text
from tests.support.needs import require_shared

ROOM = Path(__file__).parents[1] / "data" / "room_uci_excerpt.csv"
SENSORS = {"t": ("temperature", 2), "h": ("humidity", 3), "l": ("light", 4)}


def rows_of(name: str) -> list[list[str]]:
    """Return the rows of the excerpt, or of the whole record in order of time."""
    paths = [ROOM if name == "excerpt" else require_shared("room_uci/datatraining.txt")]
    if name == "whole":
        paths.append(require_shared("room_uci/datatest.txt"))
    rows = []
    for path in paths:
        with path.open(encoding="utf-8") as file:
            rows += list(csv.reader(file))[1:]
    return sorted(rows, key=lambda row: row[1])


def counted_hours(rows: list[list[str]], now: pd.Timestamp) -> pd.DataFrame:
    """Return hours lit, dark and unknown by day, counted second by second with pandas from the raw column.

    A value of 200 lx and more is lit until one under 120 lx; a reading stands for half an hour at most.
    """
    instants = pd.DatetimeIndex([row[1] for row in rows])
    raw = pd.Series([float(row[4]) for row in rows], index=instants)
    state = raw.case_when([(raw >= 200, 1.0), (raw < 120, 0.0), (raw == raw, np.nan)]).ffill()
    every_second = pd.date_range(instants[0].normalize(), now.normalize() + pd.Timedelta(days=1), freq="s")
    known = state.reindex(every_second).ffill(limit=30 * 60 - 1)[:-1]
    known[known.index >= now] = np.nan
    day_of = every_second[:-1].normalize()
    days = known.groupby(day_of)
    whole = pd.Series(known.index < now, index=known.index).groupby(day_of).sum()
    lit, dark = days.sum(), days.count() - days.sum()
    return pd.DataFrame({"lit": lit, "dark": dark, "unknown": whole - lit - dark}) / 3600


@pytest.mark.parametrize(
    "name",
    [pytest.param("excerpt", id="excerpt"), pytest.param("whole", id="whole", marks=pytest.mark.shared)],
)
def test_hours_of_light_are_right_on_each_day(name: str) -> None:
    """[UCI-OCCUPANCY] lit, dark and unknown of every day, to the second of an independent count."""
    rows = rows_of(name)
    at = [datetime.fromisoformat(row[1]).replace(tzinfo=UTC) for row in rows]
    now = pd.Timestamp(rows[-1][1]) + pd.Timedelta(minutes=1)
    at_ms = np.array([round(each.timestamp() * 1000) for each in at], dtype=np.int64)
    values = np.array([float(row[4]) for row in rows])
    found = light_days(
        at_ms, values, Quantity.LIGHT, at[0].date(), at[-1].date(), ZoneInfo("UTC"), now_ms=int(at_ms[-1]) + 60_000
    )
    counted = counted_hours(rows, now)

    assert [day.day for day in found] == [each.date() for each in counted.index]
    assert len(found) == (9 if name == "whole" else 2)
    for day, (_, own) in zip(found, counted.iterrows(), strict=True):
        assert (day.lit_h, day.dark_h, day.unknown_h) == pytest.approx(tuple(own), abs=1 / 3600)


def news_of(lamp: str) -> list[Came]:
    """Return what eight days of the office bring to four crops in the light, under a lamp of some hours."""
    readings = [
        Reading(sensor=sensor, measured_at=datetime.fromisoformat(row[1]).replace(tzinfo=UTC), value=float(row[place]))
        for row in rows_of("whole")
        for sensor, (_, place) in SENSORS.items()
    ]
    first, last = readings[0].measured_at, readings[-1].measured_at
    more = "".join(sensor_text(sensor, quantity, "cellar/1/1") for sensor, (quantity, _) in SENSORS.items())
    text = TEXT.format(zone="UTC", more=more).replace("06:00-22:00", lamp)
    book = Book("UTC")
    for number, crop in enumerate(("pea", "radish", "basil", "sunflower"), start=1):
        batch = str(number)
        book.sow(first - timedelta(days=3), crop, 4, batch=batch)
        book.add(EntryKind.UNCOVERED, first - timedelta(days=1), batch)
        book.add(EntryKind.LIGHTS_ON, first - timedelta(hours=2), batch)
    where = parse_farm(text, file="farm.toml", folder=Path("nowhere"))
    run = Replay(where, load_profiles(None), book.entries, start=first)
    return list(through(run, in_order(Block.from_readings(readings)), first, last, timedelta(minutes=10)))


@pytest.mark.shared
@pytest.mark.parametrize(("lamp", "most_a_day"), [("08:00-18:00", 4), ("06:00-22:00", 5)])
def test_a_real_room_brings_no_storm(lamp: str, most_a_day: int) -> None:
    """[UCI-OCCUPANCY] fewer than six pieces of news on every day, none by night, each true of that office."""
    came = news_of(lamp)
    by_day = Counter(each.at.date() for each in came)
    kinds = {each.news.title.split(":")[0] for each in came}

    assert came
    assert max(by_day.values()) <= most_a_day
    assert not any(each.news.priority is Priority.URGENT and each.news.wakes for each in came)
    assert "Nothing is heard" in kinds
    assert not kinds & {"Too hot", "Too damp", "Mould weather", "Sensor cannot be right", "Sensor is silent"}
