"""What `watch` refuses, how it says so, and how `status` tells of watchers."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from monitor.cli.common import Context
from monitor.cli.run import refuse_beside_watchers
from monitor.cli.watch import forget_watcher
from monitor.clock import ManualClock
from monitor.errors import NotFoundError, RefusedError
from monitor.processes import (
    Collectors,
    Unwatched,
    holder_of,
    living_collectors,
    silent_of,
    silent_watchers,
    unwatched_of,
    watchers_of,
    without_watcher,
)
from monitor.service.leasekeeping import HANGS_AFTER, LeaseKeeper
from monitor.service.runseen import RunSeen
from monitor.service.watching import rooms_wanted
from monitor.service.whole import STATUS_STATE
from monitor.stores.leases import Leases, all_leases
from monitor.stores.ledger import SqlLedger
from monitor.stores.states import WATCHER_STATE, ServiceStates
from tests.support.commands import call
from tests.support.farms import TEXT, farm
from tests.support.wards import TWO_ROOMS

T0 = datetime(2026, 3, 2, 8, tzinfo=UTC)
MINUTE = timedelta(minutes=1)


def test_a_farm_that_shares_nothing_is_told_what_is_missing(tmp_path: Path) -> None:
    """Both tables are named, and what does without them; nothing is made on the disk."""
    path = tmp_path / "farm.toml"
    path.write_text(TEXT.format(zone="Europe/Lisbon", more=""), "utf-8")

    for more in ((), ("--retire",)):
        said = call(path, "watch", "--name", "one", *more)

        assert said.refused is not None
        assert "farm.toml lacks [storage.influx] and [storage.postgresql]" in said.refused
        assert "`traywarden run` does all of it" in said.refused
    assert not (tmp_path / "data").exists()


def test_rooms_that_are_not_there_are_named_beside_those_that_are(tmp_path: Path) -> None:
    """Cold stores count; without any, all are wanted."""
    where = farm(tmp_path, more=TWO_ROOMS)

    assert rooms_wanted(where, ()) == {"cellar", "attic", "cold"}
    assert rooms_wanted(where, ["attic"]) == {"attic"}
    with pytest.raises(NotFoundError, match=r"no room 'loft' in farm\.toml; there are: cellar, attic, cold"):
        rooms_wanted(where, ["attic", "loft"])


def test_one_process_does_not_begin_beside_watchers(tmp_path: Path) -> None:
    """`run` names who has rooms, and runs once they are free."""
    path = tmp_path / "farm.toml"
    path.write_text(TEXT.format(zone="Europe/Lisbon", more=""), "utf-8")
    context = Context(farm_path=path)
    leases = Leases(context.ledger().engine, holder_of("north", "1"))
    leases.take(["cellar"])
    with pytest.raises(RefusedError, match="north watches rooms of this farm; stop `traywarden watch` there first"):
        refuse_beside_watchers(context)
    leases.release()

    refuse_beside_watchers(context)
    context.close()


def test_a_watcher_that_has_rooms_is_not_forgotten(tmp_path: Path, ledger: SqlLedger) -> None:
    """It would come back with its next sign of life, and who asked would take it for gone."""
    path = tmp_path / "farm.toml"
    path.write_text(TEXT.format(zone="Europe/Lisbon", more=""), "utf-8")
    context = Context(farm_path=path)
    states = ServiceStates(ledger.engine)
    states.put(WATCHER_STATE + "north", state(T0), now=T0)
    leases = Leases(ledger.engine, holder_of("north", "1"))
    leases.take(["cellar"])
    with pytest.raises(RefusedError, match="watcher north has rooms in its care; stop it first"):
        forget_watcher(context, "north")
    leases.release()

    forget_watcher(context, "north")
    assert states.of(WATCHER_STATE + "north") is None
    with pytest.raises(NotFoundError, match="no watcher 'north' is known; there are: none"):
        forget_watcher(context, "north")
    context.close()


def state(at: datetime, **more: object) -> dict[str, object]:
    """Return what a watcher writes of itself."""
    return {"host": "shed", "beat_at": at.isoformat(), "stopped": False, "rooms": ["cellar"], "stands_by": []} | more


def test_who_is_silent_and_who_said_good_bye() -> None:
    """A watcher that ended with a word is no trouble; a collector that ended holds a share of the messages."""
    states = {"a": state(T0), "b": state(T0 - 3 * MINUTE), "c": state(T0 - 3 * MINUTE, stopped=True)}
    watchers = watchers_of(states, T0)

    assert [(each.name, each.is_alive, each.has_stopped) for each in watchers] == [
        ("a", True, False),
        ("b", False, False),
        ("c", False, True),
    ]
    assert [each.name for each in silent_watchers(watchers)] == ["b"]
    assert [each.name for each in silent_of(states, T0)] == ["b", "c"]


def test_a_broker_that_answers_no_collector_is_gone() -> None:
    """One that it answers is enough; what troubles any is told by its name; those that are silent do not count."""
    well = {"beat_at": T0.isoformat(), "broker_connected": True, "trouble": None}
    away = {**well, "broker_connected": False}
    full = {**well, "trouble": "the spool is full"}
    silent = {**well, "beat_at": (T0 - 3 * MINUTE).isoformat()}

    assert living_collectors({"a": away, "b": well}, T0) == Collectors(is_connected=True, trouble=None)
    assert living_collectors({"a": away, "b": silent}, T0) == Collectors(is_connected=False, trouble=None)
    assert living_collectors({"a": full}, T0) == Collectors(is_connected=True, trouble="collector a: the spool is full")
    assert living_collectors({"a": silent, "b": {**well, "stopped": True}}, T0) is None


def test_rooms_without_a_watcher() -> None:
    """Told once they have been so for two minutes, and never for what was before this process looked."""
    until = {"attic": T0 - 5 * MINUTE, "cellar": T0 + MINUTE, "loft": T0 - MINUTE}
    rooms = ["attic", "cellar", "loft", "shed"]

    assert [each.name for each in without_watcher(until, rooms, T0, T0 - 60 * MINUTE)] == ["attic", "shed"]
    assert without_watcher(until, rooms, T0, T0 - MINUTE) == ()
    assert unwatched_of(until, ["attic", "shed"]) == (
        Unwatched(room="attic", since=T0 - 5 * MINUTE),
        Unwatched(room="shed", since=None),
    )


def test_status_lists_watchers_and_what_nobody_watches(tmp_path: Path, ledger: SqlLedger) -> None:
    """By their leases; a room that is free is an error that says how to mend it."""
    path = tmp_path / "farm.toml"
    path.write_text(TEXT.format(zone="Europe/Lisbon", more=TWO_ROOMS), "utf-8")
    now = datetime.now(UTC)
    states = ServiceStates(ledger.engine)
    states.put(WATCHER_STATE + "north", state(now, stands_by=["attic"]), now=now)
    states.put(WATCHER_STATE + "gone", state(now - 60 * MINUTE), now=now)
    Leases(ledger.engine, "north 1234", lasts=60 * MINUTE).take(["", "cellar", "cold"])

    said = call(path, "status", now=now)

    assert "Watcher north on shed runs, watches cellar, the cold store and what belongs to no room" in said.out
    assert "stands by for attic" in said.out
    assert "Watcher gone on shed GIVES NO SIGN OF LIFE; last sign of life" in said.out
    assert "NOBODY WATCHES attic, and nobody ever did." in said.out
    assert said.refused == "not every room is watched; start a watcher: traywarden watch --room attic"


class Alone:
    """A keeper of leases on a clock that tests move."""

    def __init__(self, ledger: SqlLedger) -> None:
        """Begin with nothing."""
        self.clock, self.running_s, self.changes = ManualClock(T0), 0.0, 0
        self.wanted = {"cellar"}
        self.leases = Leases(ledger.engine, "one 1", clock=self.clock, running_s=lambda: self.running_s)
        self.keeper = LeaseKeeper(
            self.leases, lambda: self.wanted, on_change=self.count, running_s=lambda: self.running_s
        )

    def count(self) -> None:
        """Count how often what is held has changed."""
        self.changes += 1

    def passes(self, seconds: float) -> None:
        """Let time pass, and renew every ten seconds."""
        while seconds > 0:
            self.running_s += 10
            self.clock.set(self.clock() + timedelta(seconds=10))
            self.keeper.step()
            seconds -= 10


def test_a_lease_is_kept_while_judging_lives_and_given_up_when_it_hangs(ledger: SqlLedger) -> None:
    """Five minutes without a sign of life, then it runs out like a dead one's; a sign of life takes it again."""
    alone = Alone(ledger)
    alone.keeper.step()
    alone.passes(HANGS_AFTER.total_seconds())
    while_hanging = sorted(alone.leases.held())
    alone.passes(30)
    given_up = sorted(alone.leases.held())
    alone.keeper.lives()
    alone.passes(10)

    assert while_hanging == ["cellar"]
    assert given_up == []
    assert sorted(alone.leases.held()) == ["cellar"]
    assert alone.changes == 3


def test_what_is_not_wanted_any_more_is_let_go_at_once(ledger: SqlLedger) -> None:
    """As when one process begins to watch the whole farm."""
    alone = Alone(ledger)
    alone.keeper.step()
    alone.wanted = set()
    alone.keeper.step()

    assert not alone.leases.held()
    assert [each.is_held for each in all_leases(ledger.engine, alone.clock)] == [False]


def test_run_is_alive_while_its_sign_of_life_changes(ledger: SqlLedger) -> None:
    """Whatever its machine's clock shows; an old sign at the start is none, and a minute without a new one ends it."""
    states, clock, running = ServiceStates(ledger.engine), ManualClock(T0), [0.0]
    seen = RunSeen(states, clock, running_s=lambda: running[0])

    def beats(at: datetime) -> bool:
        states.put(STATUS_STATE, {"started_at": T0.isoformat(), "beat_at": at.isoformat()}, now=clock())
        return seen.is_alive()

    never, old = seen.is_alive(), beats(T0 - 60 * MINUTE)
    behind = beats(T0 - 59 * MINUTE)  # its clock is an hour behind, and it lives
    running[0] += 59
    still = seen.is_alive()
    running[0] += 2
    ended = seen.is_alive()

    assert (never, old, behind, still, ended) == (False, False, True, True, False)
    assert seen.watched() == (T0, T0 - 59 * MINUTE)
