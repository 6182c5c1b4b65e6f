"""What has been made to be sent, and when a failed sending is tried again; pure."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from alerts.nudges import Message

FIRST_WAIT = timedelta(seconds=30)
LONGEST_WAIT = timedelta(minutes=30)
GIVE_UP_AFTER = timedelta(hours=24)
"""A message that no channel took for a day is given up; `traywarden status` shows it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OutboxRow(Message):
    """One message as the outbox keeps it.

    Attributes:
        sent_at: When its channel took it; None: not yet.
        attempts: How often it was tried.
        next_try_at: When it is to be tried next.
        last_error: What the channel said last; None: nothing.
        given_up_at: When it was given up; None: it was not.
    """

    sent_at: datetime | None
    attempts: int
    next_try_at: datetime
    last_error: str | None
    given_up_at: datetime | None


def next_try(row: OutboxRow, failed_at: datetime) -> datetime | None:
    """Return when a message that just failed is tried again; None: it is given up.

    Waits double from half a minute to half an hour, for a day.
    """
    if failed_at - row.due_at >= GIVE_UP_AFTER:
        return None
    doubled: timedelta = FIRST_WAIT * 2 ** min(row.attempts, 10)
    return failed_at + min(doubled, LONGEST_WAIT)
