"""What is shown where a wish could not be met; pure."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Sorry:
    """A page that says what was wrong.

    Attributes:
        status: HTTP status.
        why: What was wrong, and how to mend it.
    """

    status: int
    why: str
