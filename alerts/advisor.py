"""What is due now, made into messages and handed to the channels: the one call that the clock wakes.

``run_due(now)`` computes everything afresh from ledger, profiles and the sensors' present; what was told
before stands in the outbox. It says when it wants to be called next; nothing is stored in a scheduler.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Protocol

from alerts.alarms import Alarm
from alerts.answers import Answers, answers_of
from alerts.covering import covers_at, returns
from alerts.derive import open_tasks
from alerts.findings import Tick
from alerts.flood import Flood, through
from alerts.holding import fresh_holds
from alerts.kept import Kept, flood_state, news_state, round_state
from alerts.news import News, kept_after, still_worth
from alerts.nudges import (
    Message,
    drain_messages,
    hold_messages,
    next_stage_at,
    parted,
    passed_on_messages,
    return_messages,
    round_messages,
    tellings,
    urgent_messages,
)
from alerts.outbox import OutboxRow, next_try
from alerts.outbox_sql import SqlOutbox
from alerts.rounds import last_round, next_round
from alerts.tasks import Task, TaskKind, Urgency
from alerts.ward import NOWHERE, WHOLE, Ward
from alerts.watch import unanswered
from monitor.batches import Batch
from monitor.clock import local_day
from monitor.errors import ChannelError, ToldMeanwhileError
from monitor.farm import Farm
from monitor.fold import fold_as_of
from monitor.health import Health
from monitor.holds import holds_of
from monitor.ledger import Entry, effective
from monitor.live import LiveState
from monitor.profiles import Profile
from monitor.promises import Promise, promises_as_of
from monitor.scales import Scales, ScaleView

if TYPE_CHECKING:
    from sqlalchemy import Connection

log = logging.getLogger(__name__)

_CATCH_UP = timedelta(days=3)
_SEEN_AGAIN = timedelta(hours=2)
"""What others told is read again from so long before the last look on: their clocks may differ, by less. Ours."""
_OTHERS_AFTER = timedelta(minutes=1)
"""A message that another process wrote down and has not sent for so long is sent by this one. Ours."""
_NOT_SOONER = timedelta(seconds=5)


class Channel(Protocol):
    """A way to reach a person."""

    def send(self, text: str, *, title: str, payload: Mapping[str, object]) -> None:
        """Hand a message over.

        Raises:
            ChannelError: It was not taken; trying again later may help.
        """
        ...


class Ledger(Protocol):
    """What the advisor reads of the ledger."""

    def entries(self) -> tuple[Entry, ...]:
        """Return all entries in the order of recording."""
        ...

    def version(self) -> int:
        """Return a number that grows with every entry."""
        ...


class Watch(Protocol):
    """The watch over the room: rules and alarms."""

    def check(self, tick: Tick, answers: Answers) -> Sequence[News]:
        """Judge the room, and return what is new and to be told."""
        ...

    def over(self, ward: Ward) -> None:
        """Watch over other rooms than before."""
        ...

    @property
    def has_changed(self) -> bool:
        """Tell whether the last look found something that is to be written down."""
        ...

    def save_in(self, connection: Connection) -> None:
        """Write down what the last look changed, together with what is told of it."""
        ...

    def keep(self) -> None:
        """Go on from what the last look found: it is written down."""
        ...

    @property
    def raised(self) -> Mapping[str, int]:
        """Return how many alarms came with the last look, by room."""
        ...

    def over_since(self, root: str) -> datetime | None:
        """Return since when no alarm of a root is active any more; None: one is, or none ever was."""
        ...

    def active(self) -> Sequence[Alarm]:
        """Return the alarms that are wrong now."""
        ...

    def next_check_at(self, now: datetime) -> datetime | None:
        """Return when it is to look again; None: only with the next reading or entry."""
        ...


class Advisor:
    """Knows what is due, and tells it once."""

    def __init__(
        self,
        farm: Farm,
        profiles: Mapping[str, Profile],
        ledger: Ledger,
        outbox: SqlOutbox,
        *,
        live: LiveState,
        scales: ScaleView | None = None,
        watch: Watch,
        channels: Mapping[str, Channel],
        watching_since: datetime,
        health: Callable[[datetime], Health] = lambda _now: Health(),
        links: Callable[[OutboxRow, datetime], str] = lambda _row, _now: "",
    ) -> None:
        """Take the parts that it works with; nothing is read before the first run.

        ``links`` returns what is put under a message as it goes out: addresses that answer it, which expire.
        """
        self._farm, self._profiles, self._ledger, self._outbox = farm, profiles, ledger, outbox
        self._live, self._watch, self._channels = live, watch, channels
        self._scales: ScaleView = scales if scales is not None else Scales({})
        self._since, self._health, self._links = watching_since, health, links
        self._ward, self._watched_since, self._taken = WHOLE, dict[str, datetime](), frozenset[str]()
        self._kept = Kept(outbox, farm)
        self._mine: set[str] = set()
        self._told: set[str] | None = None
        self._told_at: datetime | None = None
        self._passed_on: set[str] = set()
        self._version, self._is_unlooked = -1, False
        self._batches: dict[str, Batch] = {}
        self._entries: tuple[Entry, ...] = ()
        self._promises: dict[str, Promise] = {}
        self._answers = Answers()
        self._floods: dict[str | None, Flood] = {}
        self._ahead_at: datetime | None = None  # the earliest entry that still lies ahead, if any
        self._tasks_at: datetime | None = None
        self._watch_at: datetime | None = None
        self._send_at: datetime | None = None

    def run_due(self, now: datetime) -> datetime:
        """Judge, tell and send what is due at ``now``, and return when to be called next."""
        if self._told is None:
            self._begin(now)
        if not self._ward.is_whole:
            self._send_at = self._outbox.next_at()  # others may have left something
        self._read_ledger(now)
        changed = self._is_unlooked
        tick = self._tick(now)
        if changed or self._watch_at is None or now >= self._watch_at:
            self._take_news(self._watch.check(tick, self._answers), tick)
            self._pass_on(tick)
            self._watch_at = self._watch.next_check_at(now)
        if changed:
            self._once_more(self._tell_holds, tick)
        if changed or self._tasks_at is None or now >= self._tasks_at:
            self._once_more(self._tell_tasks, tick)
        self._is_unlooked = False
        if self._send_at is not None and now >= self._send_at:
            self._send(now)
        marks = [at for at in (self._tasks_at, self._watch_at, self._send_at, self._ahead_at) if at is not None]
        return min(marks, default=next_round(self._farm, now))

    def take_ward(self, ward: Ward, watched_since: Mapping[str, datetime]) -> None:
        """Judge and tell other rooms than before; what is known of those that are new is read before the next look.

        Args:
            ward: The rooms from now on; at least one.
            watched_since: By room, since when it has been watched without a gap, by whomever.
        """
        had = self._ward.rooms or frozenset()
        rooms = ward.rooms or frozenset()
        self._taken = (self._taken & rooms) | (rooms - had)
        self._ward, self._watched_since = ward, dict(watched_since)
        self._floods = {room: flood for room, flood in self._floods.items() if room in had & rooms}
        self._watch.over(ward)
        self._told = self._watch_at = self._tasks_at = None
        self._is_unlooked = True

    def _begin(self, now: datetime) -> None:
        """Read what was told and kept before."""
        self._kept.begin(self._ward, self._taken, now)
        self._taken = frozenset()
        for room in self._kept.keys:
            if room not in self._floods:
                self._floods[room] = self._kept.flood(room)
        self._told, self._told_at = self._outbox.told(), now
        self._send_at = self._outbox.next_at()

    def _freshen_told(self, now: datetime) -> set[str]:
        """Return the stages that were told, with what other processes told since the last look."""
        if self._told is None:
            return set()
        if self._told_at is not None:
            self._told |= self._outbox.told(self._told_at - _SEEN_AGAIN)
            self._told_at = now
        return self._told

    def open_tasks(self, now: datetime) -> tuple[Task, ...]:
        """Return all tasks that are open at ``now``."""
        self._read_ledger(now)
        return open_tasks(self._tick(now))

    def batches(self, now: datetime) -> Mapping[str, Batch]:
        """Return all batches as they stand at ``now``."""
        self._read_ledger(now)
        return self._batches

    @property
    def known(self) -> Mapping[str, Batch]:
        """Return all batches as they were last folded."""
        return self._batches

    def rooms_read(self, now: datetime) -> frozenset[str]:
        """Return the rooms whose readings are needed at ``now``, beside its own those of trays that it reckons with."""
        self._read_ledger(now)
        today = local_day(now, self._farm.zone)
        promised = {promise.terms_on(today).crop for promise in self._promises.values()}
        return self._ward.reads(self._batches, promised)

    def moment(self, now: datetime) -> Tick:
        """Return the moment with all that may be looked at, by the ledger as it was last read."""
        return self._tick(now)

    def _tick(self, now: datetime) -> Tick:
        """Return the moment with all that may be looked at."""
        return Tick(
            now=now,
            farm=self._farm,
            profiles=self._profiles,
            batches=self._batches,
            live=self._live,
            watching_since=self._since,
            scales=self._scales,
            health=self._health(now),
            entries=self._entries,
            promises=self._promises,
            ward=self._ward,
            watched_since=self._watched_since,
        )

    def _read_ledger(self, now: datetime) -> None:
        """Fold the ledger again if it grew, or if an entry that lay ahead has come; then all is looked at anew."""
        version = self._ledger.version()
        if version == self._version and (self._ahead_at is None or now < self._ahead_at):
            return
        entries = self._ledger.entries()
        self._batches = fold_as_of(entries, now)
        self._entries = tuple(entry for entry in effective(entries) if entry.at <= now)
        self._promises = promises_as_of(entries, now)
        self._ahead_at = min((entry.at for entry in entries if entry.at > now), default=None)
        self._answers = answers_of(entries)
        self._version, self._is_unlooked = version, True

    def _once_more(self, tell: Callable[[Tick], None], tick: Tick) -> None:
        """Tell; where another process told some of it in this very moment, look anew and tell the rest."""
        try:
            tell(tick)
        except ToldMeanwhileError as exc:
            log.info("told.meanwhile why=%s", exc)
            tell(tick)

    def _take_news(self, news: Sequence[News], tick: Tick) -> None:
        """Send what is urgent at once; keep the rest for the next round; room by room, where rooms are kept apart."""
        urgent, rest = parted(news, tick)
        messages: list[Message] = []
        state: dict[str, object] = {}
        floods: dict[str | None, Flood] = {}
        for room in self._kept.keys:
            at_once, later = ([each for each in some if self._is_of(each, room)] for some in (urgent, rest))
            raised = self._watch.raised
            count = sum(raised.values()) if room is None else raised.get(room, 0)
            before = self._floods.get(room, Flood())
            floods[room], told = through(before, count, at_once, tick.now, room=room)
            messages += [message for each in told for message in urgent_messages(each, tick)]
            if at_once or later:
                state |= news_state(room, kept_after(self._kept.news(room), at_once, later))
            if floods[room].held != before.held:
                state |= flood_state(room, floods[room])
        self._put(messages, state, tick.now, beside=self._watch.save_in if self._watch.has_changed else None)
        self._watch.keep()
        self._floods = floods

    def _is_of(self, news: News, room: str | None) -> bool:
        """Tell whether a piece of news is of a room."""
        return room is None or self._ward.room(news.spot) == room

    def keep_news(self, news: News, now: datetime) -> None:
        """Keep a piece of news for the next round of its room."""
        room = None if self._ward.is_whole else self._ward.room(news.spot)
        self._put([], news_state(room, [*self._kept.news(room), news]), now)

    def _pass_on(self, tick: Tick) -> None:
        """Hand urgent alarms that nobody has answered to the next person, each once."""
        waiting = unanswered(self._watch.active(), tick.now)
        messages = [message for alarm in waiting for message in passed_on_messages(alarm, tick)]
        fresh = [message for message in messages if message.key not in self._passed_on]
        self._put(fresh, {}, tick.now)
        self._passed_on.update(message.key for message in fresh)

    def _tell_holds(self, tick: Tick) -> None:
        """Tell everybody of each hold that was set or ended, once."""
        fresh = fresh_holds(holds_of(self._entries), self._freshen_told(tick.now), tick)
        self._put([message for hold, stage in fresh for message in hold_messages(hold, stage, tick)], {}, tick.now)

    def _tell_tasks(self, tick: Tick) -> None:
        """Make the messages of a round that has come, and of soaks whose hour has come."""
        told = self._freshen_told(tick.now)
        tasks = open_tasks(tick)
        messages = [
            message
            for telling in tellings([task for task in tasks if task.kind is TaskKind.DRAIN], told, tick)
            for message in drain_messages(telling, tick)
        ]
        state: dict[str, object] = {}
        round_at = last_round(tick.farm, tick.now)
        rooms = [room for room in self._kept.keys if self._is_new_round(room, round_at, tick.now)]
        if rooms:
            messages += self._round(rooms, tasks, told, round_at, tick)
            for room in rooms:
                state |= round_state(room, round_at)
        self._put(messages, state, tick.now)
        drain_at = next_stage_at(tasks, told, tick)
        self._tasks_at = min(at for at in (next_round(tick.farm, tick.now), drain_at) if at is not None)

    def _round(
        self, rooms: Sequence[str | None], tasks: Sequence[Task], told: set[str], round_at: datetime, tick: Tick
    ) -> list[Message]:
        """Return the messages of the round of some rooms, in one bundle."""
        walked = [
            task
            for task in tasks
            if task.kind is not TaskKind.DRAIN
            and (rooms == [None] or self._ward.room_of_task(task.batch, tick.batches) in rooms)
        ]
        kept = [each for room in rooms for each in self._kept.news(room)]
        news = still_worth(kept, self._watch.over_since, tick.farm)
        named = None if rooms == [None] else [room for room in rooms if room is not None]
        messages = round_messages(tellings(walked, told, tick), news, round_at, tick, rooms=named)
        back = returns(covers_at(tick), told, round_at, tick) if named is None or NOWHERE in named else ()
        if back:
            whole = tasks if self._ward.is_whole else open_tasks(replace(tick, ward=WHOLE, memo={}))
            due = [task for task in whole if task.ask_at <= tick.now and task.urgency is not Urgency.EARLY]
            messages += [message for cover in back for message in return_messages(cover, due, tick)]
        return messages

    def _is_new_round(self, room: str | None, round_at: datetime, now: datetime) -> bool:
        """Tell whether a round has come that no bundle was made for; a first start begins with the last one."""
        known = self._kept.last_round(room)
        return now - round_at <= _CATCH_UP if known is None else known < round_at

    def _put(
        self,
        messages: Sequence[Message],
        state: Mapping[str, object],
        now: datetime,
        *,
        beside: Callable[[Connection], None] | None = None,
    ) -> None:
        """Write messages down, and remember what they tell."""
        if not messages and not state and beside is None:
            return
        since = None if self._told_at is None else self._told_at - _SEEN_AGAIN
        self._outbox.put(messages, state=state, now=now, beside=beside, untold_since=since)
        if self._told is not None:
            self._told.update(stage for message in messages for stage in message.stages)
        if messages:
            self._mine.update(message.key for message in messages)
            due = min(message.due_at for message in messages)
            self._send_at = due if self._send_at is None else min(self._send_at, due)

    def _send(self, now: datetime) -> None:
        """Hand over what waits; a channel that fails is tried again later."""
        for row in self._outbox.waiting(now):
            if not self._is_mine(row, now) or not self._outbox.claim(row.key, now):
                continue
            channel = self._channels.get(row.channel)
            try:
                if channel is None:
                    raise ChannelError(f"there is no channel {row.channel!r} in farm.toml any more")
                text = row.text + self._links(row, now)
                channel.send(text, title=row.title, payload={"key": row.key, "tasks": list(row.tasks)})
            except ChannelError as exc:
                again = next_try(row, now)
                log.warning("nudge.failed key=%s channel=%s again=%s why=%s", row.key, row.channel, again, exc)
                self._outbox.mark_failed(row.key, str(exc), again, now)
            else:
                self._outbox.mark_sent(row.key, now)
                self._mine.discard(row.key)
        at = self._outbox.next_at()
        self._send_at = at if at is None or self._ward.is_whole else max(at, now + _NOT_SOONER)

    def _is_mine(self, row: OutboxRow, now: datetime) -> bool:
        """Tell whether a waiting message is this process's to send: its own, or one that another has left lying."""
        return self._ward.is_whole or row.key in self._mine or row.next_try_at <= now - _OTHERS_AFTER
