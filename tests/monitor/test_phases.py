"""Which phase trays are in, by entry, by presumption, by time alone; local days through clock changes."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from monitor.fold import fold
from monitor.ledger import EntryKind
from monitor.phases import HeatSoFar, Standing, drain_window, harvest_window, holding_until, phase_now, spans
from monitor.profilefile import shipped_profiles
from monitor.profiles import PhaseKind
from tests.support.farms import Book

PROFILES = shipped_profiles()
ZONES = ["Europe/Lisbon", "Australia/Sydney", "America/Phoenix", "America/New_York", "Australia/Lord_Howe"]


def test_an_uncovered_batch_is_in_blackout_until_the_light() -> None:
    """Entries move the phases, and the window of the next move counts from the day of the last."""
    book = Book()
    book.sow(book.at("2026-03-02"), "basil", 4)
    book.add(EntryKind.UNCOVERED, book.at("2026-03-08", "08:00"))
    batch = fold(book.entries)["1"]

    span = phase_now(batch, batch.parts[0], PROFILES["basil"], now=book.at("2026-03-09"), zone=book.zone)

    assert (span.kind, span.standing) == (PhaseKind.BLACKOUT, Standing.ENTERED)
    assert span.window is not None
    assert (span.window.earliest, span.window.usual, span.window.latest) == (
        date(2026, 3, 9),
        date(2026, 3, 10),
        date(2026, 3, 11),
    )


def test_what_nobody_entered_is_presumed_after_its_latest_day() -> None:
    """A grower who enters nothing still gets the later phases, marked as presumed."""
    book = Book()
    book.sow(book.at("2026-03-02"), "basil", 4)
    batch = fold(book.entries)["1"]

    def kind_on(day: str) -> tuple[PhaseKind, Standing]:
        span = phase_now(batch, batch.parts[0], PROFILES["basil"], now=book.at(day), zone=book.zone)
        return span.kind, span.standing

    assert kind_on("2026-03-08") == (PhaseKind.GERMINATION, Standing.ENTERED)  # day 6, the latest
    assert kind_on("2026-03-09") == (PhaseKind.BLACKOUT, Standing.PRESUMED)
    assert kind_on("2026-03-13") == (PhaseKind.LIGHT, Standing.PRESUMED)


def test_what_was_answered_with_not_yet_is_not_presumed_done() -> None:
    """On its latest day the gel was still shiny; the next morning the program took the tray as uncovered."""
    book = Book()
    book.sow(book.at("2026-03-02"), "basil", 4)
    book.add(EntryKind.NOT_YET, book.at("2026-03-08", "07:40"), data={"task": "uncover", "until": None})
    batch = fold(book.entries)["1"]

    def kind_on(day: str) -> tuple[PhaseKind, Standing]:
        span = phase_now(batch, batch.parts[0], PROFILES["basil"], now=book.at(day), zone=book.zone)
        return span.kind, span.standing

    assert kind_on("2026-03-09") == (PhaseKind.GERMINATION, Standing.ENTERED)
    assert kind_on("2026-03-10") == (PhaseKind.BLACKOUT, Standing.PRESUMED)


def test_an_entry_replaces_a_presumption() -> None:
    """Entered late, with its own day, the uncovering is where the person says."""
    book = Book()
    book.sow(book.at("2026-03-02"), "basil", 4)
    book.add(EntryKind.UNCOVERED, book.at("2026-03-10"))
    batch = fold(book.entries)["1"]

    span = phase_now(batch, batch.parts[0], PROFILES["basil"], now=book.at("2026-03-10", "10:00"), zone=book.zone)

    assert (span.kind, span.standing, span.begins_on) == (PhaseKind.BLACKOUT, Standing.ENTERED, date(2026, 3, 10))


def test_a_crop_without_light_goes_from_the_dark_to_harvest() -> None:
    """Popcorn shoots are never brought into the light."""
    book = Book()
    book.sow(book.at("2026-03-02"), "corn", 4)
    book.add(EntryKind.UNCOVERED, book.at("2026-03-05"))
    batch = fold(book.entries)["1"]

    kinds = [s.kind for s in spans(batch, batch.parts[0], PROFILES["corn"], now=book.at("2026-03-06"), zone=book.zone)]

    assert kinds == [PhaseKind.GERMINATION, PhaseKind.BLACKOUT, PhaseKind.HARVEST, PhaseKind.OVERGROWN]


def test_a_late_light_moves_the_harvest() -> None:
    """The window never opens before the shortest time in the light, and closes as much later as the light was late."""
    window = harvest_window(PROFILES["radish"], date(2026, 3, 2), date(2026, 3, 9))

    assert (window.earliest, window.latest) == (date(2026, 3, 12), date(2026, 3, 16))


def test_basil_holds_one_to_two_weeks_as_a_living_tray() -> None:
    """Common practice, no source: ready from about day 12, and 7 to 14 days more living."""
    window = harvest_window(PROFILES["basil"], date(2026, 3, 2), date(2026, 3, 9))

    assert window.earliest == date(2026, 3, 14)
    assert holding_until(PROFILES["basil"], window) == date(2026, 3, 30)


def test_a_soak_never_lasts_longer_than_a_day() -> None:
    """More than 24 h drowns seed (common practice, no source), whatever the profile's span says."""
    book = Book()
    book.add(EntryKind.SOAKED, book.at("2026-03-02", "20:00"), data={"crop": "beet"})
    marks = drain_window(fold(book.entries)["1"], PROFILES["beet"])

    assert marks is not None
    assert marks[2] - book.at("2026-03-02", "20:00") == timedelta(hours=24)


@pytest.mark.parametrize(
    ("mean_c", "usual_day"),
    [
        pytest.param(25.5, 5, id="as warm as the band's middle"),
        pytest.param(20.0, 6, id="cold: later, not after the latest"),
        pytest.param(30.0, 4, id="warm: sooner, not before the earliest"),
        pytest.param(9.0, 6, id="under the base: the latest"),
    ],
)
def test_heat_moves_the_usual_day_within_its_ends(mean_c: float, usual_day: int) -> None:
    """Basil's base is 10 degC and its band's middle 25 degC; the days scale with warmth over base."""
    book = Book()
    book.sow(book.at("2026-03-02"), "basil", 4)
    batch = fold(book.entries)["1"]
    heat = HeatSoFar(mean_temp_c=mean_c, hours=48)

    span = phase_now(batch, batch.parts[0], PROFILES["basil"], now=book.at("2026-03-04"), zone=book.zone, heat=heat)

    assert span.window is not None
    assert (span.window.usual - date(2026, 3, 2)).days == usual_day


# Clock changes of 2026 as the tz database has them (trade calendar rules, tz 2025b).
@pytest.mark.parametrize(
    ("zone", "sown"),
    [
        ("America/New_York", "2026-03-06"),
        ("America/New_York", "2026-10-30"),
        ("Australia/Sydney", "2026-04-03"),
        ("Australia/Sydney", "2026-10-02"),
        ("Australia/Lord_Howe", "2026-10-02"),
        ("Europe/Lisbon", "2026-03-27"),
        ("America/Phoenix", "2026-03-06"),
        ("Europe/Lisbon", "2028-02-27"),  # a leap day
        ("Europe/Lisbon", "2028-02-29"),
    ],
)
def test_days_are_calendar_days_through_clock_changes(zone: str, sown: str) -> None:
    """Sown at 23:50, day 5 is the fifth local day after, whatever the clock does meanwhile."""
    book = Book(zone)
    book.sow(book.at(sown, "23:50"), "basil", 1)
    batch = fold(book.entries)["1"]

    span = phase_now(batch, batch.parts[0], PROFILES["basil"], now=book.at(sown, "23:55"), zone=book.zone)

    assert span.window is not None
    assert span.window.usual == date.fromisoformat(sown) + timedelta(days=5)


MOVES = st.lists(
    st.tuples(st.sampled_from([EntryKind.UNCOVERED, EntryKind.LIGHTS_ON]), st.integers(1, 24 * 12)),
    max_size=2,
    unique_by=lambda move: move[0],
)


@settings(max_examples=120, deadline=None)
@example(crop="corn", zone="Europe/Lisbon", start_h=0, moves=[(EntryKind.UNCOVERED, 288)])  # after its whole window
@given(
    crop=st.sampled_from(sorted(PROFILES)), zone=st.sampled_from(ZONES), start_h=st.integers(0, 24 * 365), moves=MOVES
)
def test_phases_follow_each_other_without_holes(
    crop: str, zone: str, start_h: int, moves: list[tuple[EntryKind, int]]
) -> None:
    """Windows are ordered, phases join, time never moves a phase back, and order of recording does not matter."""
    book = Book(zone)
    sown_at = datetime(2026, 1, 1, tzinfo=UTC) + timedelta(hours=start_h)
    book.sow(sown_at, crop, 3)
    hours = dict(moves)
    if EntryKind.LIGHTS_ON in hours and hours.get(EntryKind.UNCOVERED, 0) >= hours[EntryKind.LIGHTS_ON]:
        del hours[EntryKind.UNCOVERED]
    for kind, hour in hours.items():
        book.add(kind, sown_at + timedelta(hours=hour))
    batch, again = fold(book.entries)["1"], fold(reversed(book.entries))["1"]
    order = list(PhaseKind)
    last = -1
    for day in range(0, 45, 2):
        now = sown_at + timedelta(days=day)
        line = spans(batch, batch.parts[0], PROFILES[crop], now=now, zone=ZoneInfo(zone))
        for before, after in pairwise(line):
            assert before.begins_on <= after.begins_on
            assert before.ends_on == after.begins_on
        for span in line:
            if span.window is not None:
                assert span.window.earliest <= span.window.usual <= span.window.latest
        present = phase_now(batch, batch.parts[0], PROFILES[crop], now=now, zone=ZoneInfo(zone))
        if any(now - timedelta(days=2) < sown_at + timedelta(hours=hour) <= now for hour in hours.values()):
            last = -1  # a person's entry may take a presumption back; time alone never does
        assert order.index(present.kind) >= last
        last = order.index(present.kind)
        assert present == phase_now(again, again.parts[0], PROFILES[crop], now=now, zone=ZoneInfo(zone))
