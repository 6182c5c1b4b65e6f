"""The wall sheet: the rounds of the next days on paper, for helpers, for clean hands, for a power cut; pure.

The days ahead are played through as if everything were done as it is asked: what is uncovered on Tuesday is asked for
water on Wednesday. A harvest is printed on the first and on the last day of its window, and taken as cut on the last.
What a line asks to sow goes on growing on the sheet, as batch ``L12`` of line 12, until it is entered under its number.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, fields
from datetime import date, datetime, timedelta
from itertools import groupby

from alerts import words
from alerts.answers import short_key
from alerts.derive import open_tasks
from alerts.findings import Tick
from alerts.holding import held_batches, held_facts
from alerts.nudges import DOING
from alerts.promised import sheet_words
from alerts.roundanswers import answer_entries
from alerts.rounds import last_round, next_round
from alerts.tasks import OF_PROMISES, Task, TaskKind, Urgency
from dashboards.airahead import AirAhead
from dashboards.sheetlines import FROM_LINE, SheetLine
from monitor.amounts import say_day, say_list, say_ml, say_time, say_trays
from monitor.clock import local_day
from monitor.covers import covers_of, on_duty
from monitor.errors import EntryError
from monitor.farm import Farm
from monitor.fold import fold_as_of
from monitor.ledger import Entry, EntryKind, NewEntry, effective
from monitor.live import LiveBuffer
from monitor.profiles import Profile
from monitor.promises import promises_as_of
from monitor.scales import Scales, ScaleView

MOST_DAYS = 14
_ASIDE = re.compile(r" \([^()]*\)")


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetShelf:
    """The lines of one place on one round.

    Attributes:
        place: The place, in words; empty: none was given.
        lines: Its lines.
    """

    place: str
    lines: tuple[SheetLine, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetRound:
    """The lines of one round.

    Attributes:
        title: The day and time, in words.
        who: Who walks it.
        shelves: Its lines by place, in walking order.
    """

    title: str
    who: str
    shelves: tuple[SheetShelf, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class WallSheet:
    """The whole sheet.

    Attributes:
        key: Four letters by which it is entered.
        farm: The farm's name.
        span: First and last day, in words.
        printed: When it was made, in words.
        holds: What is on hold, a line each; printed first.
        rounds: Rounds that ask for something, in order.
        care: Cautions that belong to the moves, each once.
    """

    key: str
    farm: str
    span: str
    printed: str
    holds: tuple[str, ...]
    rounds: tuple[SheetRound, ...]
    care: tuple[str, ...]

    @property
    def lines(self) -> tuple[SheetLine, ...]:
        """Return all lines in order."""
        return tuple(line for each in self.rounds for shelf in each.shelves for line in shelf.lines)

    @property
    def is_sowing(self) -> bool:
        """Tell whether a line asks to sow."""
        return any(line.kind is TaskKind.SOW for line in self.lines)


def build_sheet(
    farm: Farm,
    profiles: Mapping[str, Profile],
    entries: Sequence[Entry],
    *,
    now: datetime,
    days: int,
    scales: ScaleView | None = None,
) -> WallSheet:
    """Return the sheet of the next days, today among them.

    Args:
        farm: The farm.
        profiles: Crop profiles by id.
        entries: The whole ledger.
        now: The instant.
        days: How many local days, 1 to MOST_DAYS.
        scales: What the sensors say now. Scales speak for today only; the warmth so far moves the days after too.
    """
    book = list(effective(entries))
    first, last = local_day(now, farm.zone), local_day(now, farm.zone) + timedelta(days=days - 1)
    care: dict[str, dict[str, None]] = {}
    rounds: list[SheetRound] = []
    seen: ScaleView = scales if scales is not None else Scales({})
    ahead = AirAhead(seen)
    listed: set[str] = set()
    number = 0
    for at in _moments(farm, now, last):
        tick = _tick(farm, profiles, book, at, seen if local_day(at, farm.zone) == first else ahead, now)
        lines = []
        for task, when in _asked(tick, listed):
            number += 1
            lines.append(_line(task, number, when, tick))
            for caution in task.cautions:
                care.setdefault(caution, {})[profiles[task.crop].name.lower()] = None
            _assume_done(task, when, tick, book, number)
        if lines:
            people = say_list([person.id for person in on_duty(farm, at, covers_of(book))])
            rounds.append(SheetRound(title=say_time(tick.now, farm.zone), who=people, shelves=_by_place(lines)))
    today = _tick(farm, profiles, list(effective(entries)), now, seen, now)
    return WallSheet(
        key=short_key(f"{farm.name}|{now.isoformat()}|{days}"),
        farm=farm.name,
        span=f"{say_day(first)} to {say_day(last)}" if days > 1 else say_day(first),
        printed=say_time(now, farm.zone),
        holds=tuple(held_facts(batch, today) for batch in held_batches(today)),
        rounds=tuple(rounds),
        care=_care(care),
    )


def _by_place(lines: Iterable[SheetLine]) -> tuple[SheetShelf, ...]:
    """Return lines in walking order by the place that they begin at."""
    grouped = groupby(lines, key=lambda line: line.place)
    return tuple(SheetShelf(place=place, lines=tuple(listed)) for place, listed in grouped)


def _moments(farm: Farm, now: datetime, last: date) -> Iterator[datetime]:
    """Yield the rounds of the sheet: the present one, and all until the end of the last day."""
    at = last_round(farm, now)
    while local_day(at, farm.zone) <= last:
        yield at
        at = next_round(farm, at)


def _tick(
    farm: Farm,
    profiles: Mapping[str, Profile],
    book: Sequence[Entry],
    at: datetime,
    scales: ScaleView,
    now: datetime,
) -> Tick:
    """Return one round to come, as the book with what is assumed has it; the present round stands at ``now``."""
    at = max(at, now)
    return Tick(
        now=at,
        farm=farm,
        profiles=profiles,
        batches=fold_as_of(book, at),
        live=LiveBuffer(),
        watching_since=at,
        scales=scales,
        entries=tuple(entry for entry in book if entry.at <= at),
        promises=promises_as_of(book, at),
    )


def _asked(tick: Tick, listed: set[str]) -> list[tuple[Task, datetime]]:
    """Return the tasks that a round prints with their times, each once; a harvest also on its last day."""
    found = []
    coming = next_round(tick.farm, tick.now)
    for task in open_tasks(tick):
        off = task.answered_not_yet_until
        if off is not None and off > tick.now:
            continue
        if task.kind is TaskKind.DRAIN:
            if task.ask_at < coming and task.key not in listed:
                listed.add(task.key)
                found.append((task, max(task.ask_at, tick.now)))
            continue
        is_last = task.kind is TaskKind.HARVEST and task.urgency in (Urgency.LAST_DAY, Urgency.PAST)
        key = f"{task.key}#last" if is_last else task.key
        if task.is_asked(tick.now) and key not in listed:
            listed |= {key, task.key}
            found.append((task, tick.now))
    return found


def _assume_done(task: Task, at: datetime, tick: Tick, book: list[Entry], number: int) -> None:
    """Take a line as done a minute later; a harvest only on its last day, and nothing that the book would refuse."""
    if task.kind is TaskKind.HARVEST and task.urgency not in (Urgency.LAST_DAY, Urgency.PAST):
        return
    done_at = at + timedelta(minutes=1)
    new = (*answer_entries(task, task.groups, at=done_at, by="sheet"), *_begun(task, done_at, tick, number))
    first = max((entry.id for entry in book), default=0) + 1
    added = [_as_kept(one, first + place) for place, one in enumerate(new)]
    try:
        fold_as_of([*book, *added], at + timedelta(minutes=2))
    except EntryError:
        return
    book += added


def _begun(task: Task, at: datetime, tick: Tick, number: int) -> tuple[NewEntry, ...]:
    """Return the sowing that a line asks for, or its soak; a soak that is drained is sown the same minute."""
    if task.kind not in (TaskKind.SOW, TaskKind.DRAIN) or not task.trays:
        return ()
    batch = task.batch if task.kind is TaskKind.DRAIN else f"{FROM_LINE}{number}"
    if task.kind is TaskKind.SOW and tick.profiles[task.crop].soak_hours is not None:
        data = {"crop": task.crop, "trays_planned": task.trays}
        return (NewEntry(kind=EntryKind.SOAKED, at=at, by="sheet", batch=batch, data=data),)
    sown = {"crop": task.crop, "tray_kind": next(iter(tick.farm.tray_kinds))}
    return (NewEntry(kind=EntryKind.SOWN, at=at, by="sheet", batch=batch, trays=task.trays, data=sown),)


def _as_kept(one: NewEntry, number: int) -> Entry:
    """Return an assumed entry as the book would keep it."""
    values = {each.name: getattr(one, each.name) for each in fields(NewEntry)}
    return Entry(**values, id=number, recorded_at=one.at)


def _line(task: Task, number: int, at: datetime, tick: Tick) -> SheetLine:
    """Return one task as a line."""
    places = tick.farm.places
    names = dict.fromkeys(places.name(group.spot) if group.spot else "" for group in task.groups)
    is_promised = task.kind in OF_PROMISES
    return SheetLine(
        number=number,
        at=at,
        kind=task.kind,
        batch=task.batch,
        crop=tick.profiles[task.crop].name.lower(),
        trays=task.trays,
        groups=task.groups,
        water_ml=task.water_ml,
        place=_PROMISED if is_promised else say_list([name for name in names if name]) or _no_place(task),
        words=sheet_words(task, tick) if is_promised else short_words(task, tick.farm),
        last_day=task.urgency is Urgency.LAST_DAY and task.kind in _LASTING,
        for_on=date.fromisoformat(task.occurrence) if is_promised else None,
    )


_LASTING = (TaskKind.UNCOVER, TaskKind.END_BLACKOUT, TaskKind.HARVEST, TaskKind.SOW)
_PROMISED = "what is promised"


def _no_place(task: Task) -> str:
    """Return what trays stand under whose place nobody noted: never under the shelf of the line before."""
    return "sown from this sheet" if task.batch[:1] == FROM_LINE else "place not noted"


_OF_ALL_CROPS = frozenset(
    (
        words.HEAVY,
        words.CLEANERS,
        words.DOUBTFUL,
        words.CUTTING,
        words.LIVING,
        words.SOAK_WATER,
        words.RULES,
        words.WET,
        words.SEED,
    )
)


def _care(found: Mapping[str, Iterable[str]]) -> tuple[str, ...]:
    """Return cautions, each once: what holds for every crop first, then what holds for some, with their names."""
    general = [text for text in found if text in _OF_ALL_CROPS]
    special = [(say_list(list(crops)), text) for text, crops in found.items() if text not in _OF_ALL_CROPS]
    named = [f"{crops[0].upper()}{crops[1:]}: {text[0].lower()}{text[1:]}" for crops, text in special]
    return (*general, *named)


def short_words(task: Task, farm: Farm) -> str:
    """Return a task's move in the nudge's words, shortened: its first sentence, and when not to do it."""
    said = _ASIDE.sub("", task.move).replace("answer not yet", "write N")
    sentences = re.split(r"(?<=[.?]) ", said)
    kept = sentences[:2] if sentences[0].startswith("Pile ") else sentences[:1]
    kept = sentences if sentences[0].endswith("?") else kept  # a question, with what its answers mean
    if task.kind is TaskKind.WATER and task.trays and not sentences[0].startswith("Pour"):
        each = say_ml(task.water_ml / task.trays, farm.units)
        cut = " and what you cut today" if words.NOT_CUT in task.move else ""
        kept = [f"light trays {each} each, heavy ones{cut} none."]
    kept += [sentence for sentence in sentences if "write N" in sentence]
    doing, text = DOING[task.kind], " ".join(kept)
    if text.startswith("Pile "):
        return f"{doing[0].upper()}{doing[1:]}, p{text[1:]}"
    if text.casefold().startswith(doing.split()[0]):
        return text
    return f"{doing[0].upper()}{doing[1:]}: {text[0].lower()}{text[1:]}"


def sheet_lines(sheet: WallSheet) -> list[str]:
    """Return the sheet as plain lines."""
    lines = [f"{sheet.farm}, {sheet.span}: sheet {sheet.key}"]
    if sheet.holds:
        lines = ["ON HOLD: do not cut, do not deliver", *(f" ! {held}" for held in sheet.holds), "", *lines]
    for each in sheet.rounds:
        lines += ["", f"{each.title}, {each.who}"]
        for shelf in each.shelves:
            lines += [f" {shelf.place[:1].upper()}{shelf.place[1:]}"] if shelf.place else []
            lines += [f"  {_line_text(line)}" for line in shelf.lines]
    if not sheet.rounds:
        lines.append("Nothing is asked on these days.")
    return lines


def _line_text(line: SheetLine) -> str:
    """Return one line of the plain sheet."""
    trays = f", {say_trays(line.trays)}" if line.trays else ""
    last = " LAST DAY." if line.last_day else ""
    grams = "  ____ g" if line.asks_grams else ""
    what = "promise" if line.kind in OF_PROMISES else "batch"
    return f"{line.number:>3} [ ] {what} {line.batch} {line.crop}{trays}.{last} {line.words}{grams}"


def render(sheet: WallSheet, *, style: str | None = None) -> str:
    """Return the sheet as HTML to print; everything that a person typed is escaped.

    Args:
        sheet: The sheet.
        style: Address of its style; None: it stands in the page.
    """
    from dashboards.printing import fill

    return fill("sheet.html.j2", sheet=sheet, style=style)


def sheet_css() -> str:
    """Return the style of the sheet."""
    from dashboards.printing import fill

    return fill("sheet.css.j2")
