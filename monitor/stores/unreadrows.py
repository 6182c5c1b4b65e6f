"""The quarantine: a bounded table of the readings' file that holds what could not be read, each with the reason."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime

from monitor.readings import from_ms, to_ms
from monitor.stores.sqlitefile import SqliteFile
from monitor.unread import QUARANTINE_BYTES, QUARANTINE_ROWS, Unread

_TOO_MUCH = """
DELETE FROM quarantine WHERE id < (SELECT max(id) FROM quarantine) AND id IN (
    SELECT id FROM (SELECT id, sum(length(payload)) OVER (ORDER BY id DESC) AS held FROM quarantine) WHERE held > ?
)
"""


class UnreadRows:
    """Rows of what could not be read; several processes may share the file."""

    def __init__(self, file: SqliteFile) -> None:
        """Take the file."""
        self._file = file

    def keep(self, arrived_at: datetime, topic: str, payload: bytes, why: str) -> None:
        """Keep a message; it is on disk when this returns, and pushes the oldest out where there is too much."""

        def work() -> None:
            self._file.writer.execute(
                "INSERT INTO quarantine (arrived_at, topic, payload, why) VALUES (?, ?, ?, ?)",
                (to_ms(arrived_at), topic, payload, why),
            )
            self._file.writer.execute(
                "DELETE FROM quarantine WHERE id <= (SELECT max(id) FROM quarantine) - ?", (QUARANTINE_ROWS,)
            )
            if len(payload) * QUARANTINE_ROWS > QUARANTINE_BYTES:  # short ones alone cannot come to so much
                self._file.writer.execute(_TOO_MUCH, (QUARANTINE_BYTES,))

        self._file.in_transaction("writing quarantine to", work)

    def newest(self, limit: int = QUARANTINE_ROWS) -> list[Unread]:
        """Return the newest messages, newest first."""
        query = "SELECT id, arrived_at, topic, payload, why FROM quarantine ORDER BY id DESC LIMIT ?"
        with self._file.errors("reading"):
            rows = self._file.reader().execute(query, (limit,)).fetchall()
        return [
            Unread(id=number, arrived_at=from_ms(at), topic=topic, payload=bytes(payload), why=why)
            for number, at, topic, payload, why in rows
        ]

    def count(self, since: datetime | None = None) -> int:
        """Return how many are kept, or of them those that came since an instant."""
        query = "SELECT count(*) FROM quarantine WHERE arrived_at >= ?"
        with self._file.errors("reading"):
            return int(self._file.reader().execute(query, (0 if since is None else to_ms(since),)).fetchone()[0])

    def take_out(self, read: Iterable[Unread], *, reworded: Sequence[Unread] = ()) -> None:
        """Let go of messages that have been read and stored, and note a new reason of others.

        A row is only touched where it still holds the same message: its number may have gone to another one since.
        """

        def work() -> None:
            self._file.writer.executemany(f"DELETE FROM quarantine WHERE {_SAME}", [_key(each) for each in read])
            self._file.writer.executemany(
                f"UPDATE quarantine SET why = ? WHERE {_SAME}", [(each.why, *_key(each)) for each in reworded]
            )

        self._file.in_transaction("writing quarantine to", work)


_SAME = "id = ? AND arrived_at = ? AND topic = ? AND payload = ?"


def _key(unread: Unread) -> tuple[int, int, str, bytes]:
    """Return what a row is known by."""
    return unread.id, to_ms(unread.arrived_at), unread.topic, unread.payload
