"""What is to be done for promises that nothing stands for: sow while there is time, else ring the buyer; pure."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import date, datetime, timedelta

from alerts import words
from alerts.findings import Tick
from alerts.rounds import first_round, next_round, rounds_of_day
from alerts.tasks import Task, TaskKind, TrayGroup, Urgency
from alerts.warmth import heat_of
from monitor.ahead import Cover, cover, later
from monitor.amounts import say_day, say_trays
from monitor.clock import local_day
from monitor.ledger import EntryKind
from monitor.profiles import PhaseKind, Profile
from monitor.promises import Owed, deliveries_of, owed
from monitor.sowby import Basis, Lead, SowBy, next_day, sow_by
from monitor.supplies import Supply, supplies_of

LOOKS_AHEAD = timedelta(days=60)
"""No crop is sown longer than this before its day."""


def supplies_at(tick: Tick) -> tuple[Supply, ...]:
    """Return all trays that stand, soak or lie cut and are not on hold, their usual days moved by their warmth."""
    if "supplies" not in tick.memo:
        tick.memo["supplies"] = supplies_of(
            [batch for batch in tick.batches.values() if not batch.holds],
            tick.profiles,
            now=tick.now,
            zone=tick.farm.zone,
            heat_of=lambda batch, part, profile: heat_of(batch, part, profile, tick),
        )
    found: tuple[Supply, ...] = tick.memo["supplies"]
    return found


def owed_at(tick: Tick, until: date) -> tuple[Owed, ...]:
    """Return what is owed from today on until a day, that day included."""
    delivered = deliveries_of(tick.batches.values(), tick.farm.zone)
    return owed(tick.promises, delivered, local_day(tick.now, tick.farm.zone), until)


def covers_at(tick: Tick, until: date | None = None) -> tuple[Cover, ...]:
    """Return what is owed from today on, with the trays that stand for it."""
    last = until if until is not None else local_day(tick.now, tick.farm.zone) + LOOKS_AHEAD
    return cover(owed_at(tick, last), supplies_at(tick))


def plan_of(each: Cover, profile: Profile, tick: Tick) -> SowBy:
    """Return when to sow what lacks of a promise, and how many trays."""
    asked = each.owed
    return sow_by(tick.farm, profile, asked.on, each.lacking, tick.batches.values(), living=asked.living)


def promise_tasks(tick: Tick) -> Iterator[Task]:
    """Yield a task for each promise and day that lacks trays: sow, from the first day that serves, else ring.

    What lacks on the day itself is told at its first round only: later ones may find trays that went out and were
    not entered yet.
    """
    today = local_day(tick.now, tick.farm.zone)
    rounds = rounds_of_day(tick.farm, today)
    too_late_to_ring = len(rounds) > 1 and tick.now >= rounds[1]
    for each in covers_at(tick) if tick.promises else ():
        profile = tick.profiles.get(each.owed.crop)
        if profile is None or each.lacking <= 0:
            continue
        plan = plan_of(each, profile, tick)
        if tick.now <= plan.latest.latest_start_at:
            if plan.earliest.start_on(tick.farm.zone) <= today:
                yield _sow(each, profile, plan, tick)
        elif each.owed.on > today or not too_late_to_ring:
            yield _ring(each, plan, tick)


def told_instead(task: Task) -> str:
    """Return the key of the ring that a sowing becomes when nothing is sown in time."""
    return replace(task, kind=TaskKind.RING).key


def _sow(each: Cover, profile: Profile, plan: SowBy, tick: Tick) -> Task:
    """Return the task of sowing what lacks of a promise."""
    zone = tick.farm.zone
    earliest, usual, latest = (day.start_on(zone) for day in (plan.earliest, plan.usual, plan.latest))
    today = local_day(tick.now, zone)
    day = next_day(tick.farm, profile, plan, tick.now)
    said = words.say_sow(tick.farm, profile, plan, day, tick.now, stands=each.kept)
    verb = "soak" if plan.usual.soak_at else "sow"
    return _task(
        TaskKind.SOW,
        each,
        trays=plan.to_sow,
        window=(earliest, usual, latest),
        urgency=Urgency.EARLY if today < usual else Urgency.LAST_DAY if today >= latest else Urgency.DUE,
        off=_put_off(TaskKind.SOW, each.owed.promise, earliest, tick),
        said=said,
        why=f"{lead_words(plan.lead, living=each.owed.living)}.",
        answer=f"traywarden {verb} {each.owed.crop} --trays {plan.to_sow}",
        tick=tick,
    )


def _ring(each: Cover, plan: SowBy, tick: Tick) -> Task:
    """Return the task of ringing the buyer."""
    asked, zone = each.owed, tick.farm.zone
    today = local_day(tick.now, zone)
    last = local_day(plan.latest.latest_start_at, zone)
    said = words.say_ring(
        asked.whom, asked.on, each.lacking, each.kept + asked.delivered, offer_words(each, plan, tick)
    )
    return _task(
        TaskKind.RING,
        each,
        trays=each.lacking,
        window=(last + timedelta(days=1), last + timedelta(days=1), asked.on),
        urgency=Urgency.LAST_DAY if today >= asked.on else Urgency.DUE,
        off=_put_off(TaskKind.RING, asked.promise, last + timedelta(days=1), tick),
        said=said,
        why=f"Too late to sow: the last day for it was {say_day(plan.latest.on)}.",
        answer=f"traywarden promise --change {asked.promise} --only {asked.on} --trays {each.kept + asked.delivered}",
        tick=tick,
    )


def _task(
    kind: TaskKind,
    each: Cover,
    *,
    trays: int,
    window: tuple[date, date, date],
    urgency: Urgency,
    off: datetime | None,
    said: words.Said,
    why: str,
    answer: str,
    tick: Tick,
) -> Task:
    """Return a task of a promise; its key is the promise and the day, so that none is told twice."""
    earliest, usual, latest = window
    return Task(
        kind=kind,
        batch=each.owed.promise,
        crop=each.owed.crop,
        phase=PhaseKind.HARVEST,
        occurrence=each.owed.on.isoformat(),
        groups=(TrayGroup(trays=trays, spot=None),),
        earliest_on=earliest,
        usual_on=usual,
        latest_on=latest,
        ask_at=first_round(tick.farm, usual),
        urgency=urgency,
        answered_not_yet_until=off,
        day=0,
        move=said.move,
        why=why,
        cautions=said.cautions,
        answer=answer,
    )


def _put_off(kind: TaskKind, promise: str, since: date, tick: Tick) -> datetime | None:
    """Return until when a person put the sowing, or the call, off; None: nobody did since its first day."""
    for entry in reversed(tick.promises[promise].entries):
        is_it = entry.kind is EntryKind.NOT_YET and entry.data.get("task") == kind.value
        if is_it and local_day(entry.at, tick.farm.zone) >= since:
            until = entry.data.get("until")
            if until:
                return first_round(tick.farm, date.fromisoformat(str(until)))
            return next_round(tick.farm, entry.at)
    return None


def lead_words(lead: Lead, *, living: bool) -> str:
    """Return how many days it takes from sowing, and by whose figures."""
    usual = lead.usual_for(living=living)
    whose = "by the profile"
    if lead.basis is Basis.OWN:
        whose = f"your own: the middle of {lead.batches} batches that came good"
        if lead.own_days != usual:
            whose += f" is {lead.own_days}, held within the profile's days"
    span = f"{lead.opens} at the earliest, {lead.last(living=living)} at the latest"
    return f"From sowing usually {usual} days ({whose}); {span}{', living' if living else ''}"


def offer_words(each: Cover, plan: SowBy, tick: Tick) -> str:
    """Return from when on there is what lacks of a promise: trays that stand and nobody has, and trays sown today."""
    ready_from = local_day(tick.now, tick.farm.zone) + timedelta(days=plan.lead.opens)
    sown = f"sown today, ready from {say_day(ready_from)} on"
    found = later(each, covers_at(tick), supplies_at(tick))
    if found is None or found[0].opens_on >= ready_from:
        return sown
    supply, trays = found
    return f"{say_trays(trays)} of batch {supply.batch} from {say_day(supply.opens_on)} on; {sown}"


def promise_words(each: Owed, tick: Tick) -> str:
    """Return what is owed in words, e.g. ``12 trays of radish to the corner table on Fri 13 Mar``."""
    profile = tick.profiles.get(each.crop)
    crop = profile.name.lower() if profile else each.crop
    living = "living " if each.living else ""
    return f"{say_trays(each.trays)} of {living}{crop} to {each.whom} on {say_day(each.on)}"


def promise_lines(task: Task, tick: Tick, stage_words: str = "") -> list[str]:
    """Return a promise's task in lines: what is owed and to whom, what to do, why, and the commands that answer."""
    owes = promise_words(asked_of(task, tick), tick)
    head = f" * Promise {task.batch}, {owes}: {task.kind.value}.{stage_words} {task.move}"
    not_yet = f"   Not yet: {words.not_yet_of(task.kind, task.batch)}"
    if task.kind is TaskKind.SOW:
        answers = f"   Done: {task.answer}{not_yet}"
    else:
        answers = f"   When you have agreed: {task.answer}   (or as many as you agreed on){not_yet}"
    return [head, f"   {task.why}", answers]


def asked_of(task: Task, tick: Tick) -> Owed:
    """Return what is owed on the day that a promise's task is for."""
    on = date.fromisoformat(task.occurrence)
    return next(each for each in owed_at(tick, on) if each.promise == task.batch and each.on == on)


def sheet_words(task: Task, tick: Tick) -> str:
    """Return a promise's task as the wall sheet has it: how many and when, and for whom."""
    if task.kind is TaskKind.RING:
        return task.move
    sowing = task.move.removeprefix("Nothing stands for it yet. ")
    return f"{sowing} For promise {task.batch}, {promise_words(asked_of(task, tick), tick)}."
