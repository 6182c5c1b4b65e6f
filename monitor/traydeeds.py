"""What a wish about trays comes to: from drained and stacked to watered, noted, cut and thrown away; pure.

A command and a page call the same function, so the same entries come out.
"""

from __future__ import annotations

import shlex
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from monitor.amounts import read_g, read_ml, say_g, say_ml, say_trays
from monitor.batches import Batch, Fate
from monitor.counting import counted
from monitor.desk import Deed, Desk
from monitor.errors import NotFoundError, RefusedError
from monitor.ledger import EntryKind
from monitor.profiles import Profile
from monitor.verbs import (
    CUTTING,
    HEAVY,
    LIVING,
    SPOILT_CARE,
    early_by,
    early_warning,
    is_spoilt,
    next_stack,
    pile_warnings,
    say_deed,
    trays_of,
)

MOST_KG = 60.0
"""A weight on a stack over this is a slip of the finger. Ours. [kg]"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Which:
    """Which trays of a batch are meant.

    Attributes:
        trays: How many; None: all that fit.
        spot: Those that stand here, as a person writes it; None: wherever they stand.
    """

    trays: int | None = None
    spot: str | None = None


ALL = Which()


def simple_deed(
    desk: Desk, kind: EntryKind, said: str | None, what: str, which: Which, data: Mapping[str, Any] | None = None
) -> Deed:
    """Return one entry about one batch, and what was noted."""
    batch = desk.batch(said, kind)
    place = desk.spot(which.spot)
    entry = desk.entry(kind, batch, trays=which.trays, spot=place, data=dict(data or {}))
    profile = desk.profiles.get(batch.crop)
    words = say_deed(what, batch, trays_of(entry, batch), profile, desk.farm.places, place)
    return Deed(entries=(entry,), said=(words,))


def lifted(desk: Desk, batch: Batch, kind: EntryKind) -> dict[str, Any]:
    """Return what is kept of a cover that is lifted, and warn where it is early."""
    profile = desk.profiles.get(batch.crop)
    if profile is None:
        return {}
    days = early_by(batch, profile, at=desk.at, zone=desk.farm.zone)
    warning = early_warning(batch, profile, days, kind)
    if warning is None:
        return {}
    desk.warnings.append(warning)
    return {"early": days}


def drain_deed(desk: Desk, said: str | None) -> Deed:
    """Return the end of a soak."""
    found = desk.batch(said, EntryKind.DRAINED)
    desk.care.append("Throw soak water away; sow today.")
    entry = desk.entry(EntryKind.DRAINED, found)
    return Deed(entries=(entry,), said=(f"Noted: the soak of {desk.name(found)} is drained.",))


def stack_deed(
    desk: Desk,
    batches: Sequence[str],
    *,
    spot: str | None = None,
    weight_kg: float | None = None,
    trays: int | None = None,
    cover_only: bool = False,
) -> Deed:
    """Return a pile, its batches named from the top down, or trays covered without a weight.

    Raises:
        RefusedError: The weight cannot be.
    """
    if weight_kg is not None and not 0 <= weight_kg <= MOST_KG:
        raise RefusedError(f"{weight_kg:g} kg on a stack cannot be; give 0 to {MOST_KG:g} kg")
    found = [desk.batch(each, EntryKind.STACKED) for each in batches]
    pile = None if cover_only else next_stack(desk.batches)
    place = desk.spot(spot)
    if pile:
        desk.warnings += pile_warnings(found, desk.profiles, now=desk.at, zone=desk.farm.zone)
        desk.warnings += _too_heavy(desk, found, weight_kg)
    entries = [
        desk.entry(
            EntryKind.STACKED,
            each,
            trays=trays,
            spot=place,
            stack=pile,
            data={"weight_kg": weight_kg, "order": order, "covered_only": cover_only},
        )
        for order, each in enumerate(found, start=1)
    ]
    counts = [say_trays(trays_of(entry, each)) for entry, each in zip(entries, found, strict=True)]
    named = ", ".join(f"{count} of {desk.name(each)}" for count, each in zip(counts, found, strict=True))
    where = f", {desk.farm.places.name(place)}" if place else ""
    what = "covered" if cover_only else f"stacked as pile {pile}, named from the top"
    if not cover_only:
        desk.care.append(HEAVY)
    return Deed(entries=tuple(entries), said=(f"Noted: {named} {what}{where}.",))


def _too_heavy(desk: Desk, batches: Sequence[Batch], weight_kg: float | None) -> list[str]:
    """Return whose profile takes less weight than was put on."""
    spans = [(each, desk.profiles[each.crop].stack_weight_kg) for each in batches if each.crop in desk.profiles]
    return [
        f"The profile of {desk.name(each)} takes at most {span.high:g} kg."
        for each, span in spans
        if weight_kg is not None and span is not None and weight_kg > span.high
    ]


def look_deed(desk: Desk, said: str | None, text: str, which: Which = ALL) -> Deed:
    """Return a look into a stack."""
    found = desk.batch(said, EntryKind.LOOKED)
    data = {"text": text, **lifted(desk, found, EntryKind.LOOKED)}
    return simple_deed(desk, EntryKind.LOOKED, found.id, "looked at", which, data)


def uncover_deed(
    desk: Desk, said: str | None, *, to: str | None = None, pile: str | None = None, which: Which = ALL
) -> Deed:
    """Return the end of stacking or covering, of one batch or of every batch of a pile.

    Raises:
        NotFoundError: There is no such pile.
    """
    place, target = desk.spot(which.spot), desk.spot(to)
    if pile is not None:
        found = [each for each in desk.batches.values() if any(part.stack == pile for part in each.standing)]
        if not found:
            raise NotFoundError(f"no trays lie in a pile {pile!r}; `traywarden batches` shows the piles")
    else:
        found = [desk.batch(said, EntryKind.UNCOVERED)]
    entries, words = [], []
    for each in found:
        data: dict[str, Any] = {"to": target} if target else {}
        data |= lifted(desk, each, EntryKind.UNCOVERED)
        entry = desk.entry(EntryKind.UNCOVERED, each, trays=which.trays, spot=place, stack=pile, data=data)
        entries.append(entry)
        profile = desk.profiles.get(each.crop)
        words.append(say_deed("uncovered", each, trays_of(entry, each), profile, desk.farm.places, target or place))
    return Deed(entries=tuple(entries), said=tuple(words))


def lights_deed(desk: Desk, said: str | None, *, to: str | None = None, which: Which = ALL) -> Deed:
    """Return the end of the blackout."""
    found = desk.batch(said, EntryKind.LIGHTS_ON)
    target = desk.spot(to)
    data: dict[str, Any] = {"to": target} if target else {}
    data |= lifted(desk, found, EntryKind.UNCOVERED)
    return simple_deed(desk, EntryKind.LIGHTS_ON, found.id, "brought into the light", which, data)


def water_deed(desk: Desk, said: str | None, ml: str | None, which: Which = ALL) -> Deed:
    """Return a watering from below; the amount as a person writes it, into each tray."""
    amount = None if ml is None else read_ml(ml, desk.farm.units)
    what = "watered" if amount is None else f"watered with {say_ml(amount, desk.farm.units)} each"
    return simple_deed(desk, EntryKind.WATERED, said, what, which, {"ml_per_tray": amount})


def weigh_deed(desk: Desk, said: str | None, weight: str, mark: str | None, which: Which = ALL) -> Deed:
    """Return a weight from a kitchen scale, with its tray and all."""
    grams = read_g(weight, desk.farm.units)
    what = f"weighed at {say_g(grams, desk.farm.units)} each{f', {mark}' if mark else ''}"
    return simple_deed(desk, EntryKind.WEIGHED, said, what, which, {"grams": grams, "mark": mark})


def lift_deed(desk: Desk, said: str | None, feel: str, which: Which = ALL) -> Deed:
    """Return how a tray feels in the hand."""
    return simple_deed(desk, EntryKind.LIFTED, said, f"lifted: {feel}", which, {"feel": feel})


def move_deed(desk: Desk, said: str | None, to: str, which: Which = ALL) -> Deed:
    """Return that trays stand somewhere else now."""
    target = desk.farm.places.find(to)
    return simple_deed(desk, EntryKind.MOVED, said, f"moved to {target.name}", which, {"to": target.id})


def note_deed(desk: Desk, said: str | None, text: str, which: Which = ALL, *, photo: str | None = None) -> Deed:
    """Return something written down about a batch, with the name of a photo that was kept.

    Raises:
        RefusedError: There is neither a word nor a photo.
    """
    if not text.strip() and photo is None:
        raise RefusedError("a note needs a word or a photo")
    found = desk.batch(said, EntryKind.NOTED)
    data = {"text": text} if photo is None else {"text": text, "photo": photo}
    entry = desk.entry(EntryKind.NOTED, found, trays=which.trays, spot=desk.spot(which.spot), data=data)
    words = text.strip() or "a photo"
    return Deed(entries=(entry,), said=(f"Noted for {desk.name(found)}: {words}",))


def harvest_deed(
    desk: Desk, said: str | None, grams: str | None, which: Which = ALL, *, against_hold: bool = False
) -> Deed:
    """Return a cut; the weight as a person writes it, of all trays cut."""
    found = desk.batch(said, EntryKind.HARVESTED)
    mass = None if grams is None else read_g(grams, desk.farm.units)
    desk.care += _harvest_care(desk.profiles.get(found.crop))
    what = "cut" if mass is None else f"cut, {say_g(mass, desk.farm.units)} in all"
    data = {"grams": mass, **against(desk, found, against_hold)}
    return simple_deed(desk, EntryKind.HARVESTED, found.id, what, which, data)


def against(desk: Desk, batch: Batch, against_hold: bool) -> dict[str, bool]:
    """Return what is kept of a deed done against a hold, and warn of it."""
    if not against_hold:
        return {}
    if batch.holds:
        desk.warnings.append(
            f"{desk.name(batch)} is on hold ({batch.holds[0].why}). Kept so that it can be traced; now ask your "
            "food-safety authority and the seed's supplier what to do with what went out."
        )
    return {"against_hold": True}


def _harvest_care(profile: Profile | None) -> list[str]:
    """Return the cautions of a harvest: those of all crops, and the crop's own."""
    if profile is None:
        return [CUTTING]
    allergens = [f"Declare: {profile.allergens}"] if profile.allergens else []
    return [CUTTING, profile.storage["text"], *allergens, *profile.cautions]


def deliver_deed(
    desk: Desk,
    said: str | None,
    which: Which = ALL,
    *,
    whom: str | None = None,
    living: bool | None = None,
    grams: str | None = None,
    against_hold: bool = False,
) -> Deed:
    """Return what went out: trays, or what was cut from them; it says what promise it counts for."""
    found = desk.batch(said, EntryKind.DELIVERED)
    if living:
        desk.care.append(LIVING)
    data: dict[str, Any] = {"whom": whom, "living": living, **against(desk, found, against_hold)}
    if grams is not None:
        data["grams"] = read_g(grams, desk.farm.units)
    entry = desk.entry(EntryKind.DELIVERED, found, trays=which.trays, spot=desk.spot(which.spot), data=data)
    count = say_trays(which.trays) if which.trays else "the trays"
    to = f" to {whom}" if whom else ""
    words = f"Noted: {count} of {desk.name(found)} delivered{' living' if living else ''}{to}."
    return Deed(entries=(entry,), said=(words, *counted(desk, found, entry)))


def discard_deed(desk: Desk, said: str | None, why: str, which: Which = ALL) -> Deed:
    """Return trays thrown away, and why.

    Raises:
        RefusedError: No reason was given.
    """
    if not why.strip():
        raise RefusedError("say why they were thrown away, e.g. 'grey fuzz'; the look-back asks for it")
    found = desk.batch(said, EntryKind.DISCARDED)
    if is_spoilt(why):
        desk.care += [SPOILT_CARE, *_hold_rest(desk, found, which.trays, why)]
    return simple_deed(desk, EntryKind.DISCARDED, found.id, f"thrown away ({why})", which, {"why": why})


def _hold_rest(desk: Desk, batch: Batch, trays: int | None, why: str) -> list[str]:
    """Return the question whether the rest of a spoilt batch may be cut; it is the grower's to answer."""
    left = batch.trays(Fate.STANDING) + batch.trays(Fate.CUT) - (trays or batch.trays(Fate.STANDING))
    if left <= 0 or batch.holds:
        return []
    reason = shlex.quote(why)
    return [
        f"May the other {say_trays(left)} of {desk.name(batch)} still be cut and sold? You decide. Until you know, "
        f"hold them: traywarden hold --batch {batch.id} --reason {reason}",
        "The next round asks for a look at the neighbours and a wash of the shelf.",
    ]
