"""Fixed points against handbook tables, and what a calibration makes of readings."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from collectors.pipeline import Message
from monitor.calibration import SALTS, Calibration, calibration_at, calibration_data, calibrations_of, salt_humidity
from monitor.cli import root
from monitor.cli.common import Context
from monitor.clock import ManualClock
from monitor.errors import RefusedError
from monitor.farmfile import load_farm
from monitor.profilefile import load_profiles
from monitor.readings import Quantity
from monitor.service import Service
from tests.support.farms import TEXT, sensor_text

NOW = datetime(2026, 3, 2, 12, tzinfo=UTC)

CRC = {
    "LiCl": (14.53, -75.0), "MgCl2": (29.26, 34.0), "Mg(NO3)2": (25.28, 220.0), "NaBr": (20.49, 308.0),
    "NaCl": (69.20, 25.0), "KCl": (49.38, 159.0), "K2SO4": (86.75, 34.0),
}  # fmt: skip


# [GREENSPAN] as printed at 20, 25 and 30 degC (from memory): checks that the table was copied right.
PRINTED = {
    "LiCl": (11.31, 11.30, 11.28), "MgCl2": (33.07, 32.78, 32.44), "Mg(NO3)2": (54.38, 52.89, 51.40),
    "NaBr": (59.14, 57.57, 56.03), "NaCl": (75.47, 75.29, 75.09), "KCl": (85.11, 84.34, 83.62),
    "K2SO4": (97.59, 97.30, 97.00),
}  # fmt: skip


@pytest.mark.parametrize("salt", list(PRINTED))
def test_salts_are_those_of_the_table(salt: str) -> None:
    """Seven salts, no more, each as printed."""
    assert set(SALTS) == set(PRINTED)
    assert tuple(salt_humidity(salt, temp_c) for temp_c in (20, 25, 30)) == PRINTED[salt]


@pytest.mark.parametrize("salt", list(SALTS))
@pytest.mark.parametrize("temp_c", [20.0, 22.5, 25.0, 27.5, 30.0])
def test_salts_agree_with_an_independent_formula(salt: str, temp_c: float) -> None:
    """[GREENSPAN] against [CRC-SALTS] RH = A exp(B/T), good to 2 %, which is the bound.

    Measured: 0.17 %RH at 25 degC (KCl); at 20 and 30 degC 1.6 % of the value (magnesium nitrate, 0.84 %RH).
    """
    a, b = CRC[salt]
    formula = a * math.exp(b / (temp_c + 273.15))

    assert salt_humidity(salt, temp_c) == pytest.approx(formula, rel=0.02)
    assert temp_c != 25.0 or abs(salt_humidity(salt, temp_c) - formula) < 0.2


@pytest.mark.parametrize(
    ("salt", "at_20", "at_25"),
    [("LiCl", 11.3, 11.3), ("MgCl2", 33.1, 32.8), ("KCl", 85.1, 84.3), ("K2SO4", 97.6, 97.3)],
)
def test_salts_agree_with_a_museums_table(salt: str, at_20: float, at_25: float) -> None:
    """[PADFIELD] prints four of them to a tenth, and ours round to the same."""
    assert (round(salt_humidity(salt, 20), 1), round(salt_humidity(salt, 25), 1)) == (at_20, at_25)


def test_sources_differ_on_table_salt_by_a_quarter_per_cent() -> None:
    """[PADFIELD] has 75.7 for NaCl at 20 degC where [GREENSPAN] has 75.47: less than any sensor can tell."""
    assert salt_humidity("NaCl", 20) == pytest.approx(75.7, abs=0.25)


def test_between_printed_temperatures_a_straight_line_is_taken() -> None:
    """[GREENSPAN] NaCl 75.47 at 20 and 75.29 at 25 degC."""
    assert salt_humidity("nacl", 22.5) == pytest.approx(75.38, abs=0.005)


def test_two_points_make_a_line() -> None:
    """Shown 73.1 and 34.5 where 75.43 and 33.01 are right, at 21 degC."""
    points = [(salt_humidity("NaCl", 21), 73.1), (salt_humidity("MgCl2", 21), 34.5)]
    data = calibration_data("damp-1", Quantity.HUMIDITY, points)
    made = Calibration(sensor="damp-1", since=NOW, factor=data["factor"], offset=data["offset"])

    assert made.corrected(73.1) == pytest.approx(75.43, abs=0.02)
    assert made.corrected(34.5) == pytest.approx(33.01, abs=0.02)


def test_ice_makes_an_offset() -> None:
    """0.4 in ice water: 0.4 less from now on."""
    data = calibration_data("air-1", Quantity.TEMPERATURE, [(0.0, 0.4)])

    assert (data["factor"], data["offset"]) == (1.0, -0.4)


@pytest.mark.parametrize(
    ("quantity", "points", "says"),
    [
        (Quantity.TEMPERATURE, [(0.0, 5.0)], "broken, wet, or not settled"),
        (Quantity.HUMIDITY, [(75.3, 70.0), (84.3, 80.0)], "at least 20 apart"),
        (Quantity.LIGHT, [(0.0, 1.0)], "only thermometers and humidity sensors"),
    ],
)
def test_what_cannot_be_is_refused(quantity: Quantity, points: list[tuple[float, float]], says: str) -> None:
    """With what to do instead."""
    with pytest.raises(RefusedError, match=says):
        calibration_data("x", quantity, points)


@pytest.mark.parametrize(("salt", "temp_c", "says"), [("sugar", 20, "is no salt"), ("NaCl", 12, "from 20 to 30")])
def test_points_outside_the_table_are_refused(salt: str, temp_c: float, says: str) -> None:
    """No guessing beyond what is printed."""
    with pytest.raises(RefusedError, match=says):
        salt_humidity(salt, temp_c)


class Bench:
    """A farm with a running service and a person who types."""

    def __init__(self, folder: Path) -> None:
        """Write farm.toml with a thermometer."""
        self.path = folder / "farm.toml"
        text = TEXT.format(zone="Europe/Lisbon", more=sensor_text("air", "temperature", "cellar"))
        self.path.write_text(text, encoding="utf-8")
        self.clock = ManualClock(NOW)
        self.service = Service(load_farm(self.path), load_profiles(None), clock=self.clock)

    def run(self, *words: str) -> Result:
        """Run one command."""
        return CliRunner().invoke(root, list(words), obj=Context(farm_path=self.path, clock=self.clock))

    def hears(self, value: float, minutes: int) -> None:
        """Have the service take and store one message."""
        at = NOW + timedelta(minutes=minutes)
        self.clock.set(at)
        self.service.run_due(at)
        block = self.service.pipeline.block_of([Message("t/air", str(value).encode(), at)])
        self.service.store.append(block)


def test_a_calibration_holds_from_its_day_and_the_raw_reading_is_kept(tmp_path: Path) -> None:
    """Entered while the service runs: later readings are corrected, earlier ones stay, raw ones stand beside."""
    bench = Bench(tmp_path)
    try:
        bench.hears(21.4, 0)
        bench.clock.set(NOW + timedelta(minutes=5))
        said = bench.run("calibrate", "air", "--ice", "0.4")
        bench.hears(21.4, 10)
        span = (NOW - timedelta(hours=1), NOW + timedelta(hours=1))
        stored = bench.service.store.read(["air", "air.raw"], *span).readings()
        listed = bench.run("calibrate", "air").output
        entries = calibrations_of(bench.service.ledger.entries())
    finally:
        bench.service.stop()

    assert "counts as 1 times what it shows, -0.4" in said.output
    assert [(reading.sensor, reading.value) for reading in stored] == [
        ("air", 21.4), ("air", pytest.approx(21.0)), ("air.raw", 21.4)
    ]  # fmt: skip
    assert "since Mon 2 Mar 12:05: 1 times what it shows, -0.4" in listed
    assert calibration_at(entries["air"], NOW) is None


def test_a_scale_is_sent_to_its_own_set_up(tmp_path: Path) -> None:
    """And a sensor that is not there is refused with those that are."""
    path = tmp_path / "farm.toml"
    path.write_text(TEXT.format(zone="Europe/Lisbon", more=sensor_text("s", "weight", "cellar/1/1")), encoding="utf-8")
    context = Context(farm_path=path, clock=lambda: NOW)
    scale = CliRunner().invoke(root, ["calibrate", "s", "--ice", "0"], obj=context)
    nobody = CliRunner().invoke(root, ["calibrate", "x", "--ice", "0"], obj=context)

    assert "traywarden scale setup s" in str(scale.exception)
    assert "there are: s" in str(nobody.exception)
