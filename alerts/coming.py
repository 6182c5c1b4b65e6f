"""What the commands about coming days share: promises told in words and as JSON, with what stands for them."""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import date
from typing import Any

from alerts.findings import Tick
from alerts.promised import offer_words, plan_of
from alerts.words import say_soak
from monitor.ahead import Cover
from monitor.amounts import say_day, say_list, say_trays
from monitor.errors import RefusedError
from monitor.profiles import Profile
from monitor.promises import Terms
from monitor.sowby import Basis, Loss, SowBy, SowDay, next_day
from monitor.timewords import read_day

_EVERY = re.compile(r"^(?:(\d+)\s*)?(day|week)s?$")


def read_every(said: str) -> int | None:
    """Return the days from one time to the next that a person means; None: once only.

    Raises:
        RefusedError: It cannot be read.
    """
    word = said.strip().casefold()
    if word in ("once", "no"):
        return None
    match = _EVERY.match(word)
    days = int(match.group(1) or 1) * (7 if match.group(2) == "week" else 1) if match else 0
    if not 1 <= days <= 366:
        raise RefusedError(f"{said!r} is no rhythm; say week, '2 weeks', day, '3 days', or once")
    return days


def coming_day(said: str, today: date) -> date:
    """Return a day that lies ahead, or today.

    Raises:
        RefusedError: It is past, or cannot be read.
    """
    day = read_day(said, today=today, ahead=True)
    if day < today:
        raise RefusedError(f"{said!r} is past; name a day that lies ahead")
    return day


def every_words(terms: Terms) -> str:
    """Return how often, e.g. ``on Fri 13 Mar`` or ``every week on Fri, from Fri 13 Mar``."""
    day = say_day(terms.for_on)
    if terms.every_days is None:
        return f"on {day}"
    weeks, rest = divmod(terms.every_days, 7)
    if rest:
        often = "every day" if terms.every_days == 1 else f"every {terms.every_days} days"
        return f"{often} from {day}"
    often = "every week" if weeks == 1 else f"every {weeks} weeks"
    return f"{often} on {terms.for_on:%a}, from {day}"


def terms_words(terms: Terms, profiles: Mapping[str, Profile]) -> str:
    """Return what is promised to whom and how often."""
    profile = profiles.get(terms.crop)
    crop = profile.name.lower() if profile else terms.crop
    living = "living " if terms.living else ""
    return f"{say_trays(terms.trays)} of {living}{crop} to {terms.whom} {every_words(terms)}"


def to_sow_words(plan: SowBy) -> str:
    """Return how many trays to sow, spare ones named."""
    spare = plan.to_sow - plan.trays
    return f"{say_trays(plan.to_sow)} ({plan.trays} and {spare} spare)" if spare else say_trays(plan.to_sow)


def loss_words(loss: Loss) -> str:
    """Return what the spare trays follow from."""
    if loss.basis is Basis.OWN:
        return f"Spare trays: you threw away {loss.share:.0%} of your last {loss.batches} batches."
    if loss.share:
        return f"Spare trays: {loss.share:.0%}, your loss_percent in farm.toml."
    return "No spare trays: farm.toml names no loss_percent, and fewer than five batches of it are over."


def cover_state(each: Cover, tick: Tick) -> tuple[str, str, SowBy | None]:
    """Return (a state in a word, what to say of it, when to sow what lacks) of something owed."""
    asked = each.owed
    if asked.open == 0:
        return "delivered", f"{say_trays(asked.delivered)} went out", None
    gone = f"{asked.delivered} went out, " if asked.delivered else ""
    batches = list(dict.fromkeys(taken.supply.batch for taken in each.taken))
    stands = f"{each.kept} {'stands' if each.kept == 1 else 'stand'} for it (batch {say_list(batches)})"
    there = gone + (stands if each.kept else "nothing stands for it yet")
    profile = tick.profiles.get(asked.crop)
    if each.lacking == 0:
        return "stands", gone + stands, None
    if profile is None:
        return "unknown crop", f"{there}; no profile of {asked.crop} tells when to sow", None
    plan = plan_of(each, profile, tick)
    if tick.now > plan.latest.latest_start_at:
        last = say_day(plan.latest.on)
        return (
            "too late",
            f"{there}; {say_trays(each.lacking)} cannot be ready: the last day to sow was {last}. You could offer: "
            f"{offer_words(each, plan, tick)}",
            plan,
        )
    day = next_day(tick.farm, profile, plan, tick.now)
    when = f"usually {say_day(plan.usual.on)}" if day.on == plan.usual.on else "as soon as you can"
    when += f", at the latest {say_day(plan.latest.on)}"
    return "to sow", f"{there}; sow {to_sow_words(plan)}, {when}.{say_soak(tick.farm, day, tick.now)}".rstrip("."), plan


def sow_day_json(day: SowDay) -> dict[str, Any]:
    """Return a day of sowing as the documented JSON."""
    return {
        "on": day.on.isoformat(),
        "sow_at": day.sow_at.isoformat(),
        "soak_at": day.soak_at.isoformat() if day.soak_at else None,
    }


def sow_by_json(plan: SowBy) -> dict[str, Any]:
    """Return when to sow, and how many, as the documented JSON."""
    return {
        "trays": plan.trays,
        "to_sow": plan.to_sow,
        "spare": plan.to_sow - plan.trays,
        "loss_pct": round(plan.loss.share * 100, 1),
        "loss_from": plan.loss.basis.value,
        "earliest": sow_day_json(plan.earliest),
        "usual": sow_day_json(plan.usual),
        "latest": sow_day_json(plan.latest),
        "days": {
            "opens": plan.lead.opens,
            "usual": plan.lead.usual,
            "closes": plan.lead.closes,
            "living_until": plan.lead.living_until,
            "from": plan.lead.basis.value,
            "batches": plan.lead.batches,
        },
    }


def cover_json(each: Cover, tick: Tick) -> dict[str, Any]:
    """Return something owed, and what stands for it, as the documented JSON."""
    state, says, plan = cover_state(each, tick)
    asked = each.owed
    return {
        "promise": asked.promise,
        "on": asked.on.isoformat(),
        "crop": asked.crop,
        "trays": asked.trays,
        "whom": asked.whom,
        "living": asked.living,
        "delivered": asked.delivered,
        "stands": each.kept,
        "lacking": each.lacking,
        "batches": list(dict.fromkeys(taken.supply.batch for taken in each.taken)),
        "state": state,
        "says": says,
        "sow": sow_by_json(plan) if plan else None,
    }
