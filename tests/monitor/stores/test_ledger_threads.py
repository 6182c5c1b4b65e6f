"""The ledger is read and written by several threads of one process: the pages' and the monitor's."""

from __future__ import annotations

import threading
from datetime import UTC, datetime
from pathlib import Path

from monitor.fold import check_append
from monitor.ledger import Entry, EntryKind, NewEntry
from monitor.stores.ledger import open_ledger

NOW = datetime(2026, 3, 4, 9, 0, tzinfo=UTC)


def test_threads_that_catch_up_together_see_each_entry_once(tmp_path: Path) -> None:
    """Two that read the same new rows in the same moment would else have kept them twice."""
    ledger = open_ledger(tmp_path)
    seen: list[tuple[int, ...]] = []
    stop = threading.Event()

    def write(who: str) -> None:
        for number in range(8):
            note = NewEntry(kind=EntryKind.RECORDED, at=NOW, by=who, data={"what": "hand-over", "text": str(number)})

            def check(known: tuple[Entry, ...], new: NewEntry = note) -> None:
                check_append(known, [new], recorded_at=NOW)

            ledger.append([note], recorded_at=NOW, check=check)

    def read() -> None:
        while not stop.is_set():
            seen.append(tuple(entry.id for entry in ledger.entries()))

    readers = [threading.Thread(target=read) for _ in range(2)]
    writers = [threading.Thread(target=write, args=(who,)) for who in ("ines", "tomek")]
    for thread in (*readers, *writers):
        thread.start()
    for thread in writers:
        thread.join()
    stop.set()
    for thread in readers:
        thread.join()

    assert all(ids == tuple(sorted(set(ids))) for ids in seen)
    assert len(ledger.entries()) == 16
    ledger.close()
