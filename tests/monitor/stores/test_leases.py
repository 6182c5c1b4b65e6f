"""Leases: one process a room, by one clock; a dead one's run out, and a late write of its is refused."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from monitor.clock import ManualClock
from monitor.errors import LeaseLostError
from monitor.stores.engine import writing
from monitor.stores.leases import Lease, Leases, all_leases
from monitor.stores.ledger import SqlLedger
from tests.support.postgres import Postgres
from tests.support.wards import open_on

T0 = datetime(2026, 3, 2, 8, tzinfo=UTC)
LASTS = timedelta(seconds=30)


@pytest.fixture(params=["sqlite", pytest.param("postgresql", marks=pytest.mark.live)])
def ledger(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[SqlLedger]:
    """Return a ledger in a file, or in a real server."""
    address = None
    if request.param == "postgresql":
        server: Postgres = request.getfixturevalue("postgres")
        address = server.new_database()
    opened = open_on(tmp_path, address)
    yield opened
    opened.close()


class Pair:
    """Two processes that want the same rooms, on one clock that tests move."""

    def __init__(self, ledger: SqlLedger) -> None:
        """Begin with nothing held."""
        self.ledger, self.clock, self.running_s = ledger, ManualClock(T0), 0.0
        self.one, self.two = (self.new(name) for name in ("one", "two"))

    def new(self, holder: str) -> Leases:
        """Return a process's leases."""
        return Leases(self.ledger.engine, holder, lasts=LASTS, clock=self.clock, running_s=lambda: self.running_s)

    def passes(self, seconds: float) -> None:
        """Let time pass, by the lease's clock and by the machine's."""
        self.clock.set(self.clock() + timedelta(seconds=seconds))
        self.running_s += seconds

    def check(self, leases: Leases, *held: Lease) -> None:
        """Look at leases in a transaction, as a write does."""
        with writing(self.ledger.engine, "looking at leases") as connection:
            leases.check(connection, held)


@pytest.fixture
def pair(ledger: SqlLedger) -> Pair:
    """Return two processes on one ledger."""
    return Pair(ledger)


def test_one_of_two_gets_a_room(pair: Pair) -> None:
    """The second has to wait, and gets what the first does not want."""
    assert sorted(pair.one.take(["cellar"])) == ["cellar"]
    assert sorted(pair.two.take(["cellar", "attic"])) == ["attic"]
    assert [(each.name, each.holder, each.is_held) for each in all_leases(pair.ledger.engine, pair.clock)] == [
        ("attic", "two", True),
        ("cellar", "one", True),
    ]


def test_a_lease_that_is_renewed_stays_the_same(pair: Pair) -> None:
    """Renewed in time for an hour, it never changes hands, and is one and the same lease."""
    first = pair.one.take(["cellar"])["cellar"]
    for _ in range(180):
        pair.passes(20)
        assert pair.one.take(["cellar"])["cellar"] == first
        assert not pair.two.take(["cellar"])

    pair.check(pair.one, first)


def test_a_dead_ones_room_is_free_when_its_lease_has_run_out(pair: Pair) -> None:
    """Not a second sooner; the new lease says since when nobody had it."""
    pair.one.take(["cellar"])
    pair.passes(29)
    too_soon = pair.two.take(["cellar"])
    pair.passes(2)
    taken = pair.two.take(["cellar"])["cellar"]

    assert not too_soon
    assert taken.free_since == T0 + LASTS
    assert taken.taken_at == T0 + timedelta(seconds=31)
    assert not pair.one.held()


def test_a_dead_ones_room_is_free_though_the_clock_was_set_back(pair: Pair) -> None:
    """By an hour: another gets the room as soon as a lease lasts; one that lives keeps its own all the time."""
    pair.one.take(["cellar", "attic"])
    three = pair.new("three")
    three.take(["loft"])
    pair.clock.set(T0 - timedelta(hours=1))
    before = pair.two.take(["attic", "cellar", "loft"])
    for _ in range(3):
        pair.passes(10)
        three.take(["loft"])
        pair.two.take(["loft"])
    pair.passes(1)

    taken = pair.two.take(["attic", "cellar", "loft"])

    assert not before
    assert sorted(taken) == ["attic", "cellar"]
    assert sorted(three.held()) == ["loft"]


def test_a_holder_that_slept_past_its_lease_is_refused(pair: Pair) -> None:
    """Though it wakes and never learned of it; and though the other has let go again since."""
    held = pair.one.take(["cellar"])["cellar"]
    pair.check(pair.one, held)
    pair.passes(31)
    with pytest.raises(LeaseLostError, match="the lease on cellar has run out"):
        pair.check(pair.one, held)
    pair.two.take(["cellar"])
    pair.two.release()
    again = pair.one.take(["cellar"])["cellar"]

    with pytest.raises(LeaseLostError):
        pair.check(pair.one, held)
    pair.check(pair.one, again)


def test_all_of_several_must_be_held(pair: Pair) -> None:
    """One that is lost refuses the whole, and is named."""
    both = pair.one.take(["", "cellar"])
    pair.passes(20)
    pair.one.take(["cellar"])
    pair.passes(20)
    with pytest.raises(LeaseLostError, match="what belongs to no room") as raised:
        pair.check(pair.one, *both.values())

    assert raised.value.rooms == ("",)


def test_a_database_that_is_away_does_not_keep_a_lease(pair: Pair) -> None:
    """By this machine's own reckoning, which begins before the database was asked."""
    pair.one.take(["cellar"])
    pair.running_s += 29.9
    still = sorted(pair.one.held())
    pair.running_s += 0.2

    assert still == ["cellar"]
    assert not pair.one.held()


def test_what_is_let_go_is_free_at_once(pair: Pair) -> None:
    """A watcher that is stopped leaves nobody waiting."""
    pair.one.take(["cellar"])
    pair.passes(5)
    pair.one.release()

    assert pair.two.take(["cellar"])["cellar"].free_since == T0 + timedelta(seconds=5)


@pytest.mark.live
def test_on_a_server_its_own_clock_counts(postgres: Postgres, tmp_path: Path) -> None:
    """Two processes that hand in no clock; nothing but waiting, on the server, ends the first one's lease."""
    ledger = open_on(tmp_path, postgres.new_database())
    one = Leases(ledger.engine, "one", lasts=timedelta(milliseconds=300))
    two = Leases(ledger.engine, "two", lasts=timedelta(milliseconds=300))
    one.take(["cellar"])
    before = two.take(["cellar"])
    with ledger.engine.connect() as connection:
        connection.exec_driver_sql("SELECT pg_sleep(0.35)")
    after = two.take(["cellar"])
    ledger.close()

    assert not before
    assert sorted(after) == ["cellar"]
