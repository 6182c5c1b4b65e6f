"""How a page writes entries: as the command line does, under the ledger's own check, each tap once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from dashboards.web.house import House
from monitor.fold import check_append
from monitor.ledger import Entry, NewEntry


class MovedOnError(Exception):
    """The ledger grew since the page's moment was worked out; look again."""


class TapKnownError(Exception):
    """A tap that was written before comes again."""

    def __init__(self, entries: tuple[Entry, ...]) -> None:
        """Carry what it wrote."""
        super().__init__("this tap was written before")
        self.entries = entries


def write(
    house: House, entries: Sequence[NewEntry], *, tap: str | None = None, version: int | None = None
) -> tuple[Entry, ...]:
    """Write entries down, all or none, tell the open pages, and have the monitor look.

    Args:
        house: The collaborators.
        entries: What to write; several are kept as one answer, which is taken back as one.
        tap: The tap's own key; the same key is never written twice.
        version: The ledger's version that the entries were worked out from; None: it does not matter.

    Raises:
        EntryError: They contradict what the ledger holds; nothing was written.
        MovedOnError: The ledger has grown beyond ``version``; nothing was written.
        TapKnownError: The tap was written before; nothing was written now.
    """
    now = house.clock()

    def check(known: tuple[Entry, ...]) -> None:
        if tap is not None:
            before = tuple(entry for entry in known if entry.data.get("tap") == tap)
            if before:
                raise TapKnownError(before)
        last = known[-1].id if known else 0
        if version is not None and last != version:
            raise MovedOnError
        check_append(known, marked, recorded_at=now)

    own: dict[str, object] = {} if tap is None else {"tap": tap}
    if len(entries) > 1:
        own["together"] = house.ledger.version() + 1
    marked = [replace(entry, data={**entry.data, **own}) for entry in entries]
    written = house.ledger.append(marked, recorded_at=now, check=check)
    house.bell.ring("ledger")
    house.wake()
    return written
