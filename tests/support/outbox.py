"""Messages as the outbox keeps them, for tests."""

from __future__ import annotations

from datetime import datetime

from alerts.outbox import OutboxRow


def asked(task: str, at: datetime) -> OutboxRow:
    """Return a round's message that asks for one thing, sent at an instant."""
    return OutboxRow(
        key=f"{task}|{at.isoformat()}", kind="round", person="ines", channel="console", title="Round", text="",
        stages=(task,), tasks=(task,), made_at=at, due_at=at, was_late=False, sent_at=at, attempts=1, next_try_at=at,
        last_error=None, given_up_at=None,
    )  # fmt: skip
