"""What a person's judgement of a batch comes to: one entry, with its words and cautions, for commands and pages."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from monitor.desk import Deed, Desk
from monitor.errors import RefusedError
from monitor.ledger import EntryKind
from monitor.outcomes import SIGNS, WENT
from monitor.verbs import SPOILT_CARE, is_spoilt

NOT_SOLD = (
    "A mouldy or doubtful batch is not sold, nor is what stood beside it until you know; local food-safety rules."
)
_SPOILT_SIGNS = ("mould", "rot")


@dataclass(frozen=True, slots=True, kw_only=True)
class OutcomeWish:
    """What a person says of how a batch turned out, as far as they do.

    Attributes:
        batch: Which, by number or crop; None: the only one that it can be.
        stand: 0 to 5.
        evenness: 0 to 5.
        off_types_pct: Share of plants of another kind. [%]
        signs: Words of ``SIGNS``.
        went: A word of ``WENT``, or empty.
        why: What was wrong, in their words, or empty.
        photo: Name of a picture that is kept already.
    """

    batch: str | None
    stand: float | None = None
    evenness: float | None = None
    off_types_pct: float | None = None
    signs: tuple[str, ...] = ()
    went: str = ""
    why: str = ""
    photo: str | None = None


def outcome_deed(desk: Desk, wish: OutcomeWish) -> Deed:
    """Return the entry of an outcome; the desk gathers its cautions.

    Raises:
        RefusedError: Nothing is said, or something that cannot be.
        NotFoundError: There is no such batch, or several could be meant.
    """
    _check(wish)
    data = _data(wish)
    if not data:
        raise RefusedError("say how it turned out: e.g. --stand 4 --evenness 4, or --sign patchy, or --photo FILE")
    found = desk.batch(wish.batch, EntryKind.OUTCOME)
    if any(sign in _SPOILT_SIGNS for sign in wish.signs) or is_spoilt(wish.why):
        desk.care += [SPOILT_CARE, NOT_SOLD]
    entry = desk.entry(EntryKind.OUTCOME, found, data=data)
    return Deed(entries=(entry,), said=(f"Noted of {desk.name(found)}: {_words(data)}.",))


def _check(wish: OutcomeWish) -> None:
    """Refuse what cannot be."""
    for what, value, most in (
        ("stand", wish.stand, 5), ("evenness", wish.evenness, 5), ("off-types", wish.off_types_pct, 100),
    ):  # fmt: skip
        if value is not None and not 0 <= value <= most:
            raise RefusedError(f"{what} {value:g} cannot be; give a number from 0 to {most}")
    unknown = [sign for sign in wish.signs if sign not in SIGNS]
    if unknown:
        raise RefusedError(f"no sign is called {', '.join(unknown)}; there are: {', '.join(SIGNS)}")
    if wish.went and wish.went not in WENT:
        raise RefusedError(f"{wish.went!r} is no way to leave; there are: {', '.join(WENT)}")


def _data(wish: OutcomeWish) -> dict[str, Any]:
    """Return what the entry keeps: what was said."""
    given: dict[str, Any] = {
        "stand": wish.stand,
        "evenness": wish.evenness,
        "off_types_pct": wish.off_types_pct,
        "signs": list(dict.fromkeys(wish.signs)) or None,
        "went": wish.went or None,
        "why": wish.why.strip() or None,
        "photo": wish.photo,
    }
    return {key: value for key, value in given.items() if value is not None}


def _words(data: dict[str, Any]) -> str:
    """Return what was noted."""
    said = []
    if "stand" in data:
        said.append(f"stand {data['stand']:g} of 5")
    if "evenness" in data:
        said.append(f"evenness {data['evenness']:g} of 5")
    if "off_types_pct" in data:
        said.append(f"{data['off_types_pct']:g} % off-types")
    said += [str(sign) for sign in data.get("signs", ())]
    said += [str(data[key]) for key in ("went", "why") if key in data]
    if "photo" in data:
        said.append(f"picture {data['photo']}")
    return ", ".join(said)
