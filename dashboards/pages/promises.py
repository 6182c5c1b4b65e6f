"""Promises as the Ahead page shows and changes them; pure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields
from datetime import date, timedelta

from alerts.coming import cover_state, terms_words
from alerts.findings import Tick
from dashboards.facts.coming import is_ahead
from dashboards.pages.plain import upper
from monitor.ahead import Cover
from monitor.amounts import say_day, say_trays
from monitor.promises import Promise, Terms

RHYTHMS = (
    ("once", "once"), ("1 days", "every day"), ("7 days", "every week"), ("14 days", "every 2 weeks"),
    ("28 days", "every 4 weeks"),
)  # fmt: skip
_BAD = ("too late", "unknown crop")
_AHEAD = timedelta(days=800)


@dataclass(frozen=True, slots=True, kw_only=True)
class PromiseForm:
    """What is typed of a promise; empty: nothing.

    Attributes:
        trays: How many.
        crop: What.
        day: The day they go out, ISO 8601.
        whom: Who gets them.
        every: How often, one of RHYTHMS or the like.
        living: ``yes``: they go out living.
        since: From which day on a change or an end holds.
        only: The single day on which the number differs.
    """

    trays: str = ""
    crop: str = ""
    day: str = ""
    whom: str = ""
    every: str = "once"
    living: str = ""
    since: str = ""
    only: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class OwedLine:
    """One day of a promise.

    Attributes:
        says: The day, and what stands for it.
        state: How it stands, in a word.
        is_bad: It cannot be met.
        sow: Address of the Sow page with what lacks; empty: nothing lacks, or it is too late.
    """

    says: str
    state: str
    is_bad: bool
    sow: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PromiseLine:
    """One promise.

    Attributes:
        id: What it is called.
        says: What, to whom, how often.
        more: Changes to come, and its end.
        days: Its next days.
        form: What holds today, to be changed.
        rhythms: How often it may be, as (value, words).
    """

    id: str
    says: str
    more: tuple[str, ...]
    days: tuple[OwedLine, ...]
    form: PromiseForm
    rhythms: tuple[tuple[str, str], ...]


def read_promise(said: Iterable[tuple[str, str]]) -> PromiseForm:
    """Return what is typed from the fields of a form."""
    known = {each.name for each in fields(PromiseForm)}
    return PromiseForm(**{name: value.strip()[:120] for name, value in said if name in known})


def promise_lines(
    tick: Tick, covers: Sequence[Cover], today: date, form: PromiseForm | None, wrong_in: str
) -> tuple[PromiseLine, ...]:
    """Return what is promised from today on; one that was to be changed shows what was typed."""
    lines = []
    for each in tick.promises.values():
        if not is_ahead(each, today):
            continue
        terms = each.terms_on(today)
        shown = form if form is not None and each.id == wrong_in else form_of(each, today)
        rhythm = (every_of(terms), terms_words(terms, tick.profiles).rpartition(" to ")[2])
        known = RHYTHMS if rhythm[0] in dict(RHYTHMS) else (*RHYTHMS, (rhythm[0], f"as now: every {rhythm[0]}"))
        lines.append(
            PromiseLine(
                id=each.id,
                says=upper(terms_words(terms, tick.profiles)),
                more=_more(each, tick, today),
                days=tuple(_owed(cover, tick) for cover in covers if cover.owed.promise == each.id),
                form=shown,
                rhythms=known,
            )
        )
    return tuple(lines)


def every_of(terms: Terms) -> str:
    """Return how often, as the form has it."""
    return "once" if terms.every_days is None else f"{terms.every_days} days"


def next_day_of(each: Promise, today: date) -> date:
    """Return the next day on which a promise asks for something; where there is none, the day that it was for."""
    coming = next(iter(each.days(today, today + _AHEAD)), None)
    return coming[0] if coming else each.terms_on(today).for_on


def form_of(each: Promise, today: date) -> PromiseForm:
    """Return what holds, as the form has it; its day is the next one, since a form takes no day that is past."""
    terms = each.terms_on(today)
    return PromiseForm(
        trays=str(terms.trays),
        crop=terms.crop,
        day=next_day_of(each, today).isoformat(),
        whom=terms.whom,
        every=every_of(terms),
        living="yes" if terms.living else "",
    )


def _more(each: Promise, tick: Tick, today: date) -> tuple[str, ...]:
    """Return what changes later, and when it ends."""
    later = [
        f"From {say_day(terms.from_on)} on: {terms_words(terms, tick.profiles)}."
        for terms in each.terms
        if terms.from_on > today
    ]
    return (*later, *([f"Over from {say_day(each.ends_on)} on."] if each.ends_on else []))


def _owed(cover: Cover, tick: Tick) -> OwedLine:
    """Return one day of a promise."""
    state, words, plan = cover_state(cover, tick)
    differs = cover.owed.trays != tick.promises[cover.owed.promise].terms_on(cover.owed.on).trays
    count = f", {say_trays(cover.owed.trays)} that day" if differs else ""
    sow = f"/sow?look=1&crop={cover.owed.crop}&trays={plan.to_sow}" if plan and state == "to sow" else ""
    return OwedLine(says=f"{say_day(cover.owed.on)}{count}: {words}.", state=state, is_bad=state in _BAD, sow=sow)
