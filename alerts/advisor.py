"""What is due now, made into messages and handed to the channels: the one call that the clock wakes.

``run_due(now)`` computes everything afresh from ledger, profiles and the sensors' present; what was told
before stands in the outbox. It says when it wants to be called next; nothing is stored in a scheduler.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict
from datetime import datetime, timedelta
from typing import Protocol

from alerts.alarms import Alarm
from alerts.answers import Answers, answers_of
from alerts.covering import covers_at, returns
from alerts.derive import open_tasks
from alerts.findings import Priority, Tick
from alerts.flood import Flood, through
from alerts.holding import fresh_holds
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
from alerts.watch import unanswered
from monitor.batches import Batch
from monitor.errors import ChannelError
from monitor.farm import Farm
from monitor.fold import fold_as_of
from monitor.health import Health
from monitor.holds import holds_of
from monitor.ledger import Entry, effective
from monitor.live import LiveState
from monitor.profiles import Profile
from monitor.promises import Promise, promises_as_of
from monitor.scales import Scales, ScaleView

log = logging.getLogger(__name__)

ROUND_STATE = "last round"
NEWS_STATE = "news for the next round"
FLOOD_STATE = "news held back"
_CATCH_UP = timedelta(days=3)


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

    @property
    def raised(self) -> int:
        """Return how many alarms came with the last look."""
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
        self._told: set[str] | None = None
        self._passed_on: set[str] = set()
        self._version = -1
        self._batches: dict[str, Batch] = {}
        self._entries: tuple[Entry, ...] = ()
        self._promises: dict[str, Promise] = {}
        self._answers = Answers()
        self._flood = Flood()
        self._ahead_at: datetime | None = None  # the earliest entry that still lies ahead, if any
        self._tasks_at: datetime | None = None
        self._watch_at: datetime | None = None
        self._send_at: datetime | None = None

    def run_due(self, now: datetime) -> datetime:
        """Judge, tell and send what is due at ``now``, and return when to be called next."""
        if self._told is None:
            self._told = self._outbox.told()
            self._flood = Flood(held=tuple(_news(each) for each in self._outbox.state(FLOOD_STATE) or []))
            self._send_at = self._outbox.next_at()
        changed = self._read_ledger(now)
        tick = self._tick(now)
        if changed or self._watch_at is None or now >= self._watch_at:
            self._take_news(self._watch.check(tick, self._answers), tick)
            self._pass_on(tick)
            self._watch_at = self._watch.next_check_at(now)
        if changed:
            self._tell_holds(tick)
        if changed or self._tasks_at is None or now >= self._tasks_at:
            self._tell_tasks(tick)
        if self._send_at is not None and now >= self._send_at:
            self._send(now)
        marks = [at for at in (self._tasks_at, self._watch_at, self._send_at, self._ahead_at) if at is not None]
        return min(marks, default=next_round(self._farm, now))

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
        )

    def _read_ledger(self, now: datetime) -> bool:
        """Fold the ledger again if it grew, or if an entry that lay ahead has come; tell whether it did."""
        version = self._ledger.version()
        if version == self._version and (self._ahead_at is None or now < self._ahead_at):
            return False
        entries = self._ledger.entries()
        self._batches = fold_as_of(entries, now)
        self._entries = tuple(entry for entry in effective(entries) if entry.at <= now)
        self._promises = promises_as_of(entries, now)
        self._ahead_at = min((entry.at for entry in entries if entry.at > now), default=None)
        self._answers = answers_of(entries)
        self._version = version
        return True

    def _take_news(self, news: Sequence[News], tick: Tick) -> None:
        """Send what is urgent at once; keep the rest for the next round."""
        urgent, rest = parted(news, tick)
        before = self._flood
        self._flood, told = through(before, self._watch.raised, urgent, tick.now)
        messages = [message for each in told for message in urgent_messages(each, tick)]
        state: dict[str, object] = {}
        if news:
            kept = kept_after([_news(each) for each in self._outbox.state(NEWS_STATE) or []], urgent, rest)
            state[NEWS_STATE] = [_plain(each) for each in kept]
        if self._flood.held != before.held:
            state[FLOOD_STATE] = [_plain(each) for each in self._flood.held]
        self._put(messages, state, tick.now)

    def keep_news(self, news: News, now: datetime) -> None:
        """Keep a piece of news for the next round."""
        kept = [*(self._outbox.state(NEWS_STATE) or []), _plain(news)]
        self._put([], {NEWS_STATE: kept}, now)

    def _pass_on(self, tick: Tick) -> None:
        """Hand urgent alarms that nobody has answered to the next person, each once."""
        waiting = unanswered(self._watch.active(), tick.now)
        messages = [message for alarm in waiting for message in passed_on_messages(alarm, tick)]
        fresh = [message for message in messages if message.key not in self._passed_on]
        self._passed_on.update(message.key for message in fresh)
        self._put(fresh, {}, tick.now)

    def _tell_holds(self, tick: Tick) -> None:
        """Tell everybody of each hold that was set or ended, once."""
        told = self._told if self._told is not None else set()
        fresh = fresh_holds(holds_of(self._entries), told, tick)
        self._put([message for hold, stage in fresh for message in hold_messages(hold, stage, tick)], {}, tick.now)

    def _tell_tasks(self, tick: Tick) -> None:
        """Make the messages of a round that has come, and of soaks whose hour has come."""
        told = self._told if self._told is not None else set()
        tasks = open_tasks(tick)
        messages = [
            message
            for telling in tellings([task for task in tasks if task.kind is TaskKind.DRAIN], told, tick)
            for message in drain_messages(telling, tick)
        ]
        state: dict[str, object] = {}
        round_at = last_round(tick.farm, tick.now)
        if self._is_new_round(round_at, tick.now):
            at_round = tellings([task for task in tasks if task.kind is not TaskKind.DRAIN], told, tick)
            kept = [_news(each) for each in self._outbox.state(NEWS_STATE) or []]
            news = still_worth(kept, self._watch.over_since, tick.farm)
            messages += round_messages(at_round, news, round_at, tick)
            due = [task for task in tasks if task.ask_at <= tick.now and task.urgency is not Urgency.EARLY]
            for cover in returns(covers_at(tick), told, round_at, tick):
                messages += return_messages(cover, due, tick)
            state = {ROUND_STATE: round_at.isoformat(), NEWS_STATE: []}
        self._put(messages, state, tick.now)
        drain_at = next_stage_at(tasks, told, tick)
        self._tasks_at = min(at for at in (next_round(tick.farm, tick.now), drain_at) if at is not None)

    def _is_new_round(self, round_at: datetime, now: datetime) -> bool:
        """Tell whether a round has come that no bundle was made for; a first start begins with the last one."""
        known = self._outbox.state(ROUND_STATE)
        if known is None:
            return now - round_at <= _CATCH_UP
        return datetime.fromisoformat(str(known)) < round_at

    def _put(self, messages: Sequence[Message], state: Mapping[str, object], now: datetime) -> None:
        """Write messages down, and remember what they tell."""
        if not messages and not state:
            return
        self._outbox.put(messages, state=state, now=now)
        if self._told is not None:
            self._told.update(stage for message in messages for stage in message.stages)
        if messages:
            due = min(message.due_at for message in messages)
            self._send_at = due if self._send_at is None else min(self._send_at, due)

    def _send(self, now: datetime) -> None:
        """Hand over what waits; a channel that fails is tried again later."""
        for row in self._outbox.waiting(now):
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
        self._send_at = self._outbox.next_at()


def _plain(news: News) -> dict[str, object]:
    """Return news as the database keeps it."""
    return {**asdict(news), "priority": int(news.priority), "since": news.since.isoformat()}


def _news(kept: Mapping[str, object]) -> News:
    """Return kept news as a value."""
    return News(
        key=str(kept["key"]),
        title=str(kept["title"]),
        text=str(kept["text"]),
        priority=Priority(int(str(kept["priority"]))),
        since=datetime.fromisoformat(str(kept["since"])),
        spot=None if kept["spot"] is None else str(kept["spot"]),
        rule=str(kept.get("rule", "")),
        root=str(kept.get("root", "")),
        wakes=bool(kept.get("wakes", True)),
        is_passing=bool(kept.get("is_passing", False)),
    )
