"""What a farm's own good batches propose for a profile, and that nothing is changed by itself."""

from __future__ import annotations

import tomllib
from pathlib import Path

import numpy as np
import pytest

from monitor.banded import Series
from monitor.profilefile import parse_profile, shipped_texts
from monitor.profiles import PhaseKind
from monitor.suggest import Proposed, edges, median_interval
from monitor.suggestfile import suggested_text
from tests.support.simulated import BadBatch


# [CONOVER] the sign test's interval: for 6 values lowest and highest, 1 - 2/64 = 96.9 %; for 5 even those give 93.75 %.
@pytest.mark.parametrize(
    ("values", "interval"),
    [([1, 2, 3, 4, 5], None), ([6, 1, 2, 3, 4, 5], (1, 6)), (list(range(1, 10)), (2, 8)), ([], None)],
)
def test_the_middle_ones_interval_is_exact(values: list[float], interval: tuple[float, float] | None) -> None:
    """Nine values: all but the outermost, 1 - 2 (1 + 9) / 512 = 96.1 %."""
    assert median_interval(values) == interval


def test_the_interval_holds_the_middle_as_often_as_it_says() -> None:
    """On lopsided numbers whose middle is known, in at least 95 of 100 samples."""
    rng = np.random.default_rng(5)
    samples = [median_interval(rng.exponential(1.0, 11).tolist()) for _ in range(2000)]
    held = [low <= np.log(2) <= high for low, high in (each for each in samples if each is not None)]

    assert np.mean(held) > 0.95 - 0.01


def test_edges_go_by_time_and_not_by_readings() -> None:
    """A sensor that speaks oftener while it is hot does not make the heat last longer."""
    at_ms = np.concatenate((np.arange(0, 95) * 60_000, 95 * 60_000 + np.arange(0, 300) * 1000)).astype(np.int64)
    value = np.concatenate((np.full(95, 20.0), np.full(300, 30.0)))
    series = Series(at_ms=at_ms, value=value, speaks_ms=60_000)

    assert edges(series, 0, 100 * 60_000 - 30_000) == (20.0, 20.0)


def test_a_figure_that_the_profile_would_refuse_is_left_out() -> None:
    """A band upside down stays as it was; the days are put in, with whose they are."""
    days = Proposed(phase=PhaseKind.GERMINATION, key="days", low=3, usual=4, high=5, interval=None, batches=7)
    wrong = Proposed(phase=PhaseKind.LIGHT, key="temperature", low=30, usual=None, high=12, interval=None, batches=7)
    text, left_out = suggested_text(shipped_texts()["radish"], [days, wrong], "radish.toml")
    profile = parse_profile(text, file="radish.toml")

    assert left_out == (wrong,)
    found = profile.plan(PhaseKind.GERMINATION)
    assert found is not None
    assert (found.days.low, found.days.usual, found.days.high) == (3, 4, 5)
    assert found.days.source == "the farm's own 7 good batches"


def test_typed_it_proposes_and_changes_nothing(tmp_path: Path) -> None:
    """The file can be read back; the farm's profiles are as before; too few batches are refused."""
    farm = BadBatch(tmp_path, "seed lot", seed=1)
    crop = farm.case.lives[-1].profile.id
    facts = farm.json("profiles", "suggest", crop)
    text = farm.says("profiles", "suggest", crop, "--toml")

    assert facts["schema"] == "traywarden.profile-suggestion/1"
    assert len(facts["batches"]) >= 3
    keys = {(each["phase"], each["key"]) for each in facts["proposed"]}
    assert {("germination", "temperature"), ("harvest window", "days"), (None, "g_per_tray")} <= keys
    assert tomllib.loads(text)["crop"] == crop
    assert "the farm's own" in text
    assert "the farm's own" not in farm.says("profiles", "show", crop)
    assert "0 good batches" in farm.refuses("profiles", "suggest", "wheatgrass")
