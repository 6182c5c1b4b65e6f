"""From open tasks and news to messages: each stage of a task is told once, bundled by round, in words; pure."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import groupby

from alerts.alarms import Alarm
from alerts.answers import short_key
from alerts.covering import back_stage, covers_at, fuller, summary_lines
from alerts.derive import say_count
from alerts.findings import Priority, Tick
from alerts.holding import HEAD, hold_lines, hold_text
from alerts.news import News
from alerts.promised import promise_lines
from alerts.rounds import first_round
from alerts.stages import weight
from alerts.tasks import OF_PROMISES, Task, TaskKind, Urgency
from alerts.words import not_yet_of
from monitor.amounts import say_day, say_list, say_ml, say_time
from monitor.clock import at_local, local_day
from monitor.covers import StandIn, cover_on, on_duty
from monitor.farm import Farm
from monitor.holds import Hold
from monitor.people import Person

LATE_AFTER = timedelta(minutes=30)
"""A message that goes out later than this after it fell due says so."""

_STILL_SOAKING = timedelta(hours=3)
_MOVES = (TaskKind.UNCOVER, TaskKind.END_BLACKOUT, TaskKind.HARVEST)
_LAST_DAYS = (*_MOVES, TaskKind.SOW)


@dataclass(frozen=True, slots=True, kw_only=True)
class Telling:
    """A task with the stages of it that are to be told now.

    Attributes:
        task: The task.
        stages: Keys of the stages; none of them was told before.
        fell_due_at: When the first of them fell due.
    """

    task: Task
    stages: tuple[str, ...]
    fell_due_at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Message:
    """One message to one person over one channel.

    Attributes:
        key: Unique for ever: what is told, to whom, over which channel.
        kind: ``round``, ``drain``, ``hold``, ``return`` or ``alarm``.
        person: Person's id.
        channel: Channel's id.
        title: A few words.
        text: The whole message.
        made_at: When it was made.
        due_at: When it may go out: now, or when the person's quiet hours end.
        stages: Keys of the task stages that it tells.
        tasks: Keys of the tasks that it tells.
        was_late: It went out well after it fell due.
    """

    key: str
    kind: str
    person: str
    channel: str
    title: str
    text: str
    made_at: datetime
    due_at: datetime
    stages: tuple[str, ...]
    tasks: tuple[str, ...]
    was_late: bool


def stages_of(task: Task, tick: Tick) -> tuple[tuple[str, datetime], ...]:
    """Return the stages at which a task is told, as (key, instant), oldest first.

    ``due`` on its day; ``last`` on the last day of its window; ``past`` once after it; ``again`` when what a
    person put off comes back. While it is put off, only ``again`` and ``past`` count.
    """
    farm = tick.farm
    off = task.answered_not_yet_until
    stages = [(f"{task.key}#due", task.ask_at)] if off is None else [(f"{task.key}#again:{off.isoformat()}", off)]
    ask_day = local_day(task.ask_at, farm.zone)
    if task.kind in _LAST_DAYS and off is None and task.latest_on > ask_day:
        stages.append((f"{task.key}#last", first_round(farm, task.latest_on)))
    if task.kind in _MOVES:
        stages.append((f"{task.key}#past", first_round(farm, task.latest_on + timedelta(days=1))))
    if task.kind is TaskKind.DRAIN:
        stages.append((f"{task.key}#still", task.ask_at + _STILL_SOAKING))
    return tuple(sorted(stages, key=lambda stage: stage[1]))


def tellings(tasks: Iterable[Task], told: Collection[str], tick: Tick) -> tuple[Telling, ...]:
    """Return the tasks that have a stage which fell due and was not told yet."""
    found = []
    for task in tasks:
        fresh = [(key, at) for key, at in stages_of(task, tick) if at <= tick.now and key not in told]
        if fresh:
            found.append(Telling(task=task, stages=tuple(key for key, _ in fresh), fell_due_at=fresh[-1][1]))
    return tuple(found)


def next_stage_at(tasks: Iterable[Task], told: Collection[str], tick: Tick) -> datetime | None:
    """Return the next instant at which a drain falls due; all other tasks wait for a round."""
    ahead = [
        at
        for task in tasks
        if task.kind is TaskKind.DRAIN
        for key, at in stages_of(task, tick)
        if key not in told and at > tick.now
    ]
    return min(ahead, default=None)


def quiet_until(person: Person, now: datetime, farm: Farm) -> datetime:
    """Return when a person may be told what is not urgent: now, or the end of their quiet hours."""
    if person.quiet is None or not person.is_quiet(now, farm.zone):
        return now
    today = local_day(now, farm.zone)
    ends = (at_local(day, person.quiet.end, farm.zone) for day in (today, today + timedelta(days=1)))
    return next(end for end in ends if end > now)


def _messages(
    kind: str,
    what: str,
    title: str,
    text: str,
    tick: Tick,
    told: Sequence[Telling],
    *,
    urgent: bool,
    late: bool,
    people: Sequence[Person] | None = None,
    stages: Sequence[str] = (),
) -> list[Message]:
    """Return one message a person and channel; ``people``: who is told, where it is not who is on duty."""
    return [
        Message(
            key=f"{what}|{person.id}|{channel}",
            kind=kind,
            person=person.id,
            channel=channel,
            title=title,
            text=fuller(text, person.id, [telling.task.kind for telling in told], tick),
            made_at=tick.now,
            due_at=tick.now if urgent else quiet_until(person, tick.now, tick.farm),
            stages=(*stages, *(stage for telling in told for stage in telling.stages)),
            tasks=tuple(telling.task.key for telling in told),
            was_late=late,
        )
        for person in (on_duty(tick.farm, tick.now, covers_at(tick)) if people is None else people)
        for channel in person.channels
    ]


def round_messages(
    told: Sequence[Telling],
    news: Sequence[News],
    round_at: datetime,
    tick: Tick,
    *,
    rooms: Sequence[str] | None = None,
) -> list[Message]:
    """Return the messages of one round; none where there is nothing to do or to tell.

    ``rooms``: which rooms' round it is, where several processes share a farm: their messages of one instant differ.
    """
    if not told and not news:
        return []
    late = tick.now - round_at > LATE_AFTER
    where = _where(rooms, tick)
    title = round_title(told, round_at, tick.farm, news=len(news), where=where)
    title = f"{title}. {HEAD}" if hold_lines(tick) else title
    text = round_text(told, news, round_at, tick, late=late, where=where)
    what = f"round:{round_at.isoformat()}"
    if rooms is not None:
        what += f":[{','.join(room or '-' for room in rooms)}]"
    return _messages("round", what, title, text, tick, told, urgent=False, late=late)


def _where(rooms: Sequence[str] | None, tick: Tick) -> str:
    """Return which rooms' round it is, where it is not that of all, in words behind its time."""
    named = [room for room in rooms or () if room]
    if not named or tick.ward.known <= set(named):
        return ""
    return f", {say_list([tick.farm.places.name(room) for room in named])}"


def drain_messages(telling: Telling, tick: Tick) -> list[Message]:
    """Return the messages of one soak that is to be drained now."""
    late = tick.now - telling.fell_due_at > LATE_AFTER
    title = f"Drain the soak of batch {telling.task.batch}"
    text = "\n".join(
        [
            *hold_lines(tick),
            _late(telling.fell_due_at, tick) if late else title + ".",
            *_lines(telling, tick),
            *_care([telling]),
        ]
    )
    return _messages("drain", f"drain:{telling.stages[-1]}", title, text, tick, [telling], urgent=False, late=late)


def hold_messages(hold: Hold, stage: str, tick: Tick) -> list[Message]:
    """Return the messages that tell everybody, once, of a hold that was set or ended; quiet hours hold them back."""
    title, text = hold_text(hold, tick)
    everybody = list(tick.farm.people.values())
    return _messages("hold", stage, title, text, tick, [], urgent=False, late=False, people=everybody, stages=[stage])


def return_messages(cover: StandIn, due: Sequence[Task], tick: Tick) -> list[Message]:
    """Return the messages that tell one who was away, once, who did what and what is still open."""
    text = "\n".join(summary_lines(cover, due, tick))
    title = f"While you were away, {say_day(cover.from_on)} to {say_day(cover.to_on)}"
    stage = back_stage(cover)
    people = [tick.farm.people[cover.person]]
    return _messages("return", stage, title, text, tick, [], urgent=False, late=False, people=people, stages=[stage])


def urgent_messages(news: News, tick: Tick) -> list[Message]:
    """Return the messages of one urgent alarm."""
    late = tick.now - news.since > timedelta(hours=6)
    since = f"Since {say_time(news.since, tick.farm.zone)}."
    title = f"Now: {news.title}"
    text = f"NOW: {news.title}\n{news.text}\n{since}"
    people = [
        person
        for person in on_duty(tick.farm, tick.now, covers_at(tick))
        if news.wakes or not person.is_quiet(tick.now, tick.farm.zone)
    ]
    return _messages("alarm", f"alarm:{news.key}", title, text, tick, [], urgent=True, late=late, people=people)


def passed_on_messages(alarm: Alarm, tick: Tick) -> list[Message]:
    """Return the messages that hand an unanswered urgent alarm to the next person: the first who was not told yet.

    Where everybody was told already, they are reminded once.
    """
    farm = tick.farm
    covers, today = covers_at(tick), local_day(tick.now, farm.zone)
    told = {person.id for person in on_duty(farm, tick.now, covers)}
    others = [person for person in farm.people.values() if person.id not in told]
    others.sort(key=lambda person: cover_on(person.id, today, covers) is not None)  # who is away comes last
    people = others[:1] or [person for person in farm.people.values() if person.id in told]
    finding = alarm.finding
    title = f"Nobody has answered: {finding.rule}, {farm.places.name(finding.spot)}"
    text = (
        f"NOW, and nobody has answered since {say_time(alarm.last_change_at, farm.zone)}: {finding.rule}, "
        f"{farm.places.name(finding.spot)}\n{finding.cause} {finding.consequence} {finding.action}\n"
        f"I am on it: traywarden heard {short_key(alarm.key)}"
    )
    what = f"unanswered:{alarm.key}|{alarm.last_change_at.isoformat()}"
    return _messages("alarm", what, title, text, tick, [], urgent=True, late=False, people=people)


def alarm_told(key: str, alarms: Iterable[Alarm]) -> Alarm | None:
    """Return the most pressing alarm, of those that are active, that the message of a key tells; None: none, or many.

    A message that bundles a flood tells many.
    """
    what, _, rest = key.partition(":")
    parts = rest.split("|")
    told = [
        alarm
        for alarm in alarms
        if (what == "alarm" and alarm.finding.root.split("|") == parts[:2])
        or (what == "unanswered" and alarm.key.split("|") == parts[:3])
    ]
    return max(told, key=lambda alarm: weight(alarm.finding), default=None)


def round_title(told: Sequence[Telling], round_at: datetime, farm: Farm, *, news: int = 0, where: str = "") -> str:
    """Return a round's heading; ``where``: of which rooms, behind the time."""
    count = len(told)
    things = f"{count} thing{'' if count == 1 else 's'} to do"
    if not count:
        things = f"{news} thing{'' if news == 1 else 's'} to know" if news else "nothing to do"
    return f"Round {say_time(round_at, farm.zone)}{where}: {things}"


def _late(fell_due_at: datetime, tick: Tick) -> str:
    """Return the words of a message that goes out late."""
    return f"LATE: this fell due {say_time(fell_due_at, tick.farm.zone)}; the monitor was off then."


def carry_words(water_ml: float, farm: Farm) -> str:
    """Return how much water to carry on a round, with the plant food that its label asks for, if any is used."""
    rate = farm.concentrate_ml_per_l
    food = (
        f", with {rate * water_ml / 1000:.1f} ml of concentrate in it ({rate:g} ml/l, as your label says)"
        if rate
        else ""
    )
    return f"Water to carry in all: {say_ml(water_ml, farm.units)}{food}."


def heading(task: Task, farm: Farm) -> str:
    """Return under what a task stands in a round: its place, or the promises."""
    if task.kind in OF_PROMISES:
        return "What is promised"
    place = farm.places.name(task.groups[0].spot)
    return place[0].upper() + place[1:]


def round_text(
    told: Sequence[Telling],
    news: Sequence[News],
    round_at: datetime,
    tick: Tick,
    *,
    late: bool,
    where: str = "",
) -> str:
    """Return a round's whole message: what is on hold, what to do in walking order, the room, care to take."""
    farm = tick.farm
    lines = [*hold_lines(tick), round_title(told, round_at, farm, news=len(news), where=where)]
    if late:
        lines.append(_late(round_at, tick))
    water = sum(telling.task.water_ml for telling in told)
    if water:
        lines.append(carry_words(water, farm))
    for place, group in groupby(told, key=lambda telling: heading(telling.task, farm)):
        lines += ["", place]
        for telling in group:
            lines += _lines(telling, tick)
    for each in news:
        lines += ["", f"{each.title}. {each.text}"]
    return "\n".join([*lines, *_care(told)])


DOING = {
    TaskKind.DRAIN: "drain the soak",
    TaskKind.LOOK: "look into the stack",
    TaskKind.UNCOVER: "uncover",
    TaskKind.END_BLACKOUT: "end the blackout",
    TaskKind.WATER: "water",
    TaskKind.HARVEST: "harvest",
    TaskKind.CLEAR: "clear and wash",
    TaskKind.LOOK_OVER: "look it over",
    TaskKind.WASH: "wash the shelf",
    TaskKind.SOW: "sow",
    TaskKind.RING: "ring the buyer",
}


def _stage_words(telling: Telling) -> str:
    """Return what a stage adds to a task's line."""
    stage = telling.stages[-1].rpartition("#")[2]
    again = " You said not yet; asked again." if any("#again:" in each for each in telling.stages) else ""
    if telling.task.urgency is Urgency.PAST and telling.task.kind in (*_MOVES, TaskKind.DRAIN):
        return f"{again} PAST ITS LATEST DAY ({say_day(telling.task.latest_on)})" + ("." if again else "; told once.")
    if stage == "last" or (telling.task.urgency is Urgency.LAST_DAY and telling.task.kind in _LAST_DAYS):
        return " Last day."
    if stage == "still":
        return " Still in water: nobody has entered it as drained."
    return again


def task_lines(task: Task, tick: Tick, stage_words: str = "") -> list[str]:
    """Return a task's lines: who and what, why, and the commands that answer."""
    if task.kind in OF_PROMISES:
        return promise_lines(task, tick, stage_words)
    crop = tick.profiles[task.crop].name.lower()
    if task.kind is TaskKind.WASH:
        head = f" * Where batch {task.batch} {crop} stood: {DOING[task.kind]}.{stage_words} {task.move}"
        return [head, f"   {task.why}", f"   Done: {task.answer}   Not yet: {not_yet_of(task.kind, task.batch)}"]
    day = "" if task.kind is TaskKind.DRAIN else f", day {task.day} ({say_day(local_day(tick.now, tick.farm.zone))})"
    done = f"   Done: {task.answer}"
    if task.trays > 1 and task.kind not in (TaskKind.DRAIN, TaskKind.CLEAR, TaskKind.LOOK, TaskKind.LOOK_OVER):
        done += "   (a part: add --trays N)"
    return [
        f" * Batch {task.batch} {crop}, {say_count(task)}{day}: {DOING[task.kind]}.{stage_words} {task.move}",
        f"   {task.why}",
        f"{done}   Not yet: {not_yet_of(task.kind, task.batch)}",
    ]


def _lines(telling: Telling, tick: Tick) -> list[str]:
    """Return the lines of one telling."""
    return task_lines(telling.task, tick, _stage_words(telling))


def care_lines(tasks: Iterable[Task]) -> list[str]:
    """Return the cautions of several tasks, each once."""
    cautions = dict.fromkeys(caution for task in tasks for caution in task.cautions)
    return ["", "Take care", *(f" - {caution}" for caution in cautions)] if cautions else []


def _care(told: Sequence[Telling]) -> list[str]:
    return care_lines(telling.task for telling in told)


def goes_at_once(news: News, tick: Tick) -> bool:
    """Tell whether a piece of news goes at once: urgent, and either it breaks quiet hours or nobody has them now."""
    if news.priority is not Priority.URGENT:
        return False
    people = on_duty(tick.farm, tick.now, covers_at(tick))
    return news.wakes or any(not person.is_quiet(tick.now, tick.farm.zone) for person in people)


def parted(news: Sequence[News], tick: Tick) -> tuple[list[News], list[News]]:
    """Return (news that goes at once, what waits for the round)."""
    at_once = [each for each in news if goes_at_once(each, tick)]
    return at_once, [each for each in news if each not in at_once]
