"""What the sign-in page shows; pure."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class SignIn:
    """The page on which somebody says who they are.

    Attributes:
        people: Who may be chosen.
        chosen: Who is chosen already.
        is_open: No password is asked for.
        wrong: What was wrong with the last try; empty: nothing.
        signed_in: Who is signed in; None: nobody.
    """

    people: tuple[str, ...]
    chosen: str
    is_open: bool
    wrong: str
    signed_in: str | None
