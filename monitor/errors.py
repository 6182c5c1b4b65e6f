"""Every exception that Traywarden raises, drawn as a tree.

TraywardenError                 anything we raise on purpose; its text says what, where, how to mend
├── RefusedError                a wish that cannot be met: told to the person, exit status 1
│   ├── EntryError              a ledger entry that contradicts what the ledger holds
│   ├── NotFoundError           a batch, place, crop, person or sensor that is not there
│   └── TimeError               an instant or day that cannot be read, or is impossible
├── ConfigError                 farm.toml or a crop profile has faults; carries all of them
├── PayloadError                a message that cannot be read as a reading
├── UnitError                   a unit that cannot be converted to the quantity's own
├── FeedError                   a Modbus line, watched folder or pushing device that cannot be read
├── ImportFileError             a file that cannot be read as a table of readings
├── StoreError                  a database that did not do what was asked
│   ├── NewerSchemaError        the database was written by a newer version
│   ├── StoreUnavailableError   it does not answer now; trying again later may help
│   ├── LeaseLostError          another process watches that room now: nothing was written
│   ├── ToldMeanwhileError      another process has told it meanwhile: nothing was written
│   └── RejectedRowsError       the server refuses rows for good; carries them and its words
├── BrokerError                 the MQTT broker cannot be reached, or refuses us
├── PagesError                  the pages cannot be served as farm.toml asks
├── ChannelError                a nudge could not be handed to its channel
├── PictureError                a picture that could not be drawn
├── BackupError                 a copy that is incomplete, or does not match what it claims
└── ShapeError                  arrays that do not belong together: a wrong call
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta


class TraywardenError(Exception):
    """Anything that Traywarden raises on purpose."""


class RefusedError(TraywardenError):
    """A wish that cannot be met; its text is shown to the person who asked."""


class EntryError(RefusedError):
    """A ledger entry that contradicts what the ledger holds."""


class NotFoundError(RefusedError):
    """A batch, place, crop, person or sensor that is not there."""


class TimeError(RefusedError):
    """An instant or a day that cannot be read, or that cannot be."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One thing wrong in a settings file.

    Attributes:
        file: Name of the file as the person knows it.
        line: Line of the key or table, counted from 1; None where there is no such line.
        key: Dotted path of the key, e.g. ``sensor[2].topic``.
        found: What stands there, as the file has it.
        allowed: What may stand there, and how to mend it.
    """

    file: str
    line: int | None
    key: str
    found: str
    allowed: str

    def __str__(self) -> str:
        """Return the fault in one line."""
        where = self.file if self.line is None else f"{self.file} line {self.line}"
        return f"{where}: {self.key}: found {self.found}; {self.allowed}"


class ConfigError(TraywardenError):
    """Settings with faults; carries every one of them.

    Attributes:
        faults: All faults that were found, in file order.
    """

    def __init__(self, faults: Sequence[Fault]) -> None:
        """Keep the faults and say all of them."""
        self.faults = tuple(faults)
        super().__init__("\n".join(str(fault) for fault in self.faults))


class PayloadError(TraywardenError):
    """A message that cannot be read as a reading."""


class UnitError(TraywardenError):
    """A unit that cannot be converted to the quantity's own."""


class FeedError(TraywardenError):
    """A Modbus line, a watched folder or a pushing device that cannot be read; the others go on."""


class ImportFileError(TraywardenError):
    """A file that cannot be read as a table of readings."""


class StoreError(TraywardenError):
    """A database that did not do what was asked."""


class NewerSchemaError(StoreError):
    """The database was written by a newer version of Traywarden."""


class StoreUnavailableError(StoreError):
    """The database does not answer now; trying again later may help.

    Attributes:
        again_in: How long it asks to be left alone; None: it did not say.
    """

    def __init__(self, text: str, *, again_in: timedelta | None = None) -> None:
        """Keep what is told, and when to try again."""
        self.again_in = again_in
        super().__init__(text)


class LeaseLostError(StoreError):
    """A room is not, or no longer, in this process's care; nothing was written.

    Attributes:
        rooms: The names that are not held.
    """

    def __init__(self, rooms: Sequence[str]) -> None:
        """Keep the names."""
        self.rooms = tuple(rooms)
        said = ", ".join(room or "what belongs to no room" for room in self.rooms)
        super().__init__(f"the lease on {said} has run out, or another process has it: nothing was written")


class ToldMeanwhileError(StoreError):
    """Another process has told it since this one last looked; nothing was written, and a new look leaves it out."""


class RejectedRowsError(StoreError):
    """The server refuses rows for good; all others were stored.

    Attributes:
        rows: One ``(row text, the server's own words)`` for each refused row.
    """

    def __init__(self, rows: Sequence[tuple[str, str]]) -> None:
        """Keep the refused rows."""
        self.rows = tuple(rows)
        super().__init__(f"{len(self.rows)} rows were refused; the first: {self.rows[0]!r}")


class BrokerError(TraywardenError):
    """The MQTT broker cannot be reached, or refuses us."""


class PagesError(TraywardenError):
    """The pages cannot be served as farm.toml asks: port, address, certificate or a missing password."""


class ChannelError(TraywardenError):
    """A nudge could not be handed to its channel."""


class PictureError(TraywardenError):
    """A picture that could not be drawn."""


class BackupError(TraywardenError):
    """A copy that is incomplete, or does not match what it claims to be."""


class ShapeError(TraywardenError, ValueError):
    """Arrays that do not belong together: a wrong call."""
