"""What a wish about a promise comes to: trays promised to somebody, a promise changed or ended; pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from datetime import date, timedelta
from typing import Any

from alerts.coming import coming_day, cover_state, read_every, terms_words
from alerts.findings import Tick
from alerts.planning import plan_at, unmet_words
from alerts.promised import covers_at, owed_at, promise_words
from monitor.ahead import Cover
from monitor.amounts import say_day, say_list, say_trays
from monitor.clock import local_day
from monitor.desk import Deed, Desk
from monitor.errors import NotFoundError, RefusedError
from monitor.ledger import Entry, EntryKind, NewEntry
from monitor.profilefile import find_profile
from monitor.promises import Promise, Terms, next_promise_id, promises_as_of
from monitor.timewords import read_day

_TOLD = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What a person says of a promise, as far as they do.

    Attributes:
        trays: How many; with ``only``, 0: none on that day.
        crop: What, by any of its names.
        for_day: The day they go out, as a person writes it.
        whom: Who gets them.
        every: A rhythm, e.g. ``week``; ``once`` ends it.
        living: They go out living.
        from_day: From which day on a change or an end holds.
        only: The single day on which the number differs.
    """

    trays: int | None = None
    crop: str | None = None
    for_day: str | None = None
    whom: str | None = None
    every: str | None = None
    living: bool | None = None
    from_day: str | None = None
    only: str | None = None

    def anything(self) -> bool:
        """Tell whether anything was said that can be changed."""
        return any(getattr(self, each.name) is not None for each in fields(self) if each.name != "from_day")


def _today(desk: Desk) -> date:
    return local_day(desk.now, desk.farm.zone)


def new_promise(desk: Desk, tick: Tick, asked: Asked) -> Deed:
    """Return what notes a new promise; what it means for others is warned of.

    Raises:
        RefusedError: Something is missing, or cannot be.
    """
    if asked.only is not None or asked.from_day is not None:
        raise RefusedError("--only and --from change or end a promise: say which with --change P3 or --end P3")
    if not asked.trays or asked.crop is None or asked.for_day is None or not (asked.whom or "").strip():
        raise RefusedError(
            "say how many, of what, for when and for whom, e.g. traywarden promise 12 radish --for friday "
            "--whom 'the corner table'"
        )
    terms = Terms(
        from_on=date.min,
        for_on=coming_day(asked.for_day, _today(desk)),
        every_days=None if asked.every is None else read_every(asked.every),
        crop=find_profile(desk.profiles, asked.crop).id,
        trays=asked.trays,
        whom=" ".join((asked.whom or "").split()),
        living=bool(asked.living),
    )
    promise_id = next_promise_id(desk.entries)
    entry = desk.entry(EntryKind.PROMISED, None, trays=terms.trays, data=_data(promise_id, terms))
    return _deed(desk, tick, promise_id, entry, f"Noted: promise {promise_id}, {terms_words(terms, desk.profiles)}.")


def _data(promise_id: str, terms: Terms) -> dict[str, Any]:
    """Return what an entry keeps of terms; the trays are the entry's own."""
    return {
        "promise": promise_id,
        "crop": terms.crop,
        "for": terms.for_on.isoformat(),
        "whom": terms.whom,
        "every_days": terms.every_days,
        "living": terms.living,
    }


def _known(desk: Desk, said: str) -> Promise:
    """Return the promise that a person means.

    Raises:
        NotFoundError: There is none; those that are there are named.
    """
    known = promises_as_of(desk.entries, desk.now)
    found = known.get(said.strip().upper()) or known.get(f"P{said.strip()}")
    if found is None:
        there = f"there are: {', '.join(known)}" if known else "nothing is promised yet"
        raise NotFoundError(f"there is no promise {said!r}; {there}")
    return found


def _from(desk: Desk, tick: Tick, found: Promise, asked: Asked) -> date:
    """Return from when on a change holds: the day said, else today; tomorrow where today's trays went out already."""
    if asked.from_day is not None:
        return coming_day(asked.from_day, _today(desk))
    today = _today(desk)
    gone = [each for each in owed_at(tick, today) if each.promise == found.id and each.delivered and not each.open]
    return today + timedelta(days=1) if gone else today


def change_promise(desk: Desk, tick: Tick, said: str, asked: Asked) -> Deed:
    """Return what notes that a promise is different from a day on, or on a single day.

    Raises:
        NotFoundError: There is no such promise.
        RefusedError: Nothing changes, or what is asked cannot be.
    """
    found = _known(desk, said)
    if asked.only is not None:
        return _only(desk, tick, found, asked)
    if not asked.anything():
        raise RefusedError(
            "say what changes: --trays, --for, --whom, --every, --crop, --living, or --only DAY --trays N"
        )
    if asked.trays == 0:
        raise RefusedError(
            f"none at all is the end of it: traywarden promise --end {found.id}; none on one day: "
            f"traywarden promise --change {found.id} --only DAY --trays 0"
        )
    since = _from(desk, tick, found, asked)
    if found.ends_on is not None and found.ends_on <= since:
        raise RefusedError(f"promise {found.id} is over from {say_day(found.ends_on)} on; promise anew")
    old = found.terms_on(since)
    for_on = old.for_on if asked.for_day is None else read_day(asked.for_day, today=since, ahead=True)
    every_days = old.every_days if asked.every is None else read_every(asked.every)
    if every_days is not None and for_on < since:
        for_on += timedelta(days=-(-(since - for_on).days // every_days) * every_days)
    new = replace(
        old,
        from_on=since,
        for_on=for_on,
        every_days=every_days,
        crop=old.crop if asked.crop is None else find_profile(desk.profiles, asked.crop).id,
        trays=old.trays if asked.trays is None else asked.trays,
        whom=old.whom if asked.whom is None else " ".join(asked.whom.split()),
        living=old.living if asked.living is None else asked.living,
    )
    if new.every_days is None and new.for_on < since:
        raise RefusedError(f"{found.id} was for {say_day(new.for_on)}, which is past; promise anew, or give --for DAY")
    data = {**_data(found.id, new), "from": since.isoformat()}
    entry = desk.entry(EntryKind.PROMISED, None, trays=new.trays, data=data)
    says = f"Noted: promise {found.id} is from {say_day(since)} on: {terms_words(new, desk.profiles)}."
    return _deed(desk, tick, found.id, entry, says)


def _only(desk: Desk, tick: Tick, found: Promise, asked: Asked) -> Deed:
    """Return what notes how many trays a single day of a promise asks for."""
    if asked.trays is None or any(
        each is not None for each in (asked.for_day, asked.whom, asked.every, asked.crop, asked.living)
    ):
        raise RefusedError("on a single day only the number can differ: --only DAY --trays N (0: none)")
    day = coming_day(asked.only or "", _today(desk))
    bare = replace(found, only={})
    if not list(bare.days(day, day)):
        days = [each for each, _ in bare.days(_today(desk), _today(desk) + timedelta(days=92))][:_TOLD]
        coming = f"its next days are {say_list([say_day(each) for each in days])}" if days else "it has no days ahead"
        raise RefusedError(f"promise {found.id} asks for nothing on {say_day(day)}; {coming}")
    data = {"promise": found.id, "only": day.isoformat()}
    entry = desk.entry(EntryKind.PROMISED, None, trays=asked.trays or None, data=data)
    count = say_trays(asked.trays) if asked.trays else "no trays"
    return _deed(
        desk, tick, found.id, entry, f"Noted: promise {found.id} asks for {count} on {say_day(day)}, that day only."
    )


def end_promise(desk: Desk, tick: Tick, said: str, asked: Asked) -> Deed:
    """Return what ends a promise.

    Raises:
        NotFoundError: There is no such promise.
        RefusedError: It is over already, or something else is said with it.
    """
    found = _known(desk, said)
    if asked.anything():
        raise RefusedError("--end takes only --from DAY; to change a promise say --change")
    since = _from(desk, tick, found, asked)
    entry = desk.entry(EntryKind.PROMISED, None, data={"promise": found.id, "ends": since.isoformat()})
    if found.ends_on is not None and found.ends_on <= since:
        raise RefusedError(f"promise {found.id} is over already, from {say_day(found.ends_on)} on")
    terms = terms_words(found.terms_on(since), desk.profiles)
    says = f"Noted: promise {found.id} ({terms}) is over; nothing is owed from {say_day(since)} on."
    return _deed(desk, tick, found.id, entry, says)


def _deed(desk: Desk, before: Tick, promise_id: str, entry: NewEntry, says: str) -> Deed:
    """Return an entry about a promise as a deed: what stands for its coming days, and what others lose by it."""
    number = max((each.id for each in desk.entries), default=0) + 1
    values = {each.name: getattr(entry, each.name) for each in fields(NewEntry)}
    promises = promises_as_of([*desk.entries, Entry(**values, id=number, recorded_at=desk.now)], desk.now)
    after = replace(before, promises=promises, memo={})
    covers = covers_at(after)
    mine = [each for each in covers if each.owed.promise == promise_id]
    lines = []
    for each in mine[:_TOLD]:
        state, words, _ = cover_state(each, after)
        if state == "too late":
            desk.warnings.append(f"{promise_id} cannot be met on {say_day(each.owed.on)}: {words}.")
        else:
            lines.append(f"{say_day(each.owed.on)}: {words}.")
    if len(mine) > _TOLD:
        lines.append(f"`traywarden promises` shows the {len(mine) - _TOLD} days after that.")
    desk.warnings += _losers(covers_at(before), covers, promise_id, after)
    desk.warnings += _no_room(promise_id, mine, before, after)
    return Deed(entries=(entry,), said=(says, *lines))


def _losers(before: Sequence[Cover], after: Sequence[Cover], promise_id: str, tick: Tick) -> list[str]:
    """Return what other promises lack now that did not lack before."""
    lacked = {(each.owed.promise, each.owed.on): each.lacking for each in before}
    return [
        f"It takes trays that promise {each.owed.promise} counted on: {promise_words(each.owed, tick)} now lacks "
        f"{say_trays(each.lacking)}."
        for each in after
        if each.owed.promise != promise_id
        and each.lacking > lacked.get((each.owed.promise, each.owed.on), each.lacking)
    ]


def _no_room(promise_id: str, mine: Sequence[Cover], before: Tick, after: Tick) -> list[str]:
    """Return what a plan of all promises has no room for, and had before this one; nothing where all finds room."""
    coming = [each for each in mine[:_TOLD] if cover_state(each, after)[0] == "to sow"]
    if not coming:
        return []
    until = coming[-1].owed.on
    plan = plan_at(after, until)
    if not any(each.want.days for each in plan.unmet):
        return []
    old = plan_at(before, until).unmet
    if sum(each.trays for each in plan.unmet if each.want.days) <= sum(each.trays for each in old if each.want.days):
        return []
    known = {(each.want.promise, each.want.on): each.trays for each in old}
    more = [
        each for each in plan.unmet if each.want.days and each.trays > known.get((each.want.promise, each.want.on), 0)
    ]
    says = "`traywarden plan` shows what stands where."
    return [f"With {promise_id} not all finds room: {unmet_words(each, after)} {says}" for each in more]
