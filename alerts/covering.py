"""What a stand-in is told beside the round, and what is told to the one who comes back; pure."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from datetime import date, datetime, timedelta

from alerts.findings import Tick
from alerts.holding import HEAD, hold_lines
from alerts.tasks import OF_PROMISES, Task, TaskKind
from monitor.amounts import say_day, say_list, say_trays
from monitor.clock import local_day
from monitor.covers import StandIn, cover_on, covers_of, stands_in_for
from monitor.ledger import Entry, EntryKind

TOLD_WITHIN = timedelta(days=7)
"""A return longer ago than this is not told any more."""

_FULLER = {
    TaskKind.DRAIN: "A soak is seed in water, in a bucket or a jar that bears the batch's number.",
    TaskKind.LOOK: (
        "A stack is a pile of trays in the dark under a weight. Do just what the line says and no more, keep the order "
        "of the trays, and put all back at once as it was."
    ),
    TaskKind.UNCOVER: (
        "The time in the pile is over for good. Pale and pushed up is right: they have grown in the dark. A blackout "
        "cover is a tray turned over, or a lid, that keeps the light out and presses on nothing."
    ),
    TaskKind.END_BLACKOUT: "The cover comes off for good, and the tray stands under the lamp from now on.",
    TaskKind.WATER: (
        "Each tray with holes stands in a bottom tray without: lift a corner and pour there. What still stands in it "
        "after half an hour is poured away."
    ),
    TaskKind.HARVEST: (
        "Cut only what is to go out or into the cold store now; what stands can wait. Weigh all that is cut from the "
        "batch together, and enter the grams."
    ),
    TaskKind.CLEAR: "The batch's number stands on its label. Roots and medium go to the compost, not down the drain.",
}
_NOTHING_ELSE = "Beside what is due today nothing is open from then."
_IN_DOUBT = "In doubt leave the tray as it is, and answer not yet: it is asked again at the next round."


def covers_at(tick: Tick) -> tuple[StandIn, ...]:
    """Return all covers, read once for a moment."""
    found: tuple[StandIn, ...] | None = tick.memo.get("covers")
    if found is None:
        found = tick.memo["covers"] = covers_of(tick.entries)
    return found


def fuller(text: str, person: str, kinds: Iterable[TaskKind], tick: Tick) -> str:
    """Return a message as a stand-in gets it: for whom, where things are, each move explained; for others as it is."""
    covers = stands_in_for(person, tick.now, tick.farm.zone, covers_at(tick))
    if not covers:
        return text
    head = []
    for cover in covers:
        head.append(f"You stand in for {cover.person}, {say_day(cover.from_on)} to {say_day(cover.to_on)}.")
        head += [f"Where things are, and the like: {cover.note}"] if cover.note else []
    meant = dict.fromkeys(kinds)
    words = [f" - {kind.value.capitalize()}: {_FULLER[kind]}" for kind in meant if kind in _FULLER]
    tail = ["", "If this is new to you", *words, f" - {_IN_DOUBT}"] if meant else []
    hold, gap, rest = text.partition("\n\n") if text.startswith(HEAD) else ("", "", text)
    return "\n".join([*([hold, ""] if gap else []), *head, "", rest or text, *tail])


def returns(covers: Sequence[StandIn], told: Collection[str], round_at: datetime, tick: Tick) -> tuple[StandIn, ...]:
    """Return the covers that are over at a round, whose person is back, and who was told nothing of it yet."""
    day = local_day(round_at, tick.farm.zone)
    return tuple(
        cover
        for cover in covers
        if cover.to_on < day <= cover.to_on + TOLD_WITHIN
        and back_stage(cover) not in told
        and cover.person in tick.farm.people
        and cover_on(cover.person, day, covers) is None
    )


def back_stage(cover: StandIn) -> str:
    """Return the key under which a return is told."""
    return f"{cover.key}#back"


_DEEDS = {
    EntryKind.SOAKED: "put to soak",
    EntryKind.DRAINED: "drained",
    EntryKind.SOWN: "sowed",
    EntryKind.STACKED: "stacked",
    EntryKind.LOOKED: "looked at",
    EntryKind.UNCOVERED: "uncovered",
    EntryKind.LIGHTS_ON: "ended the blackout of",
    EntryKind.WATERED: "watered",
    EntryKind.MOVED: "moved",
    EntryKind.HARVESTED: "cut",
    EntryKind.DELIVERED: "delivered",
    EntryKind.DISCARDED: "threw away",
    EntryKind.CLEANED: "cleaned up after",
    EntryKind.NOT_YET: "put off",
}


def summary_lines(cover: StandIn, tasks: Iterable[Task], tick: Tick) -> list[str]:
    """Return who did what on the days of a cover, and what is still open, for the one who comes back.

    Args:
        cover: The cover.
        tasks: What is open and due now.
        tick: The moment, with the ledger's entries.
    """
    zone = tick.farm.zone
    days = f"{say_day(cover.from_on)} to {say_day(cover.to_on)}"
    rows = [entry for entry in tick.entries if cover.is_on(local_day(entry.at, zone))]
    lines = [f"Welcome back, {cover.person}. While you were away, {days}, with {cover.standin} in your place:"]
    by_day: dict[date, list[Entry]] = {}
    for entry in rows:
        by_day.setdefault(local_day(entry.at, zone), []).append(entry)
    for day, entries in by_day.items():
        told = [f" - {say_day(day)}, {who}: {words}" for who in _people(entries) if (words := _did(entries, who, tick))]
        lines += told
    if len(lines) == 1:
        lines.append(" - nobody entered anything")
    left = [task for task in tasks if task.usual_on <= cover.to_on]  # what is due today comes with the round
    open_ = [f" - {_task_words(task, tick)}" for task in left]
    return [*hold_lines(tick), *lines, "", "Still open from then" if open_ else _NOTHING_ELSE, *open_]


def _people(entries: Sequence[Entry]) -> tuple[str, ...]:
    """Return who entered something, each once."""
    return tuple(dict.fromkeys(entry.by for entry in entries))


def _did(entries: Sequence[Entry], who: str, tick: Tick) -> str:
    """Return what one person did on one day, in words."""
    mine = [entry for entry in entries if entry.by == who]
    words = []
    for kind, verb in _DEEDS.items():
        named = list(dict.fromkeys(entry.batch for entry in mine if entry.kind is kind and entry.batch))
        if named:
            words.append(f"{verb} {_batches(named, tick)}{_amount(kind, mine)}")
        if kind is EntryKind.CLEANED:
            spots = [tick.farm.places.name(entry.spot) for entry in mine if entry.kind is kind and not entry.batch]
            words += [f"washed {say_list(list(dict.fromkeys(spots)))}"] if spots else []
    words += [quoted for entry in mine if (quoted := _quoted(entry))]
    return "; ".join(words)


def _batch(batch: str, tick: Tick) -> str:
    """Return a batch's number and crop."""
    found = tick.batches.get(batch)
    profile = tick.profiles.get(found.crop) if found else None
    return f"batch {batch} {profile.name.lower()}" if profile else f"batch {batch}"


def _batches(named: Sequence[str], tick: Tick) -> str:
    """Return the numbers and crops of one or several batches."""
    said = [_batch(batch, tick) for batch in named]
    return said[0] if len(said) == 1 else f"batches {say_list([each.removeprefix('batch ') for each in said])}"


def _amount(kind: EntryKind, entries: Sequence[Entry]) -> str:
    """Return the trays that left, where the entries say it."""
    if kind not in (EntryKind.DISCARDED, EntryKind.DELIVERED, EntryKind.HARVESTED):
        return ""
    trays = sum(entry.trays or 0 for entry in entries if entry.kind is kind)
    return f" ({say_trays(trays)})" if trays else ""


def _quoted(entry: Entry) -> str:
    """Return what an entry says in a person's own words, where that is all it says; else empty."""
    if entry.kind is EntryKind.NOTED:
        about = f" of batch {entry.batch}" if entry.batch else ""
        return f"noted{about}: {entry.data.get('text', '')}"
    if entry.kind is EntryKind.RECORDED:
        warmth = f"{entry.data['temp_c']:g} °C" if entry.data.get("temp_c") is not None else ""
        return f"{entry.data.get('what')}: {entry.data.get('text') or warmth}"
    if entry.kind in (EntryKind.HELD, EntryKind.RELEASED):
        what = f"lot {entry.data['lot']}" if entry.data.get("lot") else f"batch {entry.batch}"
        deed = "put on hold" if entry.kind is EntryKind.HELD else "released"
        return f"{deed} {what}: {entry.data.get('why', '')}"
    return ""


def _task_words(task: Task, tick: Tick) -> str:
    """Return an open task in one line."""
    trays = f", {say_trays(task.trays)}" if task.trays else ""
    whose = f"promise {task.batch} {task.crop}" if task.kind in OF_PROMISES else _batch(task.batch, tick)
    return f"{whose}{trays}: {task.kind.value}, since {say_day(task.usual_on)}. Done: {task.answer}"
