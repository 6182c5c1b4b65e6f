"""What is to be done on the days to come, each thing under a name that lasts."""

from __future__ import annotations

from datetime import date, datetime
from pathlib import Path

import pytest

from alerts.agenda import Coming, agenda
from alerts.findings import Tick
from alerts.tasks import TaskKind
from monitor.fold import fold_as_of
from monitor.ledger import EntryKind, effective
from monitor.live import LiveBuffer
from monitor.promises import promises_as_of
from tests.support.farms import Book, farm
from tests.support.stage import PROFILES


def tick(book: Book, now: datetime) -> Tick:
    """Return a moment of Saltcellar Farm."""
    return Tick(
        now=now,
        farm=farm(Path("unused")),
        profiles=PROFILES,
        batches=fold_as_of(book.entries, now),
        live=LiveBuffer(),
        watching_since=now,
        entries=tuple(entry for entry in effective(book.entries) if entry.at <= now),
        promises=promises_as_of(book.entries, now),
    )


def coming(book: Book, day: str, clock: str = "10:00") -> dict[str, Coming]:
    """Return what is to be done from an instant on, by name."""
    return {each.name: each for each in agenda(tick(book, book.at(day, clock)))}


def radish() -> Book:
    """Return eight trays of radish, sown on Monday 2 March 2026."""
    book = Book()
    book.sow(book.at("2026-03-02"), "radish", 8)
    return book


def test_a_sowing_has_its_whole_life_before_it() -> None:
    """Uncover, end of the blackout and harvest, in this order, at the first round of their days."""
    found = coming(radish(), "2026-03-02")

    moves = [each for each in found.values() if each.kind is not TaskKind.LOOK]
    assert [each.kind for each in moves] == [TaskKind.UNCOVER, TaskKind.END_BLACKOUT, TaskKind.HARVEST]
    assert [each.usual_on for each in moves] == [date(2026, 3, 4), date(2026, 3, 5), date(2026, 3, 8)]
    assert {each.at.astimezone(Book().zone).strftime("%H:%M") for each in moves} == {"07:30"}
    assert [each.is_open for each in moves] == [True, False, False]


def test_a_later_uncovering_moves_what_follows_and_keeps_its_name() -> None:
    """The blackout ends a day later under the same name."""
    book = radish()
    before = coming(book, "2026-03-03")["1|end blackout|1"]
    book.add(EntryKind.UNCOVERED, book.at("2026-03-05"))

    after = coming(book, "2026-03-05", "11:00")["1|end blackout|1"]

    assert (after.usual_on - before.usual_on).days == 1
    assert "1|uncover" not in coming(book, "2026-03-05", "11:00")


def test_parts_handled_apart_have_names_of_their_own() -> None:
    """Two trays uncovered a day before the others: two blackouts end, the first keeps its name when it is over."""
    book = radish()
    book.add(EntryKind.UNCOVERED, book.at("2026-03-04"), trays=2, data={"to": "cellar/2/1"})
    book.add(EntryKind.UNCOVERED, book.at("2026-03-05"), trays=6)
    both = coming(book, "2026-03-05", "09:30")
    book.add(EntryKind.LIGHTS_ON, book.at("2026-03-05", "10:00"), spot="cellar/2/1")
    one = coming(book, "2026-03-05", "11:00")

    assert {name for name in both if "end blackout" in name} == {"1|end blackout|1", "1|end blackout|2"}
    assert both["1|end blackout|1"].trays == 2
    assert {name for name in one if "end blackout" in name} == {"1|end blackout|2"}
    assert one["1|end blackout|2"].trays == 6


def test_what_is_overdue_stands_at_the_next_round() -> None:
    """Due on Wednesday and not done: on Thursday morning it stands at 17:00."""
    found = coming(radish(), "2026-03-05", "10:00")["1|uncover"]

    assert found.at == Book().at("2026-03-05", "17:00")
    assert found.usual_on == date(2026, 3, 4)


def test_not_yet_puts_it_where_it_was_put() -> None:
    """Not yet until Friday: it stands at Friday's first round."""
    book = radish()
    data = {"task": "uncover", "until": "2026-03-06"}
    book.add(EntryKind.NOT_YET, book.at("2026-03-04", "07:40"), data=data)

    assert coming(book, "2026-03-04")["1|uncover"].at == Book().at("2026-03-06", "07:30")


def test_what_is_on_hold_has_no_harvest() -> None:
    """The other moves stay: trays on hold are still looked after."""
    book = radish()
    book.add(EntryKind.HELD, book.at("2026-03-03"), data={"why": "the bag smelled"})

    assert [name for name in coming(book, "2026-03-03", "11:00") if not name.startswith("1|look")] == [
        "1|uncover",
        "1|end blackout|1",
    ]


@pytest.mark.parametrize("zone_day", ["2026-03-29", "2026-10-25"])
def test_the_first_round_is_half_past_seven_on_both_days_on_which_clocks_change(zone_day: str) -> None:
    """A sowing two days before is uncovered on the day itself, at the wall clock's 07:30."""
    change = date.fromisoformat(zone_day)
    book = Book()
    book.sow(book.at(change.replace(day=change.day - 2).isoformat()), "radish", 2)

    found = coming(book, change.replace(day=change.day - 2).isoformat())["1|uncover"]

    assert found.usual_on == change
    assert found.at.astimezone(book.zone).strftime("%d %H:%M") == f"{change.day} 07:30"


def test_a_promise_that_nothing_stands_for_is_among_it() -> None:
    """Sow, under the promise's name and day."""
    book = Book()
    data = {"promise": "P1", "crop": "radish", "for": "2026-03-13", "whom": "the corner table", "living": False}
    book.add(EntryKind.PROMISED, book.at("2026-03-02"), None, trays=4, data={**data, "every_days": None})

    assert coming(book, "2026-03-03")["P1|sow|2026-03-13"].trays == 4
