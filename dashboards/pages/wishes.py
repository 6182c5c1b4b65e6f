"""What a form about a batch that came back means: the same deed as the command's; pure."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from monitor.desk import Deed, Desk
from monitor.errors import RefusedError
from monitor.holding import hold_deed, release_deed
from monitor.ledger import EntryKind
from monitor.sowing import SowWish, sow_deed, sowing_of
from monitor.traydeeds import (
    Which,
    deliver_deed,
    discard_deed,
    drain_deed,
    harvest_deed,
    lift_deed,
    lights_deed,
    look_deed,
    move_deed,
    note_deed,
    stack_deed,
    uncover_deed,
    water_deed,
    weigh_deed,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Filled:
    """A form that came back.

    Attributes:
        deed: Which.
        batch: Batch id.
        values: What stands in its fields; those left empty are left out.
        photo: Name of the photo that was kept with it; None: there was none.
    """

    deed: str
    batch: str
    values: Mapping[str, str]
    photo: str | None = None

    def get(self, name: str) -> str | None:
        """Return what stands in a field; None: nothing."""
        return self.values.get(name)


def deed_of(desk: Desk, filled: Filled) -> Deed:
    """Return what a form that came back comes to, as the command of the same deed would have it.

    Raises:
        RefusedError: It cannot be; says why and what to do.
    """
    work = _WORK.get(filled.deed)
    if work is None:
        raise RefusedError("This button is not known here; reload the page.")
    return work(desk, filled)


def _trays(filled: Filled) -> int | None:
    """Return how many trays are meant, or None."""
    said = filled.get("trays")
    if said is None:
        return None
    if not said.isdigit() or not 1 <= int(said) <= 9999:
        raise RefusedError(f"{said!r} is no number of trays; give e.g. 4, or leave it empty for all")
    return int(said)


def _some(filled: Filled) -> Which:
    """Return which trays are meant."""
    return Which(trays=_trays(filled), spot=filled.get("spot"))


def _kg(said: str | None) -> float | None:
    """Return a weight on a stack. [kg]."""
    if said is None:
        return None
    try:
        return float(said.replace(",", ".").removesuffix("kg").strip())
    except ValueError:
        raise RefusedError(f"{said!r} is no weight in kg; give e.g. 5 or 7.5") from None


def _stack(desk: Desk, filled: Filled) -> Deed:
    """Return trays stacked or covered."""
    return stack_deed(
        desk,
        [filled.batch],
        spot=filled.get("put"),
        weight_kg=_kg(filled.get("weight")),
        trays=_trays(filled),
        cover_only=filled.get("cover_only") is not None,
    )


def _sown(desk: Desk, filled: Filled) -> Deed:
    """Return a soak sown."""
    batch = desk.batch(filled.batch, EntryKind.SOWN)
    treated = {"yes": True, "no": False}.get(filled.get("treated") or "")
    wish = SowWish(
        crop=batch.crop,
        trays=_trays(filled),
        spot=filled.get("put"),
        lot=filled.get("lot"),
        treated=treated,
        grams=filled.get("grams"),
        batch=batch.id,
    )
    return sow_deed(desk, [sowing_of(desk, wish)])


def _hold(desk: Desk, filled: Filled) -> Deed:
    """Return a hold on the batch."""
    return hold_deed(desk, None, filled.batch, filled.get("why") or "")[1]


def _release(desk: Desk, filled: Filled) -> Deed:
    """Return the end of a hold on the batch."""
    return release_deed(desk, None, filled.batch, filled.get("why") or "")


def _delivered(desk: Desk, filled: Filled) -> Deed:
    """Return what went out."""
    living = {"living": True, "cut": False}.get(filled.get("as") or "")
    return deliver_deed(
        desk, filled.batch, _some(filled), whom=filled.get("whom"), living=living, grams=filled.get("grams")
    )


_WORK: Mapping[str, Callable[[Desk, Filled], Deed]] = {
    "drain": lambda desk, filled: drain_deed(desk, filled.batch),
    "sow": _sown,
    "stack": _stack,
    "look": lambda desk, filled: look_deed(desk, filled.batch, filled.get("text") or "", _some(filled)),
    "uncover": lambda desk, filled: uncover_deed(desk, filled.batch, to=filled.get("to"), which=_some(filled)),
    "lights": lambda desk, filled: lights_deed(desk, filled.batch, to=filled.get("to"), which=_some(filled)),
    "water": lambda desk, filled: water_deed(desk, filled.batch, filled.get("ml"), _some(filled)),
    "weigh": lambda desk, filled: weigh_deed(
        desk, filled.batch, filled.get("grams") or "", filled.get("mark"), _some(filled)
    ),
    "lift": lambda desk, filled: lift_deed(desk, filled.batch, filled.get("feel") or "right", _some(filled)),
    "move": lambda desk, filled: move_deed(desk, filled.batch, filled.get("to") or "", _some(filled)),
    "note": lambda desk, filled: note_deed(
        desk, filled.batch, filled.get("text") or "", _some(filled), photo=filled.photo
    ),
    "harvest": lambda desk, filled: harvest_deed(
        desk, filled.batch, filled.get("grams"), _some(filled), against_hold=filled.get("against_hold") is not None
    ),
    "deliver": _delivered,
    "discard": lambda desk, filled: discard_deed(desk, filled.batch, filled.get("why") or "", _some(filled)),
    "hold": _hold,
    "release": _release,
}
DEEDS = tuple(_WORK)
"""What a form of a batch may be about."""
