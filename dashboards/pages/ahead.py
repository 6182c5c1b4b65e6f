"""The Ahead page: what is on hold, what is promised, what will be ready, when to sow, and what runs short; pure."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import groupby
from typing import TYPE_CHECKING

from alerts.findings import Tick
from alerts.holding import HEAD
from alerts.planning import plan_at, seed_of_lots, unmet_words
from alerts.planwords import room_lines, sowing_lines, totals_lines
from alerts.promised import LOOKS_AHEAD, covers_at, owed_at, supplies_at
from dashboards.pages.plain import plain_lines, upper
from dashboards.pages.promises import RHYTHMS, PromiseForm, PromiseLine, promise_lines
from monitor.ahead import ReadyRow
from monitor.ahead import ready as ready_rows
from monitor.amounts import say_day, say_g, say_list, say_time
from monitor.clock import local_day
from monitor.covers import covers_of
from monitor.desk import Desk
from monitor.holding import reach_lines
from monitor.holds import RECALL, Hold, holds_of
from monitor.ledger import effective
from monitor.lots import lots_of

if TYPE_CHECKING:
    from monitor.sowplan import Plan

_READY_DAYS = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class HoldLine:
    """One hold.

    Attributes:
        says: What is on hold, since when, why, by whom.
        reach: What it reaches.
        lot: Its seed lot; empty: it is of a batch.
        batch: Its batch; empty: it is of a lot.
    """

    says: str
    reach: tuple[str, ...]
    lot: str
    batch: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadyDay:
    """What is ready on one day.

    Attributes:
        when: The day.
        lines: One a crop, as (crop, ready, promised, lacking, free).
    """

    when: str
    lines: tuple[tuple[str, str, str, str, str], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SowLine:
    """One sowing of the plan.

    Attributes:
        says: What, for whom, how much seed.
        more: Its soak, its shelves, and that it is off its usual day.
        sow: Address of the Sow page with it.
    """

    says: str
    more: tuple[str, ...]
    sow: str


@dataclass(frozen=True, slots=True, kw_only=True)
class AheadPage:
    """The page.

    Attributes:
        hold_head: The words over what is on hold.
        holds: What is on hold; said first.
        recall: What a hold does not do.
        promises: What is promised.
        ready: What is ready on the next days.
        sow: When to sow, as (day, sowings).
        short: What runs short: promises that cannot be met, seed that does not last.
        totals: Seed and medium for all sowings.
        room: How full it gets, and what the plan takes for granted.
        covers: Who stands in for whom, as (who is away, words).
        people: Who may be away, or stand in.
        crops: Names of all crops.
        batches: Batches that can be put on hold, as (batch, words).
        lots: Seed lots that can be put on hold.
        today: The local day, ISO 8601.
        until: Last day of the plan, in words.
        weeks: How many weeks it looks ahead.
        form: A new promise, as far as it is typed.
        wrong: Why what was typed cannot be; empty: it can.
        wrong_in: The promise that was to be changed; empty: a new one.
        rhythms: How often a new promise may be.
        nonce: Key of this showing of the page.
    """

    hold_head: str
    holds: tuple[HoldLine, ...]
    recall: str
    promises: tuple[PromiseLine, ...]
    ready: tuple[ReadyDay, ...]
    sow: tuple[tuple[str, tuple[SowLine, ...]], ...]
    short: tuple[str, ...]
    totals: tuple[str, ...]
    room: tuple[str, ...]
    covers: tuple[tuple[str, str], ...]
    people: tuple[str, ...]
    crops: tuple[str, ...]
    batches: tuple[tuple[str, str], ...]
    lots: tuple[str, ...]
    today: str
    until: str
    weeks: int
    form: PromiseForm
    wrong: str
    wrong_in: str
    rhythms: tuple[tuple[str, str], ...]
    nonce: str


def build_ahead(
    desk: Desk,
    tick: Tick,
    *,
    weeks: int,
    nonce: str,
    form: PromiseForm | None = None,
    wrong: str = "",
    wrong_in: str = "",
) -> AheadPage:
    """Return the page at a moment.

    Args:
        desk: A desk at the moment.
        tick: The moment.
        weeks: How far ahead.
        nonce: Key of this showing of the page.
        form: What was typed of a promise.
        wrong: Why that cannot be.
        wrong_in: The promise that was to be changed.
    """
    today = local_day(tick.now, tick.farm.zone)
    until = today + timedelta(days=7 * weeks)
    covers = covers_at(tick, until)
    made = plan_at(tick, until, seed_g=seed_of_lots(tick))
    return AheadPage(
        hold_head=HEAD,
        holds=tuple(_hold(each, desk) for each in holds_of(effective(desk.entries)) if each.ended_at is None),
        recall=RECALL,
        promises=promise_lines(tick, covers, today, form if wrong_in else None, wrong_in),
        ready=_ready(tick, today),
        sow=_sowings(made, tick),
        short=_short(made, tick),
        totals=tuple(totals_lines(made, _lots(tick), tick)) if made.sown else (),
        room=_room(made, tick),
        covers=_covers(desk, today),
        people=tuple(desk.farm.people),
        crops=tuple(sorted(profile.name for profile in tick.profiles.values())),
        batches=_batches(tick),
        lots=tuple(lot.id for lot in lots_of(effective(desk.entries))),
        today=today.isoformat(),
        until=say_day(until),
        weeks=weeks,
        form=PromiseForm() if form is None or wrong_in else form,
        wrong=wrong,
        wrong_in=wrong_in,
        rhythms=RHYTHMS,
        nonce=nonce,
    )


def _hold(hold: Hold, desk: Desk) -> HoldLine:
    """Return one hold."""
    when = say_time(hold.at, desk.farm.zone)
    return HoldLine(
        says=f"{upper(hold.target)}, since {when}: {hold.why} ({hold.by})",
        reach=_reach(reach_lines(hold, desk)),
        lot=hold.lot or "",
        batch=hold.batch or "",
    )


def _reach(lines: Iterable[str]) -> tuple[str, ...]:
    """Return what a hold reaches, what belongs under a head put behind it."""
    found: list[str] = []
    for line in lines:
        if line.startswith(" ") and found:
            mark = " " if found[-1].endswith(":") else "; "
            found[-1] += mark + line.strip()
        else:
            found.append(line)
    return tuple(found)


def _ready(tick: Tick, today: date) -> tuple[ReadyDay, ...]:
    """Return what is ready on the next days."""
    days = [today + timedelta(days=n) for n in range(_READY_DAYS)]
    rows = ready_rows(days, owed_at(tick, days[-1] + LOOKS_AHEAD), supplies_at(tick))
    return tuple(
        ReadyDay(when=say_day(on), lines=tuple(_ready_line(row, tick) for row in group))
        for on, group in groupby(rows, key=lambda row: row.on)
    )


def _ready_line(row: ReadyRow, tick: Tick) -> tuple[str, str, str, str, str]:
    """Return one crop of a day."""
    profile = tick.profiles.get(row.crop)
    free = str(row.free) + (f" ({row.free_living} living)" if row.free_living != row.free else "")
    lacking = f"{row.lacking} lack" if row.lacking else ""
    return (profile.name if profile else row.crop, str(row.ready), str(row.promised or "-"), lacking, free)


def _lots(tick: Tick) -> Mapping[str, str]:
    """Return the last seed lot of each crop."""
    from monitor.sowneeds import lots_of as last_lots

    return last_lots(tick.batches.values())


def _sowings(made: Plan, tick: Tick) -> tuple[tuple[str, tuple[SowLine, ...]], ...]:
    """Return when to sow what, by day."""
    from monitor.shelfplan import berths

    stands, lots = berths(made), _lots(tick)
    found = []
    for day, group in groupby(made.sown, key=lambda each: each.on):
        lines = []
        for crop, sown in groupby(group, key=lambda each: each.want.crop):
            listed = list(sown)
            says, *more = (line.strip(" *") for line in sowing_lines(day, crop, listed, made, stands, lots, tick))
            trays = sum(each.trays for each in listed)
            address = f"/sow?look=1&crop={crop}&trays={trays}"
            lines.append(SowLine(says=says, more=tuple(more), sow=address))
        found.append((say_day(day), tuple(lines)))
    return tuple(found)


def _short(made: Plan, tick: Tick) -> tuple[str, ...]:
    """Return what runs short: what cannot be met and why, and seed that does not last for all that is to be sown."""
    found = [upper(unmet_words(each, tick)) for each in made.unmet]
    grams: Counter[str] = Counter()
    for each in made.sown:
        grams[each.want.crop] += round(each.trays * each.want.seed_g)
    units = tick.farm.units
    for crop, needed in sorted(grams.items()):
        left = made.room.seed_g.get(crop)
        if left is not None and left < needed:
            name = tick.profiles[crop].name
            found.append(f"Seed of {name.lower()}: {say_g(needed, units)} needed, {say_g(left, units)} left.")
    return tuple(found)


def _room(made: Plan, tick: Tick) -> tuple[str, ...]:
    """Return how full it gets."""
    from monitor.sowneeds import days_of

    needs = days_of(made, supplies_at(tick))
    return plain_lines(room_lines(made, needs)) if needs else ()


def _covers(desk: Desk, today: date) -> tuple[tuple[str, str], ...]:
    """Return who stands in for whom, now and later."""
    found = []
    for each in covers_of(effective(desk.entries)):
        if each.to_on >= today:
            note = f": {each.note}" if each.note else ""
            when = "now, " if each.is_on(today) else ""
            days = f"{say_day(each.from_on)} to {say_day(each.to_on)}"
            found.append((each.person, f"{each.standin} walks {each.person}'s rounds, {when}{days}{note}"))
    return tuple(found)


def _batches(tick: Tick) -> tuple[tuple[str, str], ...]:
    """Return the batches that can be put on hold: all of the last weeks that were sown, newest first."""
    known = [
        batch for batch in tick.batches.values() if batch.sown_at is not None and tick.now - batch.sown_at < LOOKS_AHEAD
    ]
    known.sort(key=lambda batch: batch.sown_at or tick.now, reverse=True)
    found = []
    for batch in known:
        profile = tick.profiles.get(batch.crop)
        name = profile.name.lower() if profile else batch.crop
        sown = say_day(local_day(batch.sown_at or tick.now, tick.farm.zone))
        places = dict.fromkeys(tick.farm.places.name(part.spot) for part in batch.standing if part.spot)
        where = f", {say_list(list(places))}" if places else ""
        found.append((batch.id, f"batch {batch.id} {name}, sown {sown}{where}"))
    return tuple(found)
