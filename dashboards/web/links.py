"""Links in a nudge that answer one task by a tap and a confirmation: signed, for one person and purpose, expiring."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from itsdangerous import BadSignature, URLSafeSerializer

from alerts.tasks import OF_PROMISES
from monitor.doors import Doors

HOLDS_FOR = timedelta(hours=24)
"""A link answers for so long after its message went out. Our choice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Link:
    """What a link lets somebody do.

    Attributes:
        person: In whose name.
        task: Key of the only task that it answers.
        until: How long.
    """

    person: str
    task: str
    until: datetime


def _signer(doors: Doors) -> URLSafeSerializer:
    """Return what signs links, and nothing else."""
    return URLSafeSerializer(doors.key, salt="one tap")


def link_of(doors: Doors, link: Link) -> str:
    """Return the token of a link."""
    return str(_signer(doors).dumps([link.person, link.task, int(link.until.timestamp())]))


def read_link(doors: Doors, token: str) -> Link | None:
    """Return what a token lets somebody do, or None where we did not sign it."""
    try:
        person, task, until = _signer(doors).loads(token)
    except (BadSignature, ValueError, TypeError):
        return None
    return Link(person=str(person), task=str(task), until=datetime.fromtimestamp(int(until), UTC))


def link_lines(doors: Doors, url: str, person: str, tasks: Iterable[str], now: datetime) -> str:
    """Return what is put under a message: one line a task that a tap can answer; empty where there is none.

    Args:
        doors: The key that signs.
        url: How people reach the pages.
        person: To whom the message goes.
        tasks: Keys of the tasks that it tells.
        now: When it goes out.
    """
    promised = {kind.value for kind in OF_PROMISES}
    lines = []
    for task in dict.fromkeys(tasks):
        batch, kind, *_ = task.split("|")
        if kind not in promised:
            token = link_of(doors, Link(person=person, task=task, until=now + HOLDS_FOR))
            lines.append(f"Batch {batch}, {kind}: {url}/tap/{token}")
    return "\n".join(["", "", "To answer from here (asks once more, holds for a day):", *lines]) if lines else ""
