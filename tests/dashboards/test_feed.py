"""The calendar of coming tasks: read back by another library, and held to the rules of [RFC5545]."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from io import StringIO
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from dateutil.tz import tzical
from ical.calendar import Calendar
from ical.calendar_stream import IcsCalendarStream

from alerts.findings import Tick
from dashboards.feed import FeedEntry, Revision, feed_entries, keep_revisions, read_revisions, revised, to_icalendar
from dashboards.feedbook import pages_address
from dashboards.zonerules import clock_changes, zone_component
from monitor.fold import fold_as_of
from monitor.ledger import EntryKind, effective
from monitor.live import LiveBuffer
from tests.support.farms import Book, farm
from tests.support.stage import PROFILES

FARM = farm(Path("unused"))


def entries_at(book: Book, now: datetime, url: str | None = "https://saltcellar.example/") -> tuple[FeedEntry, ...]:
    """Return the calendar's entries at an instant."""
    tick = Tick(
        now=now,
        farm=FARM,
        profiles=PROFILES,
        batches=fold_as_of(book.entries, now),
        live=LiveBuffer(),
        watching_since=now,
        entries=tuple(entry for entry in effective(book.entries) if entry.at <= now),
    )
    return feed_entries(tick, ledger_began=book.entries[0].recorded_at, url=url)


def two_sowings() -> Book:
    """Return radish and basil, sown on both sides of the spring change of clocks, with letters that need escaping."""
    book = Book()
    book.sow(book.at("2026-03-27"), "radish", 8)
    book.sow(book.at("2026-03-27"), "basil-thai", 4, "2", "cellar/1/2")
    book.add(EntryKind.HELD, book.at("2026-03-27", "10:00"), "2", data={"why": "bag; torn, \\wet\nDESCRIPTION:x"})
    return book


def made(book: Book, now: datetime) -> tuple[str, tuple[FeedEntry, ...]]:
    """Return the calendar's text at an instant, as first fetched, and its entries."""
    entries = entries_at(book, now)
    return to_icalendar(FARM, entries, revised({}, entries, now)).decode(), entries


def parsed(text: str) -> Calendar:
    """Return the calendar as the other library reads it."""
    return IcsCalendarStream.calendar_from_ics(text)


def unfolded(text: str) -> list[str]:
    """Return a calendar's content lines."""
    return text.replace("\r\n ", "").split("\r\n")[:-1]


def test_another_library_reads_every_entry_back() -> None:
    """Instants, words, places, addresses and alarms are what was put in."""
    book = two_sowings()
    text, entries = made(book, book.at("2026-03-27", "11:00"))

    events = {event.uid: event for event in parsed(text).events}

    assert len(entries) >= 5
    for entry in entries:
        event = events.pop(entry.uid)
        assert isinstance(event.dtstart, datetime)
        assert event.dtstart == entry.starts_at
        assert event.dtstart.strftime("%H:%M") == "07:30"
        assert event.summary == entry.summary
        assert event.description == entry.text
        assert event.location == entry.place
        assert str(event.url) == entry.url
        assert [alarm.action for alarm in event.alarm] == ["DISPLAY"]
        assert event.alarm[0].trigger == timedelta()
    assert events == {}


def test_it_keeps_the_rules_of_the_standard() -> None:
    """Lines of at most 75 octets; what must stand once stands once; every zone that is named is told."""
    book = two_sowings()
    text, _ = made(book, book.at("2026-03-27", "11:00"))
    lines = unfolded(text)

    assert text.count("\n") == text.count("\r\n")
    assert max(len(line.encode()) for line in text.split("\r\n")) <= 75  # [RFC5545] 3.1
    assert [line for line in lines if line.startswith(("VERSION:", "PRODID:"))] == [
        "VERSION:2.0",
        "PRODID:-//Traywarden//coming tasks//EN",
    ]
    assert lines.count("BEGIN:VTIMEZONE") == 1
    assert "TZID:Europe/Lisbon" in lines
    events = "\n".join(lines).split("BEGIN:VEVENT\n")[1:]
    for event in events:
        outer, alarm = event.split("BEGIN:VALARM\n")
        names = [line.partition(":")[0].partition(";")[0] for line in outer.splitlines()]
        rings = [line.partition(":")[0] for line in alarm.partition("END:VALARM")[0].splitlines()]
        assert {name for name in names if names.count(name) > 1} == set()
        assert {"UID", "DTSTAMP", "DTSTART", "SEQUENCE", "DURATION"} <= set(names)  # 3.6.1
        assert "DTEND" not in names  # never beside DURATION, 3.6.1
        assert next(line for line in outer.splitlines() if line.startswith("DTSTAMP:")).endswith("Z")  # 3.8.7.2
        assert "DTSTART;TZID=Europe/Lisbon:" in outer
        assert sorted(rings) == ["ACTION", "DESCRIPTION", "TRIGGER"]  # 3.6.6, a DISPLAY alarm


def test_what_a_person_typed_cannot_become_a_line_of_its_own() -> None:
    """A reason with a line break stays inside the text."""
    book = two_sowings()
    text, entries = made(book, book.at("2026-03-27", "11:00"))

    assert "DESCRIPTION:x" not in unfolded(text)
    assert all(entry.summary.startswith("ON HOLD. ") for entry in entries if "basil" in entry.summary)
    assert all(entry.text.startswith("ON HOLD: do not cut") for entry in entries if "basil" in entry.summary)


def test_an_entry_moves_with_the_ledger_and_keeps_its_name() -> None:
    """Uncovered a day late: the end of the blackout starts a day later, one further revision; basil is untouched."""
    book = two_sowings()
    first_at, later_at = book.at("2026-03-28"), book.at("2026-03-30", "10:00")
    before = entries_at(book, first_at)
    known = revised({}, before, first_at)
    book.add(EntryKind.UNCOVERED, book.at("2026-03-30"))
    after = entries_at(book, later_at)
    again = revised(known, after, later_at)
    light = next(entry for entry in before if entry.summary.startswith("End the blackout: 8 trays"))
    moved = next(entry for entry in after if entry.uid == light.uid)

    assert moved.starts_at - light.starts_at == timedelta(days=1)
    assert (known[light.uid].sequence, again[light.uid].sequence) == (0, 1)
    assert again[light.uid].revised_at == later_at
    basil = [entry.uid for entry in after if "basil" in entry.summary]
    assert basil
    assert all(again[uid] == known[uid] for uid in basil)
    assert not any(entry.summary.startswith("Uncover: 8 trays") for entry in after)


def test_nothing_changes_where_nothing_happened() -> None:
    """An hour later the file is the same, letter by letter, so that a phone need not read it again."""
    book = two_sowings()
    first_at, later_at = book.at("2026-03-27", "11:00"), book.at("2026-03-27", "12:00")
    first, second = entries_at(book, first_at), entries_at(book, later_at)
    known = revised({}, first, first_at)

    kept = read_revisions(keep_revisions(known))

    assert to_icalendar(FARM, first, known) == to_icalendar(FARM, second, revised(kept, second, later_at))


def test_two_farms_of_one_name_have_names_of_their_own() -> None:
    """The ledger's beginning tells them apart."""
    one, other = two_sowings(), two_sowings()
    other.add(EntryKind.CLEANED, other.at("2026-03-01"), None, data={"with": "soap"})
    other.entries.insert(0, other.entries.pop())
    now = one.at("2026-03-27", "11:00")

    names = [{entry.uid for entry in entries_at(book, now)} for book in (one, other)]

    assert names[0].isdisjoint(names[1])


def test_without_an_address_there_is_no_link() -> None:
    """A farm whose pages listen on their own machine only."""
    book = two_sowings()

    assert {entry.url for entry in entries_at(book, book.at("2026-03-27", "11:00"), None)} == {""}


def test_an_empty_farm_has_an_empty_calendar() -> None:
    """It is still a calendar that the other library reads."""
    text = to_icalendar(FARM, (), {}).decode()

    assert parsed(text).events == []
    assert "VTIMEZONE" not in text


ZONES = ["Europe/Lisbon", "America/New_York", "Australia/Lord_Howe", "Asia/Kolkata", "Africa/Casablanca"]


@pytest.mark.parametrize("name", ZONES)
def test_another_library_reads_the_zone_as_the_machine_has_it(name: str) -> None:
    """The offset of every half hour of two years, by [RFC5545] 3.6.5 as dateutil reads it, is the zone's own."""
    zone = ZoneInfo(name)
    first, last = datetime(2025, 1, 1, tzinfo=UTC), datetime(2027, 1, 1, tzinfo=UTC)
    text = f"BEGIN:VCALENDAR\r\n{zone_component(zone, first, last).to_ical().decode()}END:VCALENDAR\r\n"
    told = tzical(StringIO(text)).get(name)

    wrong = []
    at = first + timedelta(days=2)
    while at < last:
        wall = at.astimezone(zone)
        is_twice = wall.utcoffset() != wall.replace(fold=1 - wall.fold).utcoffset()
        if not is_twice and wall.replace(tzinfo=told).utcoffset() != wall.utcoffset():
            wrong.append(wall.isoformat())
        at += timedelta(minutes=30)

    assert wrong == []


def test_a_change_begins_by_the_clock_that_goes_until_then() -> None:
    """Lisbon's summer of 2026 begins at one in the morning, its end at two."""
    changes = clock_changes(
        ZoneInfo("Europe/Lisbon"), datetime(2026, 1, 1, tzinfo=UTC), datetime(2026, 12, 1, tzinfo=UTC)
    )

    assert [change.begins.isoformat() for change in changes[1:]] == ["2026-03-29T01:00:00", "2026-10-25T02:00:00"]


@pytest.mark.parametrize(
    ("pages", "address", "reachable"),
    [
        pytest.param("", "http://127.0.0.1:8467", False, id="this machine only"),
        pytest.param("port = 0", "http://127.0.0.1", False, id="a free port at each start"),
        pytest.param('address = "0.0.0.0"', "http://127.0.0.1:8467", False, id="all addresses, no name"),
        pytest.param('address = "192.168.1.20"', "http://192.168.1.20:8467", True, id="an address of the house"),
        pytest.param('address = "fd00::7"', "http://[fd00::7]:8467", True, id="one of the newer kind"),
        pytest.param('url = "https://saltcellar.example/"', "https://saltcellar.example", True, id="a name"),
    ],
)
def test_the_address_is_one_that_a_phone_reaches_or_says_that_none_does(
    pages: str, address: str, reachable: bool
) -> None:
    """By what stands under [pages]."""
    assert pages_address(farm(Path("unused"), more=f"[pages]\n{pages}\n")) == (address, reachable)


def test_revisions_are_kept_as_they_are() -> None:
    """Written and read again they are the same."""
    known = {"a": Revision(sequence=3, revised_at=datetime(2026, 3, 1, 7, 30, tzinfo=UTC), digest="00ff")}

    assert read_revisions(keep_revisions(known)) == known
    assert read_revisions(None) == {}
