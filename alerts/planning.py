"""A plan of sowings for all promises: made at a moment, as JSON, and what it cannot meet and why in words; pure."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

from alerts.findings import Tick
from alerts.promised import covers_at, plan_of, supplies_at
from monitor.ahead import Cover
from monitor.amounts import say_day, say_list, say_trays
from monitor.clock import local_day
from monitor.holds import holds_of, same_lot
from monitor.lots import lots_of as lots_of_ledger
from monitor.lots import seed_left
from monitor.sowby import sow_day

if TYPE_CHECKING:
    from monitor.shelfplan import Berth
    from monitor.sowneeds import DayNeed
    from monitor.sowplan import Plan, Sown, Unmet


def plan_at(tick: Tick, until: date, *, seed_g: Mapping[str, float] | None = None) -> Plan:
    """Return the plan for all that is promised from today until a day."""
    from monitor.sowmodel import make_plan
    from monitor.sowneeds import room_of, want_of

    today = local_day(tick.now, tick.farm.zone)
    covers = covers_at(tick, until)
    wants = []
    for each in covers:
        profile = tick.profiles.get(each.owed.crop)
        if each.lacking and profile is not None:
            wants.append(want_of(each, plan_of(each, profile, tick), profile, tick.farm, tick.now))
    last = max([until, today, *(want.on for want in wants)])
    room = room_of(tick.farm, supplies_at(tick), covers, first=today, last=last, seed_g=seed_g or {})
    return make_plan(wants, room)


def seed_of_lots(tick: Tick) -> dict[str, float]:
    """Return the seed that is left by the lots that were entered and are not on hold, by crop."""
    held = [hold.lot for hold in holds_of(tick.entries) if hold.lot is not None and hold.in_force(tick.now)]
    lots = lots_of_ledger(tick.entries)
    return seed_left(lot for lot in lots if not any(same_lot(lot.id, each) for each in held))


def days_words(days: Sequence[date]) -> str:
    """Return days as spans, e.g. ``Thu 5 Mar to Sun 8 Mar and Tue 10 Mar``."""
    spans: list[list[date]] = []
    for day in days:
        if spans and day - spans[-1][-1] == timedelta(days=1):
            spans[-1].append(day)
        else:
            spans.append([day])
    return say_list([say_day(each[0]) + (f" to {say_day(each[-1])}" if len(each) > 1 else "") for each in spans])


def unmet_words(each: Unmet, tick: Tick) -> str:
    """Return what of a promise the plan cannot meet, and why."""
    from monitor.sowplan import Lacks

    want = each.want
    crop = tick.profiles[want.crop].name.lower()
    whys = []
    if Lacks.TOO_LATE in each.lacks:
        if not want.days:
            whys.append(f"too late to sow: the last day was {say_day(want.latest)}")
        else:
            whys.append(f"the days to sow it before {say_day(want.not_before)} are past")
    if Lacks.NO_PLACES in each.lacks:
        whys.append(f"no shelf places are left on {days_words(each.full_on)}")
    if Lacks.NO_TRAYS in each.lacks:
        whys.append(f"all your trays are in use on {days_words(each.short_on)}")
    if Lacks.NO_SEED in each.lacks:
        whys.append(f"the seed of {crop} runs out")
    why = f"{say_list(whys)}." if whys else "no reason was found; please report this."
    return (
        f"{want.promise} to {want.whom} on {say_day(want.on)}: {say_trays(each.trays)} of {crop} cannot be met, "
        f"{why}"
    )  # fmt: skip


def medium_l(made: Plan, tick: Tick) -> float | None:
    """Return the litres of medium for all sowings: area times depth; None where the depth is not said."""
    kind = next(iter(tick.farm.tray_kinds.values()))
    if kind.medium_depth_mm is None:
        return None
    return kind.area_m2 * kind.medium_depth_mm * sum(each.trays for each in made.sown)  # 1 mm on 1 m2 is a litre


@dataclass(frozen=True, slots=True, kw_only=True)
class LaidOut:
    """A plan with all that it is told with.

    Attributes:
        made: The plan.
        until: The last day that is planned for.
        covers: What is promised, with what stands for it.
        needs: What each day needs.
        stands: Which places its trays take.
        lots: Seed lot by crop.
    """

    made: Plan
    until: date
    covers: Sequence[Cover]
    needs: Sequence[DayNeed]
    stands: Sequence[Berth]
    lots: Mapping[str, str]


def laid_out(tick: Tick, until: date, seed_g: Mapping[str, float]) -> LaidOut:
    """Return a plan for all that is promised from today until a day, made at a moment."""
    from monitor.shelfplan import berths
    from monitor.sowneeds import days_of, lots_of

    made = plan_at(tick, until, seed_g=seed_g)
    return LaidOut(
        made=made,
        until=until,
        covers=covers_at(tick, until),
        needs=days_of(made, supplies_at(tick)),
        stands=berths(made),
        lots=lots_of(tick.batches.values()),
    )


def plan_json(plan: LaidOut, tick: Tick) -> dict[str, Any]:
    """Return the plan as the documented JSON."""
    made = plan.made
    kind = next(iter(tick.farm.tray_kinds.values()))
    grams: Counter[str] = Counter()
    for each in made.sown:
        grams[each.want.crop] += round(each.trays * each.want.seed_g)
    return {
        "schema": "traywarden.plan/1",
        "from": made.room.first.isoformat(),
        "until": plan.until.isoformat(),
        "promised": sum(each.owed.open for each in plan.covers),
        "stands": sum(each.kept for each in plan.covers),
        "met": made.met,
        "unmet": sum(each.trays for each in made.unmet),
        "chosen": made.chosen,
        "met_at_most": made.at_most,
        "sow": [_sown_json(each, plan.lots, tick) for each in made.sown],
        "not_met": [_unmet_json(each, tick) for each in made.unmet],
        "room": [_berth_json(each, tick) for each in plan.stands],
        "days": [
            {
                "on": need.on.isoformat(),
                "trays": dict(need.trays),
                "in_use": need.in_use,
                "places": need.places,
                "places_free": need.free,
            }
            for need in plan.needs
        ],
        "places": made.room.places,
        "trays_owned": made.room.trays_owned,
        "trays_in_pile": made.room.in_pile,
        "seed": [
            {"crop": crop, "lot": plan.lots.get(crop), "grams": mass, "left_g": made.room.seed_g.get(crop)}
            for crop, mass in sorted(grams.items())
        ],
        "medium": {
            "name": kind.medium,
            "trays": sum(each.trays for each in made.sown),
            "litres": medium_l(made, tick),
        },
    }


def _sown_json(each: Sown, lots: Mapping[str, str], tick: Tick) -> dict[str, Any]:
    """Return a sowing as the documented JSON."""
    hours = sow_day(tick.farm, tick.profiles[each.want.crop], each.on)
    return {
        "on": each.on.isoformat(),
        "sow_at": hours.sow_at.isoformat(),
        "soak_at": hours.soak_at.isoformat() if hours.soak_at else None,
        "usual_on": each.want.usual.isoformat(),
        "crop": each.want.crop,
        "trays": each.trays,
        "spare": each.spare,
        "promise": each.want.promise,
        "whom": each.want.whom,
        "for": each.want.on.isoformat(),
        "living": each.want.living,
        "seed_g": round(each.trays * each.want.seed_g),
        "lot": lots.get(each.want.crop),
    }


def _unmet_json(each: Unmet, tick: Tick) -> dict[str, Any]:
    """Return what cannot be met as the documented JSON."""
    return {
        "promise": each.want.promise,
        "whom": each.want.whom,
        "for": each.want.on.isoformat(),
        "crop": each.want.crop,
        "trays": each.trays,
        "why": [why.value for why in each.lacks],
        "places_full_on": [day.isoformat() for day in each.full_on],
        "trays_short_on": [day.isoformat() for day in each.short_on],
        "says": unmet_words(each, tick),
    }


def _berth_json(each: Berth, tick: Tick) -> dict[str, Any]:
    """Return places on a shelf as the documented JSON."""
    return {
        "shelf": each.shelf,
        "name": tick.farm.places.name(each.shelf),
        "crop": each.crop,
        "batch": each.batch,
        "sown_on": each.sown_on.isoformat() if each.sown_on else None,
        "first": each.first.isoformat(),
        "last": each.last.isoformat(),
        "places": each.places,
        "piled": each.piled,
    }
