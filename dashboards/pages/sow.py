"""The Sow page: what is typed, what it comes to, and the days that it has before it; pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from datetime import date, datetime

from dashboards.pages.plain import plain, plain_lines, upper
from monitor.amounts import say_day, say_g, say_trays
from monitor.clock import local_day
from monitor.desk import Deed, Desk
from monitor.errors import RefusedError
from monitor.holds import holds_of, same_lot
from monitor.ledger import effective
from monitor.lots import lots_of
from monitor.places import Spot, SpotKind
from monitor.profilefile import find_profile
from monitor.sowing import DayToCome, Sowing, SowWish, days_to_come, sow_deed, sowing_of

_TREATED = {"": None, "no": False, "yes": True}
_HOLDING = (SpotKind.SHELF, SpotKind.POSITION)


@dataclass(frozen=True, slots=True, kw_only=True)
class SowForm:
    """What is typed, field by field; empty: nothing.

    Attributes:
        crop: The crop, by any of its names.
        trays: How many trays.
        lot: Seed lot.
        treated: ``yes``, ``no``, or nothing.
        supplier: Who the seed came from.
        grams: Seed in each tray.
        spot: Place.
        day: Local day, ISO 8601.
        time: Local time.
        tray_kind: Tray kind.
    """

    crop: str = ""
    trays: str = ""
    lot: str = ""
    treated: str = ""
    supplier: str = ""
    grams: str = ""
    spot: str = ""
    day: str = ""
    time: str = ""
    tray_kind: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SowDay:
    """One day to come, in words.

    Attributes:
        when: The day.
        what: What begins.
        span: Until when at the latest; empty: time alone ends it.
    """

    when: str
    what: str
    span: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SowPreview:
    """What a sowing comes to, before it is saved.

    Attributes:
        says: What will be sown where, in one sentence.
        seed: Seed in each tray and in all, in words.
        days: The days to come.
        mind: What speaks against it.
        care: What to take care of.
        goes_on: It goes on from a soak, in words; empty: a new batch begins.
    """

    says: str
    seed: str
    days: tuple[SowDay, ...]
    mind: tuple[str, ...]
    care: tuple[str, ...]
    goes_on: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SowPage:
    """The page.

    Attributes:
        form: What is typed.
        wrong: Why it cannot be; empty: it can.
        crops: Names of all crops, for the search as one types.
        lots: Seed lots as (lot, what it is).
        places: Places as (id, words).
        tray_kinds: Tray kinds as (id, words).
        today: The local day, ISO 8601.
        grams_hint: What the profile asks, in words; empty: no crop is typed.
        preview: What it comes to; None: it is not known yet.
        noted: Number of the batch that was just saved; empty: none.
        unit: Unit in which seed is weighed.
        nonce: Key of the one saving: sent twice, it is saved once.
    """

    form: SowForm
    wrong: str
    crops: tuple[str, ...]
    lots: tuple[tuple[str, str], ...]
    places: tuple[tuple[str, str], ...]
    tray_kinds: tuple[tuple[str, str], ...]
    today: str
    grams_hint: str
    preview: SowPreview | None
    noted: str
    unit: str
    nonce: str

    @property
    def asked(self) -> tuple[tuple[str, str], ...]:
        """Return what is typed as (name, value), to be carried on."""
        return tuple((each.name, getattr(self.form, each.name)) for each in fields(self.form))


def read_form(said: Sequence[tuple[str, str]]) -> SowForm:
    """Return what is typed from the fields of a form; fields that are not ours are left out."""
    known = {each.name for each in fields(SowForm)}
    return SowForm(**{name: value.strip()[:200] for name, value in said if name in known})


def when_of(form: SowForm, now: datetime, desk_zone_day: date) -> str | None:
    """Return when it was sown, as a person would write it; None: now.

    Args:
        form: What is typed.
        now: The instant.
        desk_zone_day: The local day of it.
    """
    if not form.time and form.day in ("", desk_zone_day.isoformat()):
        return None
    return f"{form.day or desk_zone_day.isoformat()} {form.time or '12:00'}"


def wish_of(form: SowForm) -> SowWish:
    """Return what a person wishes.

    Raises:
        RefusedError: A number cannot be read.
    """
    if form.trays and not (form.trays.isascii() and form.trays.isdigit() and 0 < int(form.trays[:6]) <= 9_999):
        raise RefusedError(f"{form.trays!r} is no number of trays; give a whole number from 1 to 9999")
    return SowWish(
        crop=form.crop,
        trays=int(form.trays) if form.trays else None,
        spot=form.spot or None,
        lot=form.lot or None,
        supplier=form.supplier or None,
        treated=_TREATED.get(form.treated),
        tray_kind=form.tray_kind or None,
        grams=form.grams or None,
    )


def sow_from(desk: Desk, form: SowForm) -> tuple[Deed, Sowing, str]:
    """Return (what is to be written, the sowing, its batch's number) of what is typed; the desk gathers what is odd.

    Raises:
        RefusedError: It cannot be.
    """
    if not form.crop:
        raise RefusedError("say what is sown")
    sowing, batch = sowing_of(desk, wish_of(form))
    return sow_deed(desk, [(sowing, batch)]), sowing, batch


def build_sow(desk: Desk, form: SowForm, *, asked: bool, nonce: str, noted: str = "", wrong: str = "") -> SowPage:
    """Return the page.

    Args:
        desk: The desk, at the instant of the sowing.
        form: What is typed.
        asked: The days to come are asked for.
        nonce: Key of the one saving.
        noted: Number of the batch that was just saved.
        wrong: Why what was typed cannot be.
    """
    preview = None
    if asked and not wrong:
        try:
            preview = _preview(desk, form)
        except RefusedError as exc:
            wrong = upper(plain(str(exc)))
    return SowPage(
        form=form,
        wrong=wrong,
        crops=tuple(sorted(profile.name for profile in desk.profiles.values())),
        lots=_lots(desk),
        places=_places(desk),
        tray_kinds=tuple((each.id, f"{each.id} ({each.medium})") for each in desk.farm.tray_kinds.values()),
        today=local_day(desk.now, desk.farm.zone).isoformat(),
        grams_hint=_grams_hint(desk, form),
        preview=preview,
        noted=noted,
        unit="oz" if desk.farm.units == "US" else "g",
        nonce=nonce,
    )


def _preview(desk: Desk, form: SowForm) -> SowPreview:
    """Return what a sowing comes to.

    Raises:
        RefusedError: It cannot be.
    """
    _, sowing, batch = sow_from(desk, form)
    units = desk.farm.units
    name = desk.profiles[sowing.crop].name.lower()
    where = f" on {desk.farm.places.name(sowing.spot)}" if sowing.spot else ""
    lot = f", lot {sowing.lot}" if sowing.lot else ""
    each, whole = say_g(sowing.seed_g_per_tray, units), say_g(sowing.seed_g_per_tray * sowing.trays, units)
    soak = desk.batches.get(batch)
    return SowPreview(
        says=f"{upper(say_trays(sowing.trays))} of {name}{lot}{where}, as batch {batch}.",
        seed=f"{each} of seed in each tray, {whole} in all.",
        days=tuple(_day(each) for each in days_to_come(desk, sowing, batch)),
        mind=tuple(upper(line) for line in plain_lines(desk.warnings)),
        care=plain_lines(desk.care),
        goes_on=f"Batch {batch} is soaking; it goes on." if soak is not None and soak.sown_at is None else "",
    )


_BEGINS = {
    "stacked in the dark": "Sown, stacked in the dark",
    "covered in the dark": "Sown, covered in the dark",
    "open": "Sown, left open",
    "blackout": "Uncover, under its blackout cover",
    "light": "Into the light",
    "harvest window": "May be cut",
    "overgrown": "Past its best",
}


def _day(each: DayToCome) -> SowDay:
    """Return a day to come in words."""
    span = ""
    if each.window is not None and each.phase == "harvest window":
        span = f"until {say_day(each.window[1])}"
    elif each.window is not None and each.phase != "overgrown":
        span = f"until {say_day(each.window[1])} at the latest"
    return SowDay(when=say_day(each.on), what=_BEGINS.get(each.phase, each.phase), span=span)


def _grams_hint(desk: Desk, form: SowForm) -> str:
    """Return what the profile asks of seed, in words; empty where no known crop is typed."""
    try:
        profile = find_profile(desk.profiles, form.crop)
    except RefusedError:
        return ""
    kind = desk.farm.tray_kinds.get(form.tray_kind) or next(iter(desk.farm.tray_kinds.values()))
    low, usual, high = (
        say_g(each * kind.scale, desk.farm.units)
        for each in (profile.seed_g_per_tray.low, profile.seed_g_per_tray.usual, profile.seed_g_per_tray.high)
    )
    return f"Empty: {usual}, as the profile of {profile.name.lower()} has it ({low} to {high})."


def _lots(desk: Desk) -> tuple[tuple[str, str], ...]:
    """Return the seed lots of which something may be left, with what is to be known of them."""
    rows = effective(desk.entries)
    held = [hold.lot for hold in holds_of(rows) if hold.ended_at is None and hold.lot]
    found = []
    for lot in lots_of(rows):
        if lot.left_g is not None and lot.left_g < 0.5:
            continue
        profile = desk.profiles.get(lot.crop or "")
        name = profile.name.lower() if profile else lot.crop or "crop not said"
        left = f", {say_g(lot.left_g, desk.farm.units)} left" if lot.left_g is not None else ""
        hold = ", ON HOLD" if any(same_lot(each, lot.id) for each in held) else ""
        found.append((lot.id, f"{name}{left}{hold}"))
    return tuple(found)


def _places(desk: Desk) -> tuple[tuple[str, str], ...]:
    """Return the places that trays stand on, in walking order, with how full they are."""
    taken: dict[str, int] = {}
    for batch in desk.batches.values():
        for part in batch.standing:
            for outer in desk.farm.places.chain(part.spot) if part.spot else ():
                taken[outer] = taken.get(outer, 0) + part.trays
    spots = [spot for spot in desk.farm.places if spot.kind in _HOLDING]
    return tuple((spot.id, _place_words(spot, taken.get(spot.id, 0))) for spot in spots)


def _place_words(spot: Spot, taken: int) -> str:
    """Return a place with how full it is."""
    if spot.holds_trays is None:
        return f"{spot.name} ({say_trays(taken)} there)" if taken else spot.name
    return f"{spot.name} ({taken} of {spot.holds_trays} places taken)"
