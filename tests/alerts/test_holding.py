"""Holds and spoilt trays in rounds and nudges: told first, told once, and nothing held is asked to be cut."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

from monitor.ledger import EntryKind, NewEntry
from tests.support.farms import Book, farm
from tests.support.stage import Stage, does_it

FIRST = "2026-03-02"


class Cellar(Stage):
    """A stage with two batches of radish on one shelf, and one of kale on another, sown on 2 March."""

    def __init__(self, folder: Path) -> None:
        """Sow."""
        self.book = Book()
        super().__init__(farm(folder), folder / "data", since=self.book.at(FIRST, "06:00"))
        for batch, crop, lot, spot in (
            ("1", "radish", "R-77", "cellar/1/1"),
            ("2", "radish", "R-78", "cellar/1/1"),
            ("3", "kale", "K-20", "cellar/1/2"),
        ):
            self.do(EntryKind.SOWN, FIRST, "09:00", batch, {"crop": crop, "lot": lot}, trays=4, spot=spot)

    def do(
        self,
        kind: EntryKind,
        day: str,
        clock: str,
        batch: str | None,
        data: dict[str, object],
        *,
        trays: int | None = None,
        spot: str | None = None,
    ) -> None:
        """Enter one deed."""
        at = self.book.at(day, clock)
        self.enter(NewEntry(kind=kind, at=at, by="ines", batch=batch, data=data, trays=trays, spot=spot))

    def until(self, day: str, clock: str) -> None:
        """Do all that is asked until a time."""
        start = self.told[-1][0] + timedelta(minutes=1) if self.told else self.book.at(FIRST, "09:01")
        self.play(start, self.book.at(day, clock), does_it)

    def texts(self, since: datetime) -> list[str]:
        """Return what ines was told since an instant."""
        return [row.text for row in self.outbox.rows(since) if row.person == "ines"]


def test_a_held_lot_is_told_first_and_never_asked_to_be_cut(tmp_path: Path) -> None:
    """The other lot of the crop is; after the release the held one is too."""
    cellar = Cellar(tmp_path)
    cellar.until("2026-03-05", "18:00")
    cellar.do(EntryKind.HELD, "2026-03-05", "19:00", None, {"lot": "R-77", "why": "recalled by the supplier"})
    cellar.until("2026-03-08", "08:00")

    cut = [(kind, batch) for _, kind, batch in cellar.told if kind == "harvest"]
    rounds = [text for text in cellar.texts(cellar.book.at("2026-03-06", "07:00")) if "Round " in text]

    assert cut == [("harvest", "2")]
    assert all(text.startswith("ON HOLD: do not cut, do not deliver\n ! Batch 1 radish, 4 trays") for text in rounds)
    cellar.do(EntryKind.RELEASED, "2026-03-09", "09:00", None, {"lot": "R-77", "why": "not ours"})
    cellar.until("2026-03-10", "08:00")
    assert ("harvest", "1") in [(kind, batch) for _, kind, batch in cellar.told]
    assert not cellar.texts(cellar.book.at("2026-03-10", "07:00"))[0].startswith("ON HOLD")


def test_a_hold_and_its_end_are_told_to_everybody_once(tmp_path: Path) -> None:
    """Tomek is off duty on a Thursday and is told all the same; a restart tells nothing again."""
    cellar = Cellar(tmp_path)
    cellar.do(EntryKind.HELD, "2026-03-05", "19:00", "1", {"why": "grey fuzz"})
    for clock in ("19:01", "19:02"):
        cellar.run(cellar.book.at("2026-03-05", clock))
    cellar.restart()
    cellar.run(cellar.book.at("2026-03-05", "19:03"))
    cellar.do(EntryKind.RELEASED, "2026-03-05", "20:00", "1", {"why": "one tray only"})
    cellar.run(cellar.book.at("2026-03-05", "20:01"))

    told = [(row.person, row.title) for row in cellar.outbox.rows() if row.kind == "hold"]

    assert sorted(told) == [
        ("ines", "On hold: batch 1"),
        ("ines", "Released: batch 1"),
        ("tomek", "On hold: batch 1"),
        ("tomek", "Released: batch 1"),
    ]


def asked_beside(cellar: Cellar) -> list[tuple[str, str]]:
    """Return (kind, batch) of looks and washes that were told."""
    return [(kind, batch) for _, kind, batch in cellar.told if kind in ("look over", "wash the shelf")]


def test_a_fuzzy_tray_asks_for_a_look_at_its_neighbours_and_a_wash_once(tmp_path: Path) -> None:
    """Its own rest and what stands on its shelf; not the other shelf; told at the next round and never again."""
    cellar = Cellar(tmp_path)
    cellar.until("2026-03-05", "18:00")
    cellar.do(EntryKind.DISCARDED, "2026-03-05", "19:00", "1", {"why": "grey fuzz"}, trays=1)

    cellar.play(
        cellar.book.at("2026-03-05", "19:01"), cellar.book.at("2026-03-09", "18:00"), lambda at, kind, batch: None
    )

    assert sorted(asked_beside(cellar)) == [("look over", "1"), ("look over", "2"), ("wash the shelf", "1")]


def test_looks_and_washes_are_answered_by_the_usual_entries(tmp_path: Path) -> None:
    """A look at each batch, and a wash of the place."""
    cellar = Cellar(tmp_path)
    cellar.until("2026-03-05", "18:00")
    cellar.do(EntryKind.DISCARDED, "2026-03-05", "19:00", "1", {"why": "slime"}, trays=1)
    at = cellar.book.at("2026-03-06", "07:31")
    before = [task for task in cellar.advisor.open_tasks(at) if task.kind.value in ("look over", "wash the shelf")]
    cellar.do(EntryKind.LOOKED, "2026-03-06", "07:32", "1", {"text": "nothing seen"})
    cellar.do(EntryKind.LOOKED, "2026-03-06", "07:33", "2", {"text": "nothing seen"})
    cellar.do(EntryKind.CLEANED, "2026-03-06", "07:40", None, {}, spot="cellar/1/1")
    at = cellar.book.at("2026-03-06", "07:45")

    after = [task for task in cellar.advisor.open_tasks(at) if task.kind.value in ("look over", "wash the shelf")]

    assert [task.answer for task in before if task.kind.value == "wash the shelf"] == ["traywarden clean 1/1"]
    assert len(before) == 3
    assert after == []


def test_a_tray_thrown_away_for_another_reason_asks_for_nothing_more(tmp_path: Path) -> None:
    """Dropped on the floor."""
    cellar = Cellar(tmp_path)
    cellar.until("2026-03-05", "18:00")
    cellar.do(EntryKind.DISCARDED, "2026-03-05", "19:00", "1", {"why": "dropped"}, trays=1)
    cellar.until("2026-03-06", "18:00")

    assert asked_beside(cellar) == []


def test_a_batch_gone_whole_is_cleared_and_washed_as_ever(tmp_path: Path) -> None:
    """One wash of the place, not two; the neighbours are looked at."""
    cellar = Cellar(tmp_path)
    cellar.until("2026-03-05", "18:00")
    cellar.do(EntryKind.DISCARDED, "2026-03-05", "19:00", "1", {"why": "smell"})
    cellar.play(
        cellar.book.at("2026-03-05", "19:01"), cellar.book.at("2026-03-06", "18:00"), lambda at, kind, batch: None
    )

    assert asked_beside(cellar) == [("look over", "2")]
    assert ("clear and wash", "1") in [(kind, batch) for _, kind, batch in cellar.told]


def test_a_soak_of_a_held_lot_is_nudged_with_the_hold_first(tmp_path: Path) -> None:
    """Whoever drains it reads first that it is on hold."""
    cellar = Cellar(tmp_path)
    cellar.do(EntryKind.SOAKED, "2026-03-03", "08:30", "4", {"crop": "pea", "lot": "P-1", "trays_planned": 4})
    cellar.do(EntryKind.HELD, "2026-03-03", "09:00", None, {"lot": "P-1", "why": "recalled"})
    cellar.until("2026-03-03", "20:00")

    (drain,) = [row.text for row in cellar.outbox.rows() if row.kind == "drain" and row.person == "ines"]

    assert drain.startswith("ON HOLD: do not cut, do not deliver\n ! Batch 4 pea, still soaking. Why: its lot P-1")
