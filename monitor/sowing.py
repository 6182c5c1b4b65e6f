"""What a wish to sow comes to: which batch, how much seed, what speaks against it, and the days to come; pure."""

from __future__ import annotations

from dataclasses import dataclass, fields
from datetime import date

from monitor.amounts import read_g, say_g, say_trays
from monitor.batches import Batch
from monitor.clock import local_day
from monitor.desk import Deed, Desk
from monitor.errors import RefusedError
from monitor.fold import fold
from monitor.holds import holds_of
from monitor.ledger import Entry, EntryKind, NewEntry, effective
from monitor.lots import Lot, find_lot, lot_warnings, lots_of
from monitor.phases import PhaseSpan, spans
from monitor.profilefile import find_profile
from monitor.profiles import Manner, PhaseKind, Profile
from monitor.verbs import TREATED, next_id, seed_words

_AFTER = {
    Manner.STACKED: "now stack it in the dark under a weight (traywarden stack {batch} --weight KG)",
    Manner.COVERED: "now cover it in the dark, no weight (traywarden stack {batch} --cover-only)",
    Manner.OPEN: "leave it open, lit",
}
TREATED_UNKNOWN = "Sow only untreated seed meant for food or shoots; note it with --untreated, and its lot with --lot."


@dataclass(frozen=True, slots=True, kw_only=True)
class SowWish:
    """What a person says of a sowing, as far as they do.

    Attributes:
        crop: What, by any of its names.
        trays: How many; None: as many as the soak was meant for.
        spot: Where, as a person writes it, or None.
        lot: Seed lot, or None.
        supplier: Who the seed came from, or None.
        treated: Whether the seed is treated; None: not said.
        tray_kind: Tray kind id; None: the farm's first.
        grams: Seed in each tray, as a person writes it; None: the profile's usual.
        batch: The soak that is sown, or the batch that this adds trays to; None: a soak of the crop, or a new batch.
        medium: Which medium, or which bag of it; None: not said.
    """

    crop: str
    trays: int | None = None
    spot: str | None = None
    lot: str | None = None
    supplier: str | None = None
    treated: bool | None = None
    tray_kind: str | None = None
    grams: str | None = None
    batch: str | None = None
    medium: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Sowing:
    """One line of a sowing.

    Attributes:
        crop: Profile id.
        trays: How many.
        spot: Where, or None.
        lot: Seed lot, or None.
        supplier: As entered, or None.
        treated: Whether the seed is treated; None: not said.
        tray_kind: Tray kind id.
        seed_g_per_tray: Sowing weight. [g per tray of its kind]
        medium: Which medium, or which bag of it; None: not said.
    """

    crop: str
    trays: int
    spot: str | None
    lot: str | None
    supplier: str | None
    treated: bool | None
    tray_kind: str
    seed_g_per_tray: float
    medium: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class DayToCome:
    """One day in the life of a sowing.

    Attributes:
        on: The local day on which it usually begins.
        phase: The phase that begins, in words.
        window: First and last day of the move that ends it, or None where time alone does.
    """

    on: date
    phase: str
    window: tuple[date, date] | None


def sowing_of(desk: Desk, wish: SowWish) -> tuple[Sowing, str]:
    """Return (what is sown, the number of its batch): a soak of the crop goes on as the same batch.

    Raises:
        RefusedError: Nothing says how many trays, or several soaks could be meant.
        NotFoundError: There is no such crop or place.
    """
    profile = find_profile(desk.profiles, wish.crop)
    soaked = _soaking(desk, profile.id, wish.batch)
    kind = tray_kind_of(desk, wish.tray_kind)
    count = wish.trays or (soaked.trays_planned if soaked else None)
    if count is None:
        raise RefusedError("say how many trays were sown: --trays N")
    lot = wish.lot or (soaked.lot if soaked else None)
    known = known_lot(desk, lot)
    told = [each for each in (wish.treated, soaked.treated if soaked else None, known.treated if known else None)]
    sowing = Sowing(
        crop=profile.id,
        trays=count,
        spot=desk.spot(wish.spot),
        lot=known.id if known else lot,
        supplier=wish.supplier or (soaked.supplier if soaked else None) or (known.supplier if known else None),
        treated=next((each for each in told if each is not None), None),
        tray_kind=kind,
        seed_g_per_tray=seed_per_tray(desk, profile, kind, wish.grams),
        medium=wish.medium,
    )
    return sowing, soaked.id if soaked else next_id(desk.batches)


def sow_deed(desk: Desk, lines: list[tuple[Sowing, str]]) -> Deed:
    """Return the entries of some sowings, each with the number of its batch; the desk gathers what is odd."""
    return Deed(
        entries=tuple(sowing_entry(desk, sowing, batch) for sowing, batch in lines),
        said=tuple(_said(desk, sowing, batch) for sowing, batch in lines),
    )


def days_to_come(desk: Desk, sowing: Sowing, batch: str) -> tuple[DayToCome, ...]:
    """Return the days that a sowing has before it, if it is done as it is said, each move on its usual day."""
    profile = desk.profiles[sowing.crop]
    number = max((entry.id for entry in desk.entries), default=0) + 1
    new = _sown(desk, sowing, batch)
    kept = Entry(**{each.name: getattr(new, each.name) for each in fields(NewEntry)}, id=number, recorded_at=desk.now)
    found = fold([*desk.entries, kept])[batch]
    part = next(each for each in reversed(found.parts) if each.spot == sowing.spot)
    line = spans(found, part, profile, now=desk.at, zone=desk.farm.zone)
    return tuple(_day(span) for span in line if span.kind is not PhaseKind.SOAK)


def _day(span: PhaseSpan) -> DayToCome:
    """Return a phase as a day to come."""
    window = (span.window.earliest, span.window.latest) if span.window else None
    manner = {Manner.STACKED: "stacked in the dark", Manner.COVERED: "covered in the dark", Manner.OPEN: "open"}
    phase = manner[span.manner] if span.kind is PhaseKind.GERMINATION and span.manner else span.kind.value
    return DayToCome(on=span.begins_on, phase=phase, window=window)


def _sown(desk: Desk, sowing: Sowing, batch: str) -> NewEntry:
    """Return the bare entry of one sowing."""
    data = {
        "crop": sowing.crop,
        "tray_kind": sowing.tray_kind,
        "seed_g_per_tray": sowing.seed_g_per_tray,
        "lot": sowing.lot,
        "supplier": sowing.supplier,
        "treated": sowing.treated,
        "misted": True,
        **({"medium": sowing.medium} if sowing.medium else {}),
    }
    return desk.entry_of(EntryKind.SOWN, batch, trays=sowing.trays, spot=sowing.spot, data=data)


def sowing_entry(desk: Desk, sowing: Sowing, batch: str) -> NewEntry:
    """Return the entry of one sowing, and warn of what is odd about it."""
    profile = desk.profiles[sowing.crop]
    soaked = desk.batches.get(batch)
    is_counted = soaked is not None and any(each.data.get("seed_g") for each in soaked.entries)  # when it was soaked
    mind_lot(desk, sowing.lot, sowing.crop, 0.0 if is_counted else sowing.seed_g_per_tray * sowing.trays)
    if sowing.treated:
        desk.warnings.append(TREATED)
    elif sowing.treated is None and TREATED_UNKNOWN not in desk.care:
        desk.care.append(TREATED_UNKNOWN)
    odd = seed_words(profile, sowing.seed_g_per_tray, desk.farm.tray_kinds[sowing.tray_kind].scale)
    if odd:
        desk.warnings.append(f"Batch {batch} {profile.name.lower()}: {odd}")
    return _sown(desk, sowing, batch)


def _said(desk: Desk, sowing: Sowing, batch: str) -> str:
    """Return what was noted of one sowing, and what to do right after it."""
    profile = desk.profiles[sowing.crop]
    where = f", {desk.farm.places.name(sowing.spot)}" if sowing.spot else ""
    lot = f", lot {sowing.lot}" if sowing.lot else ""
    seed = say_g(sowing.seed_g_per_tray, desk.farm.units)
    after = _AFTER[profile.manner].format(batch=batch)
    return (
        f"Noted: batch {batch}, {say_trays(sowing.trays)} of {profile.name.lower()} sown with {seed} each{lot}{where}; "
        f"mist it, {after}."
    )


def known_lot(desk: Desk, said: str | None) -> Lot | None:
    """Return a seed lot of the book, if it is known."""
    return find_lot(lots_of(effective(desk.entries)), said)


def mind_lot(desk: Desk, said: str | None, crop: str, grams: float) -> None:
    """Warn of what speaks against sowing a lot."""
    holds = holds_of(effective(desk.entries))
    today = local_day(desk.at, desk.farm.zone)
    desk.warnings += lot_warnings(known_lot(desk, said), said, holds, crop=crop, grams=grams, today=today)


def _soaking(desk: Desk, crop: str, said: str | None) -> Batch | None:
    """Return the soak that a sowing ends: the one named, or the only one of its crop; None: there is none."""
    soaking = [batch for batch in desk.batches.values() if batch.sown_at is None and batch.crop == crop]
    if said is not None:
        batch = desk.batches.get(said)
        if batch is None or batch.crop != crop:
            raise RefusedError(f"batch {said!r} is no batch of {crop}; `traywarden batches` lists them")
        return batch
    if len(soaking) > 1:
        numbers = ", ".join(batch.id for batch in soaking)
        raise RefusedError(f"several soaks of {crop} could be meant: {numbers}; say which with --batch")
    return soaking[0] if soaking else None


def is_planned(desk: Desk, crop: str) -> bool:
    """Tell whether a soak of this crop says how many trays it is for."""
    profile = find_profile(desk.profiles, crop)
    return any(
        each.sown_at is None and each.crop == profile.id and each.trays_planned for each in desk.batches.values()
    )


def tray_kind_of(desk: Desk, said: str | None) -> str:
    """Return a tray kind of the farm: the one named, or the first."""
    if said is None:
        return next(iter(desk.farm.tray_kinds))
    if said not in desk.farm.tray_kinds:
        raise RefusedError(f"no tray kind {said!r} in farm.toml; there are: {', '.join(desk.farm.tray_kinds)}")
    return said


def seed_per_tray(desk: Desk, profile: Profile, kind: str, grams: str | None) -> float:
    """Return the sowing weight of one tray in g, as said, or the profile's usual for its tray size."""
    if grams is not None:
        return read_g(grams, desk.farm.units)
    return round(profile.seed_g_per_tray.usual * desk.farm.tray_kinds[kind].scale, 1)
