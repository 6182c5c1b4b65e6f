"""A promise that nothing stands for is nudged while there is time to sow, else to ring the buyer; each once."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from alerts.tasks import TaskKind, Urgency
from monitor.ledger import EntryKind, NewEntry
from tests.support.farms import Book, farm
from tests.support.stage import Stage, does_it

Answer = Callable[[datetime, str, str], NewEntry | None]


class Cellar:
    """Saltcellar Farm from Monday 2 March 2026, 09:00, with an advisor that is run when it asks to be."""

    def __init__(self, folder: Path, zone: str = "Europe/Lisbon") -> None:
        """Build it."""
        self.book = Book(zone)
        self.start = self.book.at("2026-03-02", "09:00")
        self.stage = Stage(farm(folder, zone=zone), folder, since=self.start)
        self.stage.run(self.start)

    def enter(self, kind: EntryKind, at: datetime, batch: str | None = None, **more: Any) -> None:
        """Enter something."""
        self.stage.enter(NewEntry(kind=kind, at=at, by="ines", batch=batch, **more))

    def promise(self, trays: int, crop: str, day: str, *, every_days: int | None = None) -> None:
        """Promise trays."""
        data = {"promise": "P1", "crop": crop, "for": day, "whom": "the corner table", "every_days": every_days}
        self.enter(EntryKind.PROMISED, self.start, trays=trays, data=data)

    def sow(self, trays: int, at: datetime, crop: str = "radish", batch: str = "1") -> NewEntry:
        """Return an entry of a sowing."""
        data = {"crop": crop, "tray_kind": "1020"}
        return NewEntry(kind=EntryKind.SOWN, at=at, by="ines", batch=batch, trays=trays, spot="cellar/1/1", data=data)

    def play(self, days: int, answer: Answer = lambda *_: None, **more: Any) -> list[tuple[str, str]]:
        """Run for some days, and return what was told of promises: local time and what."""
        self.stage.play(self.start, self.start + timedelta(days=days), answer, **more)
        return [
            (f"{at.astimezone(self.book.zone):%a %d %H:%M}", kind)
            for at, kind, batch in self.stage.told
            if batch == "P1"
        ]

    def texts(self) -> list[str]:
        """Return all that was said."""
        return [text for text, _ in self.stage.channel.taken]


@pytest.fixture
def cellar(tmp_path: Path) -> Cellar:
    """Return the farm, with its ledger open."""
    return Cellar(tmp_path)


RADISH_FOR_FRIDAY = [("Thu 05 07:30", "sow"), ("Sat 07 07:30", "sow"), ("Sun 08 07:30", "ring")]
"""Radish usually takes 8 days, 6 at the least: for Friday 13 March it is sown on the 5th, on the 7th at the latest."""


def test_it_is_nudged_on_the_usual_day_the_last_day_and_then_to_ring(cellar: Cellar) -> None:
    """Three times, and never again, when nobody does anything."""
    cellar.promise(12, "radish", "2026-03-13")

    assert cellar.play(14) == RADISH_FOR_FRIDAY


@pytest.mark.parametrize("zone", ["Australia/Lord_Howe", "America/New_York", "Asia/Kathmandu"])
def test_it_is_nudged_by_the_farms_own_days(tmp_path: Path, zone: str) -> None:
    """At the same local times anywhere; New York changes its clocks on the 8th."""
    cellar = Cellar(tmp_path, zone)
    cellar.promise(12, "radish", "2026-03-13")

    assert cellar.play(14) == RADISH_FOR_FRIDAY


def test_a_restart_tells_nothing_twice(cellar: Cellar) -> None:
    """Nor does asking every hour."""
    cellar.promise(12, "radish", "2026-03-13")
    told = cellar.play(14, every=timedelta(hours=1), restart_at=cellar.start + timedelta(days=4))

    assert [kind for _, kind in told] == ["sow", "sow", "ring"]


def test_trays_that_were_sown_end_it(cellar: Cellar) -> None:
    """Once as many are sown as are promised, nothing more is said of it."""
    cellar.promise(12, "radish", "2026-03-13")

    def sows(at: datetime, kind: str, batch: str) -> NewEntry | None:
        return cellar.sow(12, at) if kind == "sow" else None

    assert cellar.play(8, sows) == RADISH_FOR_FRIDAY[:1]


def test_too_few_sown_leave_the_rest_open(cellar: Cellar) -> None:
    """Eight of twelve are sown on the usual day: on the last day four are asked for."""
    cellar.promise(12, "radish", "2026-03-13")

    def sows(at: datetime, kind: str, batch: str) -> NewEntry | None:
        first = at < cellar.book.at("2026-03-06")
        return cellar.sow(8, at) if kind == "sow" and first else None

    assert cellar.play(5, sows) == RADISH_FOR_FRIDAY[:2]
    assert "8 stand for it, 4 do not. Sow 4 trays" in cellar.texts()[-1]
    assert "Last day." in cellar.texts()[-1]


def test_trays_lost_after_the_last_day_to_sow_have_the_buyer_rung(cellar: Cellar) -> None:
    """Twelve stand; three are thrown away five days before the day, when it is too late to sow."""
    cellar.promise(12, "radish", "2026-03-13")
    lost_at = cellar.book.at("2026-03-10", "12:00")

    def does(at: datetime, kind: str, batch: str) -> NewEntry | None:
        return does_it(at, kind, batch) if batch == "1" else cellar.sow(12, at)

    cellar.stage.play(cellar.start, lost_at, does)
    cellar.enter(EntryKind.DISCARDED, lost_at, "1", trays=3, data={"why": "grey fuzz"})
    cellar.start = lost_at
    told = cellar.play(3, lambda *_: None)

    assert told[:1] == RADISH_FOR_FRIDAY[:1]
    assert told[1:] == [("Tue 10 17:00", "ring")]
    ring = next(text for text in cellar.texts() if ": ring." in text)
    assert "Ring the corner table: 3 trays cannot be ready on Fri 13 Mar, 9 trays will be there." in ring
    assert "traywarden promise --change P1 --only 2026-03-13 --trays 9" in ring


def test_a_promise_made_too_late_has_the_buyer_rung_at_the_next_round(cellar: Cellar) -> None:
    """Made on Monday for Wednesday."""
    cellar.promise(5, "radish", "2026-03-04")

    assert cellar.play(4) == [("Mon 02 17:00", "ring")]


def test_on_the_day_itself_nobody_is_told_to_ring_in_the_evening(cellar: Cellar) -> None:
    """What went out without an entry must not look like a promise broken."""
    cellar.promise(5, "radish", "2026-03-02")

    assert cellar.play(2) == []


def test_each_day_of_a_standing_order_is_nudged_by_itself(cellar: Cellar) -> None:
    """Sown for each Friday on Thursday eight days before, every week."""
    cellar.promise(4, "radish", "2026-03-13", every_days=7)

    def sows(at: datetime, kind: str, batch: str) -> NewEntry | None:
        return cellar.sow(4, at, batch=str(at.day)) if kind == "sow" else None

    assert cellar.play(21, sows) == [("Thu 05 07:30", "sow"), ("Thu 12 07:30", "sow"), ("Thu 19 07:30", "sow")]


def test_seed_to_soak_is_nudged_on_the_day_of_its_soak(tmp_path: Path) -> None:
    """With one round a day pea goes into water the evening before it is sown."""
    folder = tmp_path
    cellar = Cellar(folder)
    cellar.stage.close()
    morning = farm(folder)
    cellar.stage = Stage(_with_rounds(morning), folder, since=cellar.start)
    cellar.promise(4, "pea", "2026-03-20")
    told = cellar.play(16)

    assert told == [("Mon 09 07:30", "sow"), ("Tue 10 07:30", "sow"), ("Thu 12 07:30", "ring")]
    assert "Soak it first, e.g. Mon 9 Mar 22:30 for sowing Tue 10 Mar 07:30." in cellar.texts()[0]


def _with_rounds(made: Any) -> Any:
    """Return a farm that is walked once a day."""
    from dataclasses import replace
    from datetime import time

    return replace(made, rounds=(time(7, 30),))


def test_not_yet_asks_again_at_its_time(cellar: Cellar) -> None:
    """Put off until Friday, the nudge comes back on Friday, and no other comes between."""
    cellar.promise(12, "radish", "2026-03-13")

    def puts_off(at: datetime, kind: str, batch: str) -> NewEntry | None:
        if kind != "sow" or at > cellar.book.at("2026-03-05", "12:00"):
            return None
        data = {"task": "sow", "until": "2026-03-06", "promise": "P1"}
        return NewEntry(kind=EntryKind.NOT_YET, at=at, by="ines", data=data)

    assert cellar.play(14, puts_off) == [
        ("Thu 05 07:30", "sow"),
        ("Fri 06 07:30", "sow"),
        ("Sun 08 07:30", "ring"),
    ]


def test_an_ended_promise_is_not_nudged(cellar: Cellar) -> None:
    """Its end is an entry like the others."""
    cellar.promise(12, "radish", "2026-03-13")
    cellar.enter(EntryKind.PROMISED, cellar.book.at("2026-03-04"), data={"promise": "P1", "ends": "2026-03-04"})

    assert cellar.play(14) == []


def test_it_may_be_sown_from_its_first_day_on(cellar: Cellar) -> None:
    """On Tuesday the 3rd it is open and early, by Thursday due, on Saturday it is the last day."""
    cellar.promise(12, "radish", "2026-03-13")
    standing = {}
    for day in range(2, 10):
        tasks = cellar.stage.advisor.open_tasks(cellar.book.at(f"2026-03-{day:02}", "12:00"))
        standing[day] = [(task.kind, task.urgency) for task in tasks]

    assert standing == {
        2: [],
        3: [(TaskKind.SOW, Urgency.EARLY)],
        4: [(TaskKind.SOW, Urgency.EARLY)],
        5: [(TaskKind.SOW, Urgency.DUE)],
        6: [(TaskKind.SOW, Urgency.DUE)],
        7: [(TaskKind.SOW, Urgency.LAST_DAY)],
        8: [(TaskKind.RING, Urgency.DUE)],
        9: [(TaskKind.RING, Urgency.DUE)],
    }


def test_the_nudge_tells_the_whole_move(cellar: Cellar) -> None:
    """How many, by when, how much seed, and the command that answers it."""
    cellar.promise(12, "radish", "2026-03-13")
    cellar.play(3)
    (text,) = cellar.texts()

    assert "What is promised" in text
    assert "Promise P1, 12 trays of radish to the corner table on Fri 13 Mar: sow." in text
    assert "Sow 12 trays, usually Thu 5 Mar, at the latest Sat 7 Mar; 35 g of seed each, 420 g in all." in text
    assert "Done: traywarden sow radish --trays 12   Not yet: traywarden not-yet P1 sow" in text
    assert "Sow only untreated seed meant for food or shoots." in text


def test_the_key_is_the_promise_and_the_day(cellar: Cellar) -> None:
    """So that a change of the number tells nothing anew."""
    cellar.promise(12, "radish", "2026-03-13")
    (task,) = cellar.stage.advisor.open_tasks(cellar.book.at("2026-03-05", "12:00"))

    assert task.key == f"P1|sow|harvest window|{date(2026, 3, 13)}"
