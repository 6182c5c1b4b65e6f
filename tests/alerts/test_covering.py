"""Covers: who is told meanwhile, in which words, and what is told on return."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alerts.covering import fuller
from monitor.clock import local_day
from monitor.covers import StandIn, cover_on, covers_of, on_duty, stands_in_for
from monitor.ledger import EntryKind, NewEntry
from tests.support.farms import Book, farm
from tests.support.stage import Stage, does_it

FIRST = "2026-03-02"
ANA = '[[person]]\nid = "ana"\nchannels = ["console"]\ndays = ["sun"]\n'


def cover(book: Book, person: str, standin: str, first: str, last: str, note: str = "") -> None:
    """Enter a cover."""
    data = {"person": person, "standin": standin, "from": first, "to": last, "note": note}
    book.add(EntryKind.COVER, book.at(FIRST, "09:00"), None, data=data)


@pytest.mark.parametrize(
    ("day", "told"),
    [
        pytest.param("2026-03-05", ["ines"], id="the day before"),
        pytest.param("2026-03-06", ["tomek"], id="the first day"),
        pytest.param("2026-03-07", ["tomek"], id="tomek's own day: told once"),
        pytest.param("2026-03-08", ["tomek", "ana"], id="the last day, with ana on duty herself"),
        pytest.param("2026-03-09", ["ines"], id="the day after"),
    ],
)
def test_a_stand_in_is_told_in_the_place_of_who_is_away(tmp_path: Path, day: str, told: list[str]) -> None:
    """On every day of the cover, both ends included, and on no other."""
    book = Book()
    cover(book, "ines", "tomek", "2026-03-06", "2026-03-08")

    people = on_duty(farm(tmp_path, more=ANA), book.at(day, "07:30"), covers_of(book.entries))

    assert [person.id for person in people] == told


def test_a_cover_begins_and_ends_at_local_midnight(tmp_path: Path) -> None:
    """In a zone far east, on the days of its own calendar."""
    book = Book("Pacific/Auckland")
    cover(book, "ines", "tomek", "2026-03-06", "2026-03-06")
    where, covers = farm(tmp_path, zone="Pacific/Auckland"), covers_of(book.entries)

    told = [on_duty(where, book.at(day, clock), covers)[0].id for day, clock in (
        ("2026-03-05", "23:59"), ("2026-03-06", "00:00"), ("2026-03-06", "23:59"), ("2026-03-07", "00:00"),
    )]  # fmt: skip

    assert told == ["ines", "tomek", "tomek", "ines"]


NAMES = st.sampled_from(["ines", "tomek", "ana"])
DAYS = st.integers(0, 9)


@given(st.lists(st.tuples(NAMES, NAMES, DAYS, DAYS), max_size=6), DAYS)
def test_somebody_who_is_there_is_told_whatever_the_covers(
    tmp_path_factory: pytest.TempPathFactory, wished: list[tuple[str, str, int, int]], day: int
) -> None:
    """Never nobody, nobody twice; who is away is told only where all hand on in a ring."""
    book = Book()
    for person, standin, first, span in wished:
        start = date(2026, 3, 2) + timedelta(days=first)
        if person != standin:
            cover(book, person, standin, start.isoformat(), (start + timedelta(days=span)).isoformat())
    now = book.at(FIRST, "07:30") + timedelta(days=day)
    where = farm(Path("."), more=ANA)
    covers = covers_of(book.entries)

    people = [person.id for person in on_duty(where, now, covers)]

    assert people
    assert len(people) == len(set(people))
    today = local_day(now, where.zone)
    for person in people:
        own = held = cover_on(person, today, covers)
        chain: set[str] = set()
        while held is not None and held.standin not in chain:
            chain.add(held.standin)
            held = cover_on(held.standin, today, covers)
        assert own is None or held is not None  # away and told: only where all hand on in a ring


class Cellar(Stage):
    """A stage with one batch, and a cover of ines by tomek from Wednesday to Friday."""

    def __init__(self, folder: Path) -> None:
        """Sow, and hand over."""
        self.book = Book()
        super().__init__(farm(folder), folder / "data", since=self.book.at(FIRST, "06:00"))
        sown = {"crop": "radish", "lot": "R-77"}
        self.enter(
            NewEntry(
                kind=EntryKind.SOWN,
                at=self.book.at(FIRST, "09:00"),
                by="ines",
                batch="1",
                trays=4,
                spot="cellar/1/1",
                data=sown,
            )
        )
        data = {"person": "ines", "standin": "tomek", "from": "2026-03-04", "to": "2026-03-06", "note": "blade: drawer"}
        self.enter(NewEntry(kind=EntryKind.COVER, at=self.book.at(FIRST, "10:00"), by="ines", data=data))

    def walk(self, day: str, clock: str, *, does: bool = True) -> list[tuple[str, str, str]]:
        """Run at a round, do what is told, and return (person, title, text) of what was told."""
        at = self.book.at(day, clock)
        self.run(at)
        rows = self.outbox.rows(at)
        keys = sorted({key for row in rows for key in row.tasks}, key=lambda key: ("|harvest|" in key, key))
        for key in keys if does else ():
            batch, kind, _, _ = key.split("|")
            entry = does_it(at + timedelta(minutes=5), kind, batch)
            self.enter(NewEntry(kind=entry.kind, at=entry.at, by="tomek", batch=batch, data={}))
        return [(row.person, row.title, row.text) for row in rows]


def test_the_stand_in_is_told_for_whom_and_each_move_from_its_beginning(tmp_path: Path) -> None:
    """Ines is told nothing meanwhile; the note is repeated."""
    cellar = Cellar(tmp_path)

    ((person, _, text),) = cellar.walk("2026-03-04", "07:30")

    assert person == "tomek"
    assert text.startswith(
        "You stand in for ines, Wed 4 Mar to Fri 6 Mar.\nWhere things are, and the like: blade: drawer"
    )
    assert "Weight off, lift each tray straight up" in text
    assert "The time in the pile is over for good" in text
    assert "In doubt leave the tray as it is, and answer not yet" in text


def test_on_return_who_did_what_and_what_is_open_is_told_once(tmp_path: Path) -> None:
    """At the first round after the last day, to ines alone, also after a restart."""
    cellar = Cellar(tmp_path)
    cellar.walk("2026-03-04", "07:30")
    cellar.walk("2026-03-05", "07:30")
    cellar.walk("2026-03-06", "07:30", does=False)
    back = [
        told for told in cellar.walk("2026-03-07", "07:30", does=False) if told[1].startswith("While you were away")
    ]
    cellar.restart()
    cellar.walk("2026-03-07", "07:31")
    again = cellar.walk("2026-03-07", "17:00") + cellar.walk("2026-03-08", "07:30")

    ((person, title, text),) = back
    assert (person, title) == ("ines", "While you were away, Wed 4 Mar to Fri 6 Mar")
    assert " - Wed 4 Mar, tomek: uncovered batch 1 radish" in text
    assert " - Thu 5 Mar, tomek: ended the blackout of batch 1 radish; watered batch 1 radish" in text
    assert text.endswith("Beside what is due today nothing is open from then.")
    assert not [told for told in again if told[1].startswith("While you were away")]


def test_what_is_on_hold_stays_first_for_a_stand_in_too(tmp_path: Path) -> None:
    """Before the words that only a stand-in gets."""
    cellar = Cellar(tmp_path)
    at = cellar.book.at("2026-03-03", "12:00")
    cellar.enter(NewEntry(kind=EntryKind.HELD, at=at, by="ines", batch="1", data={"why": "grey fuzz"}))
    cellar.run(at)

    ((_, _, text),) = [told for told in cellar.walk("2026-03-04", "07:30") if "Round" in told[1]]

    assert text.startswith("ON HOLD: do not cut, do not deliver\n ! Batch 1 radish")
    assert "\n\nYou stand in for ines" in text


def test_who_stands_in_for_nobody_gets_the_usual_words(tmp_path: Path) -> None:
    """The text is not touched."""
    cellar = Cellar(tmp_path)
    at = cellar.book.at("2026-03-04", "07:30")
    cellar.run(at)

    assert fuller("Round ...", "ines", [], cellar.advisor._tick(at)) == "Round ..."


def test_the_newest_cover_of_a_day_holds(tmp_path: Path) -> None:
    """Ana for the Saturday only."""
    book = Book()
    cover(book, "ines", "tomek", "2026-03-06", "2026-03-08")
    cover(book, "ines", "ana", "2026-03-07", "2026-03-07")
    covers = covers_of(book.entries)
    where = farm(tmp_path, more=ANA)

    def stand_ins(day: str) -> list[str]:
        at = book.at(day, "07:30")
        return [name for name in where.people if stands_in_for(name, at, where.zone, covers)]

    assert [stand_ins(day) for day in ("2026-03-06", "2026-03-07", "2026-03-08")] == [["tomek"], ["ana"], ["tomek"]]
    assert isinstance(covers[0], StandIn)
