"""Sow, Alarms and Ahead as data: what they say of a house in which something of everything stands."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest

from alerts.alarms import AlarmState
from alerts.findings import Priority
from dashboards.pages.ahead import AheadPage, build_ahead
from dashboards.pages.alarms import AlarmsPage, build_alarms
from dashboards.pages.sow import SowForm, SowPage, build_sow, when_of
from monitor.clock import local_day
from monitor.desk import Desk
from monitor.ledger import EntryKind, NewEntry
from tests.support.busy import alarm, busy
from tests.support.houses import Lodge, lodge


@pytest.fixture
def house(tmp_path: Path) -> Iterator[Lodge]:
    """Return a house in which something of everything stands."""
    made = busy(tmp_path)
    yield made
    made.close()


def desk(house: Lodge, at: str | None = None) -> Desk:
    """Return a desk at the house's clock."""
    return Desk(house.farm, house.profiles, house.ledger.entries(), now=house.clock(), at=at)


def sow(house: Lodge, **typed: str) -> SowPage:
    """Return the Sow page after something was typed."""
    return build_sow(desk(house), SowForm(**typed), asked=True, nonce="n")


def alarms(house: Lodge) -> AlarmsPage:
    """Return the Alarms page."""
    assert house.alarms is not None
    return build_alarms(house.farm, house.alarms, house.ledger.entries(), now=house.clock(), nonce="n")


def ahead(house: Lodge) -> AheadPage:
    """Return the Ahead page."""
    tick = house.house().lookout.tick(house.clock())
    return build_ahead(desk(house), tick, weeks=4, nonce="n")


def test_a_sowing_shows_its_days_and_its_seed_before_it_is_saved(house: Lodge) -> None:
    """The profile's grams for the number of trays, each phase with its day, the whole window of the cut."""
    page = sow(house, crop="Radish", trays="8", spot="cellar/1/1", lot="r-77")

    assert page.wrong == ""
    assert page.preview is not None
    assert page.preview.says == "8 trays of radish, lot R-77 on rack 1 shelf 1, as batch 6."
    assert page.preview.seed == "35 g of seed in each tray, 280 g in all."
    assert [(day.when, day.what) for day in page.preview.days] == [
        ("Wed 4 Mar", "Sown, stacked in the dark"),
        ("Fri 6 Mar", "Uncover, under its blackout cover"),
        ("Sat 7 Mar", "Into the light"),
        ("Tue 10 Mar", "May be cut"),
        ("Sun 15 Mar", "Past its best"),
    ]
    assert len(house.ledger.entries()) == len(desk(house).entries)


def test_a_soak_goes_on_as_its_batch(house: Lodge) -> None:
    """Nobody says how many trays: as many as the soak was meant for, from its lot."""
    page = sow(house, crop="pea")

    assert page.preview is not None
    assert page.preview.says.startswith("4 trays of pea, lot P-1, as batch 5")
    assert page.preview.goes_on == "Batch 5 is soaking; it goes on."


@pytest.mark.parametrize(
    ("typed", "wrong"),
    [
        pytest.param({"crop": "raddish", "trays": "2"}, "did you mean radish", id="a crop that nobody knows"),
        pytest.param({"crop": "radish"}, "Say how many trays were sown.", id="no number of trays"),
        pytest.param({"crop": "radish", "trays": "-2"}, "no number of trays", id="fewer than none"),
        pytest.param({"crop": "radish", "trays": "2", "grams": "much"}, "much", id="no weight"),
        pytest.param({"crop": "radish", "trays": "2", "spot": "attic"}, "attic", id="no such place"),
        pytest.param({"trays": "2"}, "Say what is sown.", id="no crop"),
    ],
)
def test_what_cannot_be_sown_is_said_and_what_was_typed_stays(house: Lodge, typed: dict[str, str], wrong: str) -> None:
    """No option of the command line is named."""
    page = sow(house, **typed)

    assert page.preview is None
    assert wrong in page.wrong
    assert "--" not in page.wrong
    assert page.form == SowForm(**typed)


def test_what_speaks_against_a_sowing_stands_beside_its_days(house: Lodge) -> None:
    """Treated seed, twice the profile's weight, and a lot of another crop."""
    page = sow(house, crop="radish", trays="2", grams="90", treated="yes", lot="P-1")

    assert page.preview is not None
    mind = " ".join(page.preview.mind)
    assert "TREATED SEED IS NOT FOR EATING" in mind
    assert "thicker than the profile's" in mind
    assert "lot P-1 is pea, not radish" in mind.replace("Lot", "lot")


def test_places_say_how_full_they_are_and_lots_what_is_left(house: Lodge) -> None:
    """Eight of twelve places; the lot's grams by the book."""
    page = sow(house, crop="radish", trays="1")

    assert ("cellar/1/1", "rack 1 shelf 1 (8 of 12 places taken)") in page.places
    assert dict(page.lots)["R-77"] == "radish, 2.26 kg left"
    assert "Empty: 35 g, as the profile of radish has it" in page.grams_hint


def test_a_day_that_is_past_is_the_time_of_the_sowing(house: Lodge) -> None:
    """Yesterday at half past six; today without a time is now."""
    today = local_day(house.clock(), house.farm.zone)
    yesterday = (today - timedelta(days=1)).isoformat()

    assert when_of(SowForm(), house.clock(), today) is None
    assert when_of(SowForm(day=today.isoformat()), house.clock(), today) is None
    at = when_of(SowForm(day=yesterday, time="06:30"), house.clock(), today)
    page = build_sow(desk(house, at), SowForm(crop="radish", trays="1"), asked=True, nonce="n")
    assert page.preview is not None
    assert page.preview.days[0].when == "Tue 3 Mar"


def test_alarms_stand_by_what_they_ask_for(house: Lodge) -> None:
    """Wrong now, over and not looked at, put aside: each with its words, the worst first."""
    page = alarms(house)

    assert page.says == "One thing is wrong now."
    assert [(line.what, line.state, line.is_urgent) for line in page.wrong] == [
        ("Too cold", "wrong now, nobody has answered", True)
    ]
    assert [line.state for line in page.over] == ["back to normal, nobody has looked"]
    assert page.waiting == 2
    assert page.aside == ()
    assert page.record[0].what.startswith("Too cold, ")


def test_a_word_counts_before_the_monitor_looks_again(house: Lodge) -> None:
    """Seen, and put aside: the page says so at once, though the table of alarms is as it was."""
    assert house.alarms is not None
    cold, damp = house.alarms
    now = house.clock()
    data = {"alarm": damp, "until": (now + timedelta(hours=4)).isoformat(), "why": "door open for cleaning"}
    house.enter(NewEntry(kind=EntryKind.HEARD, at=now - timedelta(minutes=1), by="tomek", data={"alarm": cold}))
    house.enter(NewEntry(kind=EntryKind.SHELVED, at=now, by="ines", data=data))

    page = alarms(house)

    assert page.wrong[0].state == "wrong now, tomek is on it"
    assert not page.wrong[0].waits
    assert page.over == ()
    assert page.aside[0].state == "put aside until Wed 4 Mar 13:00 (door open for cleaning)"
    assert page.aside[0].back == "shelf"
    assert page.record[0].what.startswith("Too damp, cellar: put aside until Wed 4 Mar 13:00")
    assert page.record[0].who == "ines"


def test_a_room_that_does_not_reach_its_band_may_be_accepted(house: Lodge) -> None:
    """And nothing else may."""
    stays = alarm(house.clock(), rule="room stays too cold", priority=Priority.MEDIUM, batch=None)
    house.alarms = {**(house.alarms or {}), stays.key: stays}

    page = alarms(house)

    assert [line.what for line in page.wrong if line.may_accept] == ["Room stays too cold"]


def test_a_quiet_farm_says_that_nothing_is_wrong(tmp_path: Path) -> None:
    """One sentence."""
    house = lodge(tmp_path)

    assert build_alarms(house.farm, {}, (), now=house.clock(), nonce="n").says == "Nothing is wrong."
    house.close()


def test_what_returned_by_itself_is_told_though_nothing_is_wrong(house: Lodge) -> None:
    """Nobody has looked yet."""
    back = alarm(house.clock(), state=AlarmState.RETURNED_UNACKNOWLEDGED)
    house.alarms = {back.key: back}

    assert alarms(house).says == "Nothing is wrong. Something was; nobody has looked yet."


def test_ahead_says_holds_first_then_what_runs_short(house: Lodge) -> None:
    """What it reaches, what cannot be met and why."""
    page = ahead(house)

    assert page.hold_head == "ON HOLD: do not cut, do not deliver"
    assert page.holds[0].says == "Batch 2, since Wed 4 Mar 07:00: the bag smelled of petrol (ines)"
    assert "Still here: 4 trays of batch 2 basil-thai: rack 1 shelf 2" in page.holds[0].reach
    assert page.short == (
        "P3 to the corner table on Thu 5 Mar: 4 trays of pea cannot be met, too late to sow: the last day was "
        "Tue 24 Feb.",
    )


def test_each_promise_shows_what_stands_for_its_days_and_when_to_sow(house: Lodge) -> None:
    """The first Monday stands, the next ones lead to the Sow page with crop and trays; the late one leads nowhere."""
    weekly, basil, late = ahead(house).promises

    assert weekly.says == "6 trays of radish to the corner table every week on Mon, from Mon 9 Mar"
    assert [day.state for day in weekly.days] == ["stands", "to sow", "to sow", "to sow"]
    assert weekly.days[1].sow == "/sow?look=1&crop=radish&trays=6"
    assert basil.days[0].sow.startswith("/sow?look=1&crop=basil&")
    assert (late.days[0].state, late.days[0].is_bad, late.days[0].sow) == ("too late", True, "")
    assert (weekly.form.trays, weekly.form.every, weekly.form.living) == ("6", "7 days", "")


def test_ready_counts_what_is_free(house: Lodge) -> None:
    """Sunday: eight radish trays, six of them kept for Monday's promise."""
    sunday = next(day for day in ahead(house).ready if day.when == "Sun 8 Mar")

    assert sunday.lines == (("Radish", "8", "-", "", "2"),)


def test_the_plan_lays_out_its_sowings_by_day(house: Lodge) -> None:
    """Each with its seed and its shelf, and a way to the Sow page."""
    page = ahead(house)

    assert [day for day, _ in page.sow] == ["Sun 8 Mar", "Tue 10 Mar", "Sun 15 Mar", "Sun 22 Mar"]
    first = page.sow[0][1][0]
    assert first.says.startswith("Radish: sow 6 trays (6 for P1 the corner table Mon 16 Mar); seed 210 g")
    assert first.sow == "/sow?look=1&crop=radish&trays=6"
    assert page.covers == (("ines", "tomek walks ines's rounds, now, Wed 4 Mar to Wed 4 Mar: left drawer"),)
