"""What has been made to be sent, and when a failed sending is tried again; pure."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

FIRST_WAIT = timedelta(seconds=30)
LONGEST_WAIT = timedelta(minutes=30)
GIVE_UP_AFTER = timedelta(hours=24)
"""A message that no channel took for a day is given up; `traywarden status` shows it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OutboxRow:
    """One message as the outbox keeps it.

    Attributes:
        key: Unique for ever.
        kind: ``round``, ``drain`` or ``alarm``.
        person: Person's id.
        channel: Channel's id.
        title: A few words.
        text: The whole message.
        stages: Keys of the task stages that it tells.
        tasks: Keys of the tasks that it tells.
        made_at: When it was made.
        due_at: When it may first go out.
        was_late: It was made well after it fell due.
        sent_at: When its channel took it; None: not yet.
        attempts: How often it was tried.
        next_try_at: When it is to be tried next.
        last_error: What the channel said last; None: nothing.
        given_up_at: When it was given up; None: it was not.
    """

    key: str
    kind: str
    person: str
    channel: str
    title: str
    text: str
    stages: tuple[str, ...]
    tasks: tuple[str, ...]
    made_at: datetime
    due_at: datetime
    was_late: bool
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
