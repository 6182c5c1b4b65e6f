"""When a part is to be poured next, how much, and why: by weight, by hand, or by the profile's days; pure."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta

from alerts.findings import Tick
from alerts.rounds import next_round
from alerts.watering import KNOWN_WORDS, PartWater, water_of
from monitor.amounts import say_time
from monitor.batches import Batch, Part
from monitor.clock import local_day
from monitor.ledger import EntryKind
from monitor.phases import PhaseSpan
from monitor.pouring import is_due
from monitor.profiles import Profile
from monitor.waterahead import HORIZON_H, TrayWater


@dataclass(frozen=True, slots=True, kw_only=True)
class PourDue:
    """A pour that is due, or will be by tomorrow.

    Attributes:
        occurrence: Which time: the local day, with the number of pours that day already had, and the round where it
            is the last before plants limp.
        usual_on: Local day on which it is to be poured.
        latest_on: Last local day.
        why: Why, one or two sentences.
        ml_per_tray: Into each bottom tray. [ml]
        is_guess: Only the profile's days say so.
    """

    occurrence: str
    usual_on: date
    latest_on: date
    why: str
    ml_per_tray: float
    is_guess: bool


def pour_due(batch: Batch, part: Part, span: PhaseSpan, profile: Profile, tick: Tick) -> PourDue | None:
    """Return the next pour of a part that stands open; None where it has water, or where nothing is due by tomorrow."""
    known = water_of(batch, part, span, profile, tick)
    if known.water is not None:
        return _by_water(known, known.water, tick)
    if known.scale is not None and known.scale.doubt is None:
        return None  # poured since its last reading
    return _by_days(batch, part, profile, tick)


def _by_water(known: PartWater, water: TrayWater, tick: Tick) -> PourDue | None:
    """Return the pour of trays whose water is known, if they come to their refill point before the next round."""
    coming = next_round(tick.farm, tick.now)
    hours = (coming - tick.now) / timedelta(hours=1)
    if not is_due(water, hours):
        return None
    today = local_day(tick.now, tick.farm.zone)
    poured_today = [
        entry
        for entry in known.batch.entries
        if entry.kind is EntryKind.WATERED and local_day(entry.at, tick.farm.zone) == today
    ]
    poured = len(poured_today) or int(
        known.poured_at is not None and local_day(known.poured_at, tick.farm.zone) == today
    )
    last = water.chance_dry_within(hours) >= 0.5
    occurrence = today.isoformat() + (f"+{poured}" if poured else "") + (f"!{coming:%H%M}" if last else "")
    return PourDue(
        occurrence=occurrence,
        usual_on=today,
        latest_on=today,
        why=why_words(known, water, tick, last=last),
        ml_per_tray=water.pour_g,
        is_guess=False,
    )


def dry_words(water: TrayWater, tick: Tick) -> str:
    """Return when plants limp, in words."""
    if water.dry_h <= 0:
        return "plants limp now"
    if water.dry_h >= HORIZON_H:
        return f"not dry within {HORIZON_H / 24:.0f} days"
    at = tick.now + timedelta(hours=water.dry_h)
    early, late = (tick.now + timedelta(hours=hours) for hours in (water.dry_h_low, water.dry_h_high))
    if late - early <= timedelta(hours=1.5):
        return f"dry by {_moment(at, tick)}"
    end = "later" if water.dry_h_high >= HORIZON_H else _moment(late, tick)
    return f"dry by about {_moment(at, tick)} (between {_moment(early, tick)} and {end})"


def _moment(at: datetime, tick: Tick) -> str:
    """Return an instant within the next days, to ten minutes: the weekday only where it is not today."""
    local = (at + timedelta(minutes=5)).astimezone(tick.farm.zone)
    local = local.replace(minute=local.minute // 10 * 10)
    same = local.date() == tick.now.astimezone(tick.farm.zone).date()
    return f"{local:%H:%M}" if same else f"{local:%a %H:%M}"


def why_words(known: PartWater, water: TrayWater, tick: Tick, *, last: bool) -> str:
    """Return why trays are to be watered now."""
    left = f"{max(water.left, 0):.0%} left, {KNOWN_WORDS[water.known]}; {dry_words(water, tick)}."
    this = " This round is the last before that." if last and water.dry_h > 0 else ""
    refill = known.profile.refill_fraction.value
    return f"{left}{this} It is poured from {refill:.0%} down, or when the next round would come too late."


def _felt(batch: Batch, part: Part, tick: Tick) -> tuple[date, str] | None:
    """Return the local day and feel of the last lift by hand since the last pour, or None."""
    for entry in reversed(batch.entries):
        if entry.kind is EntryKind.LIFTED and (part.watered_at is None or entry.at > part.watered_at):
            return local_day(entry.at, tick.farm.zone), str(entry.data.get("feel"))
    return None


def _pour_due_on(batch: Batch, part: Part, profile: Profile, tick: Tick) -> date | None:
    """Return the local day of the next pour, by the profile's days and what a hand felt since; None: never sown."""
    if batch.sown_at is None:
        return None
    zone = tick.farm.zone
    every = max(1, round(profile.water_every_days.usual))
    due = local_day(batch.sown_at, zone) + timedelta(days=round(profile.first_water_day.usual))
    if part.watered_at is not None:
        due = max(due, local_day(part.watered_at, zone) + timedelta(days=every))
    if part.uncovered_at is not None and part.uncovered_at != part.lights_at:
        due = max(due, local_day(part.uncovered_at, zone) + timedelta(days=1))  # "no water yet" holds that day
    felt = _felt(batch, part, tick)
    if felt is not None:
        wait = {"heavy": every, "right": 1, "light": 0}.get(felt[1], 0)
        due = max(felt[0] + timedelta(days=wait), due) if wait else felt[0]
    today = local_day(tick.now, zone)
    while due + timedelta(days=every) <= today:  # nobody enters pours: it comes again all the same
        due += timedelta(days=every)
    return due


def _by_days(batch: Batch, part: Part, profile: Profile, tick: Tick) -> PourDue | None:
    """Return the next pour by the profile's days, which is a guess and says so."""
    due = _pour_due_on(batch, part, profile, tick)
    if due is None or due > local_day(tick.now, tick.farm.zone) + timedelta(days=1):
        return None
    last = f"last poured {say_time(part.watered_at, tick.farm.zone)}" if part.watered_at else "not watered since sowing"
    return PourDue(
        occurrence=due.isoformat(),
        usual_on=due,
        latest_on=due + timedelta(days=max(0, round(profile.water_every_days.high - profile.water_every_days.usual))),
        why=f"By the profile's days, a guess: {last}.",
        ml_per_tray=profile.water_ml_per_pour.usual * tick.farm.tray_size(batch.tray_kind),
        is_guess=True,
    )
