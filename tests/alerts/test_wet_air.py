"""Condensation, still air and the weather of diseases."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pytest

from alerts.findings import Finding
from alerts.rules.disease import run_h
from monitor.ledger import EntryKind
from tests.support.air import Course, found, moment
from tests.support.farms import Book, farm, sensor_text

SENSORS = "".join(
    sensor_text(f"{kind[0]}{shelf}", kind, f"cellar/1/{shelf}")
    for kind in ("temperature", "humidity")
    for shelf in (1, 2, 3)
)
PLAIN: Mapping[str, Course | float] = {"t1": 21.0, "t2": 21.0, "t3": 21.0, "h1": 60.0, "h2": 60.0, "h3": 60.0}
RULES = ("condensation", "still air", "grey mould weather", "mildew weather", "mould weather", "too damp")


def told(
    folder: Path, crop: str, changed: Mapping[str, Course | float], *, clock: str = "12:00", covered: bool = False
) -> list[Finding]:
    """Return what is found of wet air over trays of a crop on shelf 1."""
    book = Book()
    now = book.at("2026-03-20", clock)
    book.sow(book.at("2026-03-19" if covered else "2026-03-10"), crop, 4)
    if not covered:
        book.add(EntryKind.UNCOVERED, book.at("2026-03-15"))
        book.add(EntryKind.LIGHTS_ON, book.at("2026-03-16"))
    return found(moment(farm(folder, more=SENSORS), book, now, {**PLAIN, **changed}), *RULES)


def lately(hours: float, value: float, else_: float) -> Course:
    """Return a course that has had a value for some hours, and another one before."""
    return lambda before: value if before <= hours else else_


@pytest.mark.parametrize(
    ("changed", "rules"),
    [
        pytest.param({}, [], id="a good room"),
        pytest.param({"t3": lately(2.6, 12.5, 21.0)}, ["condensation"], id="a cold corner under the dew point of 12.9"),
        pytest.param({"t3": lately(2.6, 13.9, 21.0)}, [], id="a cool corner above it"),
        pytest.param({"t3": lately(0.9, 12.5, 21.0)}, [], id="not for an hour yet"),
        pytest.param({"h1": lately(3.0, 78.0, 60.0)}, ["still air"], id="damp here, not at its neighbours"),
        pytest.param({name: lately(3.0, 78.0, 60.0) for name in ("h1", "h2", "h3")}, [], id="damp everywhere"),
    ],
)
def test_wet_and_still_air(tmp_path: Path, changed: Mapping[str, Course | float], rules: list[str]) -> None:
    """[FAO56] eq. 14: the dew point of 21 degC and 60 % is 12.9 degC."""
    assert [finding.rule for finding in told(tmp_path, "kale", changed)] == rules


def test_under_a_cover_none_of_it_is_judged(tmp_path: Path) -> None:
    """Trays in their pile stand in damp air by design."""
    assert told(tmp_path, "kale", {"t3": 10.0, "h1": 95.0}, covered=True) == []


@pytest.mark.parametrize(
    ("hours", "temp_c", "named"),
    [(8.1, 16.0, True), (7.4, 16.0, False), (9.0, 19.5, False)],
)
def test_grey_mould_by_its_published_threshold(tmp_path: Path, hours: float, temp_c: float, named: bool) -> None:
    """[UMASS-BOTRYTIS] 93 % for eight hours at 13 to 18 degC (55 to 65 degF)."""
    damp = {name: lately(hours, 93.5, 60.0) for name in ("h1", "h2", "h3")}
    warm = dict.fromkeys(("t1", "t2", "t3"), temp_c)
    rules = [finding.rule for finding in told(tmp_path, "kale", {**damp, **warm})]

    assert ("grey mould weather" in rules) is named


@pytest.mark.parametrize(
    ("crop", "hours", "clock", "words"),
    [
        pytest.param("basil", 4.1, "12:00", "take hold", id="four hours infect"),
        pytest.param("basil", 3.4, "12:00", None, id="three and a half do not"),
        pytest.param("basil", 7.7, "05:40", "spread", id="seven and a half by night let it spread"),
        pytest.param("basil", 7.6, "12:00", "take hold", id="by day they do not"),
        pytest.param("kale", 7.7, "05:40", None, id="no other crop"),
    ],
)
def test_basil_mildew_by_its_published_thresholds(
    tmp_path: Path, crop: str, hours: float, clock: str, words: str | None
) -> None:
    """[BASIL-MILDEW] 4 h of wet leaf, 7.5 h at 95 % in the dark; that air of 95 % wets a leaf is ours."""
    damp = {name: lately(hours, 95.5, 60.0) for name in ("h1", "h2", "h3")}
    listed = [each for each in told(tmp_path, crop, damp, clock=clock) if each.rule == "mildew weather"]

    assert bool(listed) is (words is not None)
    assert all(words is not None and words in each.cause for each in listed)


def test_a_run_counts_back_from_now() -> None:
    """Half hours, newest first."""
    assert run_h(np.array([True, True, False, True])) == 1.0
