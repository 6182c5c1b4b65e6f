"""When to sow: the window is open on the day asked for, in every zone and through both clock changes."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, time, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.clock import at_local, local_day
from monitor.farm import Farm
from monitor.fold import fold
from monitor.ledger import EntryKind
from monitor.phases import Move, phase_now, spans
from monitor.profilefile import shipped_profiles
from monitor.profiles import Manner, PhaseKind, Profile
from monitor.sowby import (
    ENOUGH,
    MOST_LOSS,
    Basis,
    Loss,
    OwnRecord,
    lead_of,
    loss_of,
    next_day,
    own_record,
    sow_by,
    sow_day,
    with_spare,
)
from tests.support.farms import Book, farm

PROFILES = shipped_profiles()
ZONES = [
    "UTC", "Europe/Lisbon", "Europe/Berlin", "America/New_York", "America/St_Johns", "America/Santiago",
    "America/Phoenix", "Africa/Casablanca", "Asia/Kolkata", "Asia/Kathmandu", "Asia/Beirut", "Australia/Sydney",
    "Australia/Lord_Howe", "Australia/Adelaide", "Pacific/Chatham", "Pacific/Apia", "Pacific/Kiritimati",
]  # fmt: skip
FARM = farm(Path())


def changes_of(zone: str, year: int = 2026) -> list[date]:
    """Return the local days of a year on which a zone's clock is changed."""
    days = [date(year, 1, 1) + timedelta(days=n) for n in range(365)]
    there = ZoneInfo(zone)

    def offset(day: date) -> timedelta | None:
        return datetime.combine(day, time(12), tzinfo=there).utcoffset()

    return [day for day in days if offset(day) != offset(day - timedelta(days=1))]


def play(crop: str, sown_at: datetime, zone: ZoneInfo, at: datetime) -> PhaseKind:
    """Return the phase at an instant of trays whose moves were all entered on their usual days, at any hour."""
    profile = PROFILES[crop]
    book = Book(zone.key)
    book.sow(sown_at, crop, 4)
    for _ in range(3):
        batch = fold(book.entries)["1"]
        line = spans(batch, batch.standing[0], profile, now=sown_at, zone=zone)
        span = next(
            (
                each
                for each in line
                if each.window
                and each.move in (Move.UNCOVER, Move.END_BLACKOUT)
                and not (each.move is Move.UNCOVER and batch.standing[0].uncovered_at)
                and not (each.move is Move.END_BLACKOUT and batch.standing[0].lights_at)
            ),
            None,
        )
        if span is None or span.window is None:
            break
        kind = EntryKind.UNCOVERED if span.move is Move.UNCOVER else EntryKind.LIGHTS_ON
        moved_at = max(at_local(span.window.usual, time(9), zone), sown_at + timedelta(minutes=len(book.entries)))
        if moved_at > at:
            break
        book.add(kind, moved_at)
        sown_at = max(sown_at, moved_at)
    batch = fold(book.entries)["1"]
    return phase_now(batch, batch.standing[0], profile, now=at, zone=zone).kind


@given(
    crop=st.sampled_from(sorted(PROFILES)),
    zone=st.sampled_from(ZONES),
    asked_for=st.dates(date(2026, 1, 1), date(2027, 12, 31)),
    sown_in=st.times(),
    asked_in=st.times(),
)
def test_sown_on_the_usual_day_the_window_is_open_on_the_day(
    crop: str, zone: str, asked_for: date, sown_in: time, asked_in: time
) -> None:
    """Whatever the hour of the sowing and of the day asked for; and on the earliest and the latest day too."""
    there = ZoneInfo(zone)
    here = replace(FARM, zone=there)
    plan = sow_by(here, PROFILES[crop], asked_for, 4, [])
    asked_at = at_local(asked_for, asked_in, there)

    assert plan.earliest.on <= plan.usual.on <= plan.latest.on
    for day in (plan.earliest, plan.usual, plan.latest):
        sown_at = at_local(day.on, sown_in, there)
        if local_day(sown_at, there) != day.on or local_day(asked_at, there) != asked_for:
            continue  # an hour that the clock change leaves out
        assert play(crop, sown_at, there, asked_at) is PhaseKind.HARVEST, day.on


@pytest.mark.parametrize("zone", [each for each in ZONES if changes_of(each)])
@pytest.mark.parametrize("crop", ["radish", "pea", "basil", "celery", "corn", "sorrel"])
def test_the_window_is_open_across_both_clock_changes(zone: str, crop: str) -> None:
    """For every day asked for whose growing time holds a change of the clock, sown and asked for near midnight."""
    there = ZoneInfo(zone)
    here = replace(FARM, zone=there)
    changes = changes_of(zone)
    lead = lead_of(PROFILES[crop])

    assert len(changes) >= 2
    for change in changes:
        for asked_for in (change, change + timedelta(days=1), change + timedelta(days=lead.usual)):
            plan = sow_by(here, PROFILES[crop], asked_for, 4, [])
            for sown_in, asked_in in ((time(0, 5), time(23, 55)), (time(23, 55), time(0, 5))):
                sown_at = at_local(plan.usual.on, sown_in, there)
                asked_at = at_local(asked_for, asked_in, there)
                if local_day(sown_at, there) == plan.usual.on and local_day(asked_at, there) == asked_for:
                    assert play(crop, sown_at, there, asked_at) is PhaseKind.HARVEST


@given(
    crop=st.sampled_from(sorted(crop for crop, profile in PROFILES.items() if profile.soak_hours)),
    zone=st.sampled_from(ZONES),
    on=st.dates(date(2026, 1, 1), date(2026, 12, 31)),
    rounds=st.sets(st.times().map(lambda each: each.replace(second=0, microsecond=0)), min_size=1, max_size=3),
)
def test_a_soak_is_as_long_as_the_profile_has_it(crop: str, zone: str, on: date, rounds: set[time]) -> None:
    """By elapsed hours, through clock changes too; it is sown on its day, and the soak's start names the day."""
    here = replace(FARM, zone=ZoneInfo(zone), rounds=tuple(sorted(rounds)))
    hours = PROFILES[crop].soak_hours
    day = sow_day(here, PROFILES[crop], on)

    assert hours is not None
    assert day.soak_at is not None
    assert hours.low <= (day.sow_at - day.soak_at) / timedelta(hours=1) <= hours.high
    assert day.soak_at <= day.latest_start_at <= day.sow_at
    assert day.start_on(here.zone) == local_day(day.soak_at, here.zone) <= day.on


def test_a_soak_lies_between_two_rounds_where_they_fit() -> None:
    """Pea soaks 6 to 12 hours, usually 9: from the morning's round to the evening's."""
    day = sow_day(FARM, PROFILES["pea"], date(2026, 3, 13))

    assert day.soak_at == datetime.fromisoformat("2026-03-13T07:30+00:00")
    assert day.sow_at == datetime.fromisoformat("2026-03-13T17:00+00:00")


def test_with_one_round_the_soak_begins_at_its_own_hour() -> None:
    """Nine hours before the only round."""
    day = sow_day(replace(FARM, rounds=(time(7, 30),)), PROFILES["pea"], date(2026, 3, 13))

    assert day.soak_at == datetime.fromisoformat("2026-03-12T22:30+00:00")


def batches_cut_after(days: list[int], *, discarded: int = 0) -> Book:
    """Return batches of radish of eight trays, a week apart, each cut after so many days and then over."""
    book = Book()
    for number, after in enumerate(days):
        sown = book.at("2026-01-05") + timedelta(days=7 * number)
        batch = str(number + 1)
        book.sow(sown, "radish", 8, batch)
        if discarded:
            book.add(EntryKind.DISCARDED, sown + timedelta(days=3), batch, trays=discarded, data={"why": "mould"})
        if discarded < 8:
            book.add(EntryKind.HARVESTED, sown + timedelta(days=after), batch)
    return book


def lead_after(days: list[int], *, discarded: int = 0) -> tuple[Basis, int]:
    """Return by whose days radish is sown after such batches, and the usual day."""
    book = batches_cut_after(days, discarded=discarded)
    lead = lead_of(PROFILES["radish"], own_record(fold(book.entries).values(), "radish", book.zone))
    return lead.basis, lead.usual


@pytest.mark.parametrize(
    ("days", "discarded", "expected"),
    [
        pytest.param([9, 9, 9, 9], 0, (Basis.PROFILE, 8), id="four batches are too few"),
        pytest.param([9, 9, 9, 9, 9], 0, (Basis.OWN, 9), id="five count"),
        pytest.param([9, 9, 9, 9, 6], 0, (Basis.OWN, 9), id="one odd batch moves nothing"),
        pytest.param([9, 9, 9, 9, 9], 5, (Basis.PROFILE, 8), id="batches mostly thrown away did not come good"),
        pytest.param([14] * 5, 0, (Basis.OWN, 10), id="held within the last day of the profile"),
        pytest.param([3] * 5, 0, (Basis.OWN, 6), id="held within the first day of the profile"),
        pytest.param([7] * 10 + [9] * 10, 0, (Basis.OWN, 9), id="the newest ten count"),
    ],
)
def test_own_days_stand_for_the_profiles_once_five_came_good(
    days: list[int], discarded: int, expected: tuple[Basis, int]
) -> None:
    """The middle of the newest batches; radish is usually cut on day 8 by the profile, between 6 and 10."""
    assert lead_after(days, discarded=discarded) == expected


def test_own_losses_stand_for_farm_toml_once_five_are_over() -> None:
    """Two of eight trays thrown away each time is a quarter; fewer batches leave loss_percent in force."""
    losing = replace(FARM, loss_trays_pct=4.0)
    book = batches_cut_after([8] * ENOUGH, discarded=2)
    batches = fold(book.entries).values()
    few = [batch for batch in batches if batch.id != "1"]

    assert loss_of(losing, own_record(batches, "radish", book.zone)) == Loss(share=0.25, basis=Basis.OWN, batches=5)
    assert loss_of(losing, own_record(few, "radish", book.zone)) == Loss(share=0.04, basis=Basis.FARM_FILE)


def test_a_crop_that_was_always_lost_asks_for_double_and_no_more() -> None:
    """Sowing without end is no answer to losing everything."""
    record = OwnRecord(over=6, sown=48, lost=48)

    assert with_spare(10, loss_of(FARM, record)) == round(10 / (1 - MOST_LOSS))


@given(st.integers(1, 500), st.floats(0, MOST_LOSS))
def test_spare_trays_cover_the_usual_loss_and_no_more(trays: int, share: float) -> None:
    """What is left after the loss is enough, and one tray fewer would not be."""
    to_sow = with_spare(trays, Loss(share=share, basis=Basis.OWN))

    assert to_sow * (1 - share) >= trays - 1e-6
    assert (to_sow - 1) * (1 - share) < trays


def test_living_trays_may_be_sown_earlier_by_their_holding_days() -> None:
    """Basil holds for up to 14 days after its usual cut."""
    profile: Profile = PROFILES["basil"]
    living = sow_by(FARM, profile, date(2026, 4, 30), 4, [], living=True)

    assert (date(2026, 4, 30) - living.earliest.on).days == 14 + 14
    assert living.latest == sow_by(FARM, profile, date(2026, 4, 30), 4, []).latest


def test_a_usual_day_that_is_past_gives_the_next_one() -> None:
    """It is still sown in time, at the first hour that is left."""
    here: Farm = FARM
    plan = sow_by(here, PROFILES["pea"], date(2026, 3, 13), 4, [])
    late = next_day(here, PROFILES["pea"], plan, datetime.fromisoformat("2026-03-03T12:00+00:00"))

    assert (plan.usual.on, late.on) == (date(2026, 3, 3), date(2026, 3, 4))


def test_every_shipped_crop_has_a_lead() -> None:
    """The usual day lies in the window, and trays are uncovered and lit before it opens."""
    for profile in PROFILES.values():
        lead = lead_of(profile)

        assert lead.uncover <= lead.light <= lead.opens <= lead.usual <= lead.closes, profile.id
        assert profile.manner is not Manner.OPEN or lead.uncover == lead.light
