"""The facts of a batch on a real room's record: every figure by phase equals a count with pandas, second by second.

Readings: [UCI-OCCUPANCY], one real office in February 2015. The ledger beside it, a batch of radish in that office, is
invented here; its bands are set so that the office leaves them.
"""

from __future__ import annotations

import csv
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from monitor.farm import Farm
from monitor.fold import fold
from monitor.ledger import EntryKind
from monitor.profilefile import shipped_profiles
from monitor.profiles import Band, PhaseKind, Profile, Where
from monitor.readings import Quantity
from monitor.review import BatchFacts
from monitor.reviewfacts import facts_of
from monitor.reviewrecord import record_of
from tests.support.farms import Book, farm, sensor_text
from tests.support.lived import reader
from tests.support.needs import require_shared

COLUMNS = {"t": 2, "h": 3, "l": 4}
T_BAND, H_BAND = (20.5, 22.0), (22.0, 30.0)
BASE_C = 3.1
SPANS = {
    PhaseKind.GERMINATION: ("2015-02-04 18:00", "2015-02-06 18:00"),
    PhaseKind.BLACKOUT: ("2015-02-06 18:00", "2015-02-07 08:00"),
    PhaseKind.LIGHT: ("2015-02-07 08:00", "2015-02-10 00:00"),
    PhaseKind.HARVEST: ("2015-02-10 00:00", "2015-02-10 09:00"),
}


def profile() -> Profile:
    """Return radish with bands that the office leaves."""
    radish = shipped_profiles()["radish"]
    bands = {
        Quantity.TEMPERATURE: (Band(low=T_BAND[0], high=T_BAND[1], where=Where.ROOM_AIR, source="invented"),),
        Quantity.HUMIDITY: (Band(low=H_BAND[0], high=H_BAND[1], where=Where.ROOM_AIR, source="invented"),),
    }
    return replace(radish, phases=tuple(replace(plan, bands=bands) for plan in radish.phases))


def office(path: Path) -> list[list[str]]:
    """Return the rows of the record in order of time."""
    with path.open(encoding="utf-8") as file:
        return sorted(list(csv.reader(file))[1:], key=lambda row: row[1])


@pytest.fixture(scope="module")
def rows() -> list[list[str]]:
    """Return the record, with two hours taken out of it so that a gap is counted too."""
    record = office(require_shared("room_uci/datatraining.txt"))
    return [row for row in record if not "2015-02-08 11:00" <= row[1] < "2015-02-08 13:00"]


@pytest.fixture(scope="module")
def lived(rows: list[list[str]], tmp_path_factory: pytest.TempPathFactory) -> BatchFacts:
    """Return the facts of the invented batch in that office."""
    more = "".join(
        sensor_text(name, quantity, "cellar", **extra)
        for name, quantity, extra in (
            ("t", "temperature", {}), ("h", "humidity", {}), ("l", "light", {"lux_per_umol": 60.0}),
        )
    )  # fmt: skip
    where: Farm = farm(tmp_path_factory.mktemp("office"), zone="UTC", more=more)
    book = Book("UTC")
    book.sow(book.at("2015-02-04", "18:00"), "radish", 4)
    book.add(EntryKind.STACKED, book.at("2015-02-04", "18:00"))
    book.add(EntryKind.UNCOVERED, book.at("2015-02-06", "18:00"))
    book.add(EntryKind.LIGHTS_ON, book.at("2015-02-07", "08:00"))
    book.add(EntryKind.HARVESTED, book.at("2015-02-10", "09:00"), data={"grams": 1300})
    at_ms = np.array(
        [round(datetime.fromisoformat(row[1]).replace(tzinfo=UTC).timestamp() * 1000) for row in rows], dtype=np.int64
    )
    arrays = {name: (at_ms, np.array([float(row[place]) for row in rows])) for name, place in COLUMNS.items()}
    batch = fold(book.entries)["1"]
    record = record_of(where, profile(), batch, reader(arrays), now=book.at("2015-02-12"))
    return facts_of(record, where.zone)


def by_second(rows: list[list[str]], column: int, kind: PhaseKind) -> pd.Series:
    """Return a raw column for every second of a phase; a reading stands for half an hour at most."""
    instants = pd.DatetimeIndex([row[1] for row in rows])
    raw = pd.Series([float(row[column]) for row in rows], index=instants)
    whole = pd.date_range(instants[0].floor("D"), instants[-1].ceil("D"), freq="s")
    begin, end = (pd.Timestamp(each) for each in SPANS[kind])
    return raw.reindex(whole).ffill(limit=30 * 60 - 1).loc[begin:end].iloc[:-1]


@pytest.mark.shared
@pytest.mark.parametrize("kind", SPANS)
def test_warmth_by_phase_is_what_pandas_counts(rows: list[list[str]], lived: BatchFacts, kind: PhaseKind) -> None:
    """Share in band, mean, ends, both doses, heat sum and its cover, the worst run: each to a second's worth."""
    found = lived.phase(kind)
    warm = by_second(rows, 2, kind)
    known = warm.dropna()
    assert found is not None
    here = found.banded[Quantity.TEMPERATURE]

    assert here.known_h == pytest.approx(len(known) / 3600, abs=0.001)
    assert here.in_band == pytest.approx(known.between(*T_BAND).mean(), abs=1e-4)
    assert here.mean == pytest.approx(known.mean(), abs=1e-4)
    assert (here.lowest, here.highest) == (known.min(), known.max())
    assert here.low_dose == pytest.approx((T_BAND[0] - known).clip(lower=0).sum() / 3600, abs=0.002)
    assert here.high_dose == pytest.approx((known - T_BAND[1]).clip(lower=0).sum() / 3600, abs=0.002)
    assert found.heat_sum == pytest.approx((known - BASE_C).clip(lower=0).sum() / 86400, abs=0.001)
    assert found.heat_known == pytest.approx(len(known) / len(warm), abs=1e-4)
    assert found.good_data[Quantity.TEMPERATURE] == pytest.approx(len(known) / len(warm), abs=1e-4)


def worst_run(values: pd.Series, low: float, high: float) -> tuple[float, pd.Timestamp, float, float] | None:
    """Return (dose, first instant, hours outside, farthest value) of the worst run, runs an hour apart being two."""
    found = []
    for far in ((low - values).clip(lower=0).fillna(0), (values - high).clip(lower=0).fillna(0)):
        outside = far[far > 0]
        if not len(outside):
            continue
        group = (outside.index.to_series().diff() > pd.Timedelta(hours=1, seconds=1)).cumsum()
        for _, part in outside.groupby(group):
            found.append(
                (
                    part.sum() / 3600,
                    part.index[0],
                    len(part) / 3600,
                    float(values[values.index == part.idxmax()].iloc[0]),
                )
            )
    return max(found, key=lambda each: each[0]) if found else None


@pytest.mark.shared
@pytest.mark.parametrize("kind", SPANS)
def test_the_worst_run_is_what_pandas_finds(rows: list[list[str]], lived: BatchFacts, kind: PhaseKind) -> None:
    """When it began, how far, how long, how many degree-hours."""
    found = lived.phase(kind)
    expected = worst_run(by_second(rows, 2, kind), *T_BAND)
    assert found is not None
    run = found.banded[Quantity.TEMPERATURE].worst

    if expected is None:
        assert run is None
        return
    dose, begins, hours, farthest = expected
    assert run is not None
    assert run.dose == pytest.approx(dose, abs=0.002)
    assert run.begin_ms == pytest.approx(begins.timestamp() * 1000, abs=1000)
    assert run.hours == pytest.approx(hours, abs=0.002)
    assert run.farthest == pytest.approx(farthest)


@pytest.mark.shared
@pytest.mark.parametrize("kind", [PhaseKind.LIGHT, PhaseKind.HARVEST])
def test_damp_by_phase_is_what_pandas_counts(rows: list[list[str]], lived: BatchFacts, kind: PhaseKind) -> None:
    """Humidity against its band, and the deficit of each reading, averaged; [FAO56] eq. 11 written out here again."""
    found = lived.phase(kind)
    damp, warm = by_second(rows, 3, kind), by_second(rows, 2, kind)
    saturated = 0.6108 * np.exp(17.27 * warm / (warm + 237.3))
    deficit = (saturated * (1 - damp / 100)).dropna()
    assert found is not None
    here = found.banded[Quantity.HUMIDITY]

    assert here.in_band == pytest.approx(damp.dropna().between(*H_BAND).mean(), abs=1e-4)
    assert found.deficit_kpa == pytest.approx(deficit.mean(), abs=1e-4)
    assert found.near_saturation_h == 0
    assert found.dry_dose == pytest.approx(((H_BAND[0] - damp).clip(lower=0) * saturated / 100).sum() / 3600, abs=0.001)
    assert found.damp_dose == pytest.approx(
        ((damp - H_BAND[1]).clip(lower=0) * saturated / 100).sum() / 3600, abs=0.001
    )


@pytest.mark.shared
def test_light_by_day_is_what_pandas_counts(rows: list[list[str]], lived: BatchFacts) -> None:
    """Hours lit a day and the integral, over the days that are known for 21 hours at least."""
    found = lived.phase(PhaseKind.LIGHT)
    light = by_second(rows, 4, PhaseKind.LIGHT)
    state = light.case_when([(light >= 200, 1.0), (light < 120, 0.0), (light == light, np.nan)])
    lit = state.ffill().where(light.notna())
    day_of = pd.DatetimeIndex(light.index).floor("D")
    known_h = lit.groupby(day_of).count() / 3600
    whole = known_h[known_h >= 21].index
    assert found is not None
    assert found.light is not None

    assert len(whole) == 2  # the first day has 16 hours, the next two are whole but for the gap
    hours = known_h[whole].sum()
    assert found.light.lit_h == pytest.approx((lit.groupby(day_of).sum() / 3600)[whole].sum() / hours * 24, abs=0.01)
    photons = (light / 60 / 1e6).groupby(day_of).sum()
    assert found.light.mol_m2 == pytest.approx(photons[whole].sum() / hours * 24, abs=0.001)


@pytest.mark.shared
def test_phases_follow_the_entries(lived: BatchFacts) -> None:
    """Begin, end and days of each phase."""
    spans = {
        each.stretch.kind: tuple(
            datetime.fromtimestamp(ms / 1000, UTC).strftime("%Y-%m-%d %H:%M")
            for ms in (each.stretch.begin_ms, each.stretch.end_ms)
        )
        for each in lived.phases
    }

    assert spans == SPANS
    assert [each.stretch.days for each in lived.phases] == [2, 1, 3, 0]
