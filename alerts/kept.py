"""What an advisor keeps between its rounds: the last round, news for the next one, news held back by a flood; by room.

One process that watches the whole farm keeps each under one name; where several share a farm each room has its own, so
that whoever takes a room over goes on where the other stopped. What is kept moves with the watch: from the whole farm
to its rooms, and back.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict
from datetime import datetime
from typing import Any

from alerts.findings import Priority
from alerts.flood import Flood
from alerts.news import News
from alerts.outbox_sql import SqlOutbox
from alerts.ward import NOWHERE, Ward, rooms_of
from monitor.farm import Farm

ROUND_STATE = "last round"
NEWS_STATE = "news for the next round"
FLOOD_STATE = "news held back"
_KINDS = (ROUND_STATE, NEWS_STATE, FLOOD_STATE)


def state_name(kind: str, room: str | None) -> str:
    """Return the name of a fact that is kept of a room; None: of the whole farm."""
    if room is None:
        return kind
    return f"{kind} of no room" if room == NOWHERE else f"{kind} of room {room}"


class Kept:
    """What is kept of the rooms of a ward, in the ledger database."""

    def __init__(self, outbox: SqlOutbox, farm: Farm) -> None:
        """Take where facts about the service are written; nothing is read yet."""
        self._outbox = outbox
        self._all = (*rooms_of(farm), NOWHERE)
        self.keys: tuple[str | None, ...] = (None,)
        """The rooms that are kept apart; (None,): the whole farm as one."""

    def begin(self, ward: Ward, rooms: Iterable[str], now: datetime) -> None:
        """Take over what is kept of the rooms of a ward, of which some are new to this process."""
        self.keys = (None,) if ward.rooms is None else tuple(sorted(ward.rooms))
        names = [state_name(kind, room) for kind in _KINDS for room in (None, *self._all)]
        if ward.rooms is None:
            self._outbox.change(names, lambda held: to_whole(held, self._all), now)
        else:
            taken = frozenset(rooms)
            self._outbox.change(names, lambda held: to_rooms(held, taken, ward), now)

    def last_round(self, room: str | None) -> datetime | None:
        """Return the last round that was told; None: none ever was."""
        known = self._outbox.state(state_name(ROUND_STATE, room))
        return None if known is None else datetime.fromisoformat(str(known))

    def news(self, room: str | None) -> list[News]:
        """Return what waits for the next round, oldest first."""
        return [read_news(each) for each in self._outbox.state(state_name(NEWS_STATE, room)) or []]

    def flood(self, room: str | None) -> Flood:
        """Return the flood as a start finds it: nothing but what was held back."""
        return Flood(held=tuple(read_news(each) for each in self._outbox.state(state_name(FLOOD_STATE, room)) or []))


def round_state(room: str | None, at: datetime) -> dict[str, object]:
    """Return the facts that a round was told: the round, and that no news waits for it any more."""
    return {state_name(ROUND_STATE, room): at.isoformat(), state_name(NEWS_STATE, room): []}


def news_state(room: str | None, news: Sequence[News]) -> dict[str, object]:
    """Return the fact which news waits for the next round."""
    return {state_name(NEWS_STATE, room): [plain_news(each) for each in news]}


def flood_state(room: str | None, flood: Flood) -> dict[str, object]:
    """Return the fact which news a flood holds back."""
    return {state_name(FLOOD_STATE, room): [plain_news(each) for each in flood.held]}


def to_rooms(held: Mapping[str, Any], rooms: Iterable[str], ward: Ward) -> dict[str, Any]:
    """Return the changes that give some rooms what the whole farm kept for them: no round is told twice, or lost."""
    changed: dict[str, Any] = {}
    for room in sorted(rooms):
        latest = _latest([held.get(ROUND_STATE), held.get(state_name(ROUND_STATE, room))])
        if latest is not None and latest != held.get(state_name(ROUND_STATE, room)):
            changed[state_name(ROUND_STATE, room)] = latest
        for kind in (NEWS_STATE, FLOOD_STATE):
            whole = changed.get(kind, held.get(kind)) or []
            mine = [each for each in whole if ward.room(each["spot"]) == room]
            if mine:
                changed[state_name(kind, room)] = [*(held.get(state_name(kind, room)) or []), *mine]
                changed[kind] = [each for each in whole if each not in mine]
    return changed


def to_whole(held: Mapping[str, Any], rooms: Iterable[str]) -> dict[str, Any]:
    """Return the changes that give the whole farm what its rooms kept: a round is told that some room has not told."""
    listed = list(rooms)
    changed: dict[str, Any] = {}
    own = [held.get(state_name(ROUND_STATE, room)) for room in listed]
    if any(each is not None for each in own):
        told = [at for at in (_latest([held.get(ROUND_STATE), each]) for each in own) if at is not None]
        earliest = min(told, key=datetime.fromisoformat)
        if earliest != held.get(ROUND_STATE):
            changed[ROUND_STATE] = earliest
    for kind in (NEWS_STATE, FLOOD_STATE):
        theirs = {name: held[name] for name in (state_name(kind, room) for room in listed) if held.get(name)}
        if theirs:
            changed[kind] = [*(held.get(kind) or []), *(each for news in theirs.values() for each in news)]
            changed |= {name: [] for name in theirs}
    return changed


def _latest(instants: Iterable[Any]) -> str | None:
    """Return the latest of some instants as they are kept; None where there is none."""
    return max((str(at) for at in instants if at is not None), key=datetime.fromisoformat, default=None)


def plain_news(news: News) -> dict[str, object]:
    """Return news as the database keeps it."""
    return {**asdict(news), "priority": int(news.priority), "since": news.since.isoformat()}


def read_news(kept: Mapping[str, object]) -> News:
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
