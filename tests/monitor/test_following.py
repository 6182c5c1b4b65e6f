"""Who follows a shared store sees each reading once, and finds the flags that one process would have given."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from datetime import UTC, datetime, timedelta

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.arrivals import Arrival, arrivals_of
from monitor.errors import RejectedRowsError, StoreUnavailableError
from monitor.flagging import Kept
from monitor.following import Follower
from monitor.live import LiveBuffer
from monitor.readings import Block, Flag, from_ms, to_ms
from monitor.scales import Scales
from tests.monitor.test_flagger import NAMES, START_MS, WHERE, Row, record, whole

NOT_YET = int(Flag.NOT_EVALUATED)
ROOMS = dict.fromkeys(NAMES, "cellar")


class Shared:
    """A store and a table of arrivals in memory, as several collectors fill them."""

    def __init__(self) -> None:
        """Begin empty."""
        self.kept: dict[tuple[str, int], tuple[float, int, int]] = {}
        self.told: list[Arrival] = []
        self.is_away = self.takes_no_flags = False
        self.refuses: set[tuple[str, int]] = set()
        self.refused: list[tuple[str, str]] = []
        self.looked_after: list[int] = []

    def deliver(self, rows: Sequence[Row]) -> None:
        """Store readings that nobody has judged, and tell of them."""
        for index, at_ms, value, _, doubt in rows:
            _, flag, found = self.kept.get((NAMES[index], at_ms), (0.0, NOT_YET, doubt))
            self.kept[NAMES[index], at_ms] = (value, flag, found)  # a flag that was found stays
        block = Block.from_rows(NAMES, [(*row[:3], NOT_YET, row[4]) for row in rows])
        self.note(arrivals_of(block, ROOMS), now=from_ms(START_MS))

    def read(self, sensors: Sequence[str], start: datetime, end: datetime) -> Block:
        """Return readings of a span."""
        if self.is_away:
            raise StoreUnavailableError("away")
        place = {name: index for index, name in enumerate(sensors)}
        return Block.from_rows(
            tuple(sensors),
            [
                (place[name], at_ms, *kept)
                for (name, at_ms), kept in sorted(self.kept.items())
                if name in place and to_ms(start) <= at_ms < to_ms(end)
            ],
        )

    def append_flags(self, block: Block) -> None:
        """Write flags."""
        if self.takes_no_flags:
            raise StoreUnavailableError("away")
        refused = []
        for each in block.readings():
            if (each.sensor, to_ms(each.measured_at)) in self.refuses:
                refused.append((each.sensor, "points beyond retention policy"))
                continue
            value = self.kept[each.sensor, to_ms(each.measured_at)][0]
            self.kept[each.sensor, to_ms(each.measured_at)] = (value, int(each.flag), int(each.doubt))
        self.refused += refused
        if refused:
            raise RejectedRowsError(refused)

    def newest(self) -> int:
        """Return the number of the newest arrival."""
        return len(self.told)

    def after(self, number: int, rooms: Collection[str]) -> Sequence[Arrival]:
        """Return the arrivals behind a number."""
        self.looked_after.append(number)
        return [each for each in self.told[number:] if each.room in rooms]

    def note(self, arrivals: Sequence[Arrival], *, now: datetime) -> None:
        """Write arrivals down."""
        for each in arrivals:
            self.told.append(
                Arrival(
                    room=each.room,
                    from_ms=each.from_ms,
                    to_ms=each.to_ms,
                    sensors=each.sensors,
                    id=len(self.told) + 1,
                )
            )


class Watched:
    """A follower with all that hangs on it."""

    def __init__(self, shared: Shared, *, judges: bool = True) -> None:
        """Follow nothing yet."""
        self.live, self.scales = LiveBuffer(), Scales(WHERE.sensors)
        self.taken: list[tuple[str, int]] = []
        self.follower = Follower(
            WHERE, shared, shared, live=self.live, scales=self.scales, take=self.take, judges=judges
        )

    def take(self, block: Block) -> None:
        """Take a block as the service does."""
        self.live.take(block)
        self.scales.take(block)
        self.taken.extend((each.sensor, to_ms(each.measured_at)) for each in block.readings())


def found(shared: Shared) -> dict[tuple[int, int], Kept]:
    """Return what the store holds, what nobody spoke against taken as passed."""
    return {
        (NAMES.index(name), at_ms): Kept(at_ms, value, int(Flag.PASS) if flag == NOT_YET else flag, doubt)
        for (name, at_ms), (value, flag, doubt) in shared.kept.items()
    }


def end(rows: Sequence[Row]) -> datetime:
    """Return an instant after all rows."""
    return from_ms(max(row[1] for row in rows) + 60_000)


@settings(max_examples=12, deadline=None)
@given(st.integers(0, 10_000), st.lists(st.integers(1, 40), min_size=1, max_size=6), st.integers(0, 2**32))
def test_flags_are_those_of_one_process(seed: int, sizes: list[int], coin: int) -> None:
    """Two collectors deliver parts of every series, in pieces; the flags in the store are those of the whole record."""
    rows, shared = record(seed, days=2), Shared()
    watched = Watched(shared)
    watched.follower.gain("cellar", from_ms(START_MS))
    rng, begin, turn = np.random.default_rng(coin), 0, 0

    while begin < len(rows):
        piece = rows[begin : begin + sizes[turn % len(sizes)]]
        mine = rng.random(len(piece)) < 0.5
        shared.deliver([row for row, own in zip(piece, mine, strict=True) if own])
        shared.deliver([row for row, own in zip(piece, mine, strict=True) if not own])
        watched.follower.step(end(piece))
        begin, turn = begin + len(piece), turn + 1

    assert found(shared) == whole(rows)


def test_each_reading_is_handed_on_once_though_spans_overlap() -> None:
    """What was read before is known; what is delivered again, and what comes late, adds only what is new."""
    rows, shared = record(3, days=1), Shared()
    watched = Watched(shared, judges=False)
    watched.follower.begin()
    late, rest = rows[100:110], [*rows[:100], *rows[110:]]
    shared.deliver(rest)
    watched.follower.step(end(rows))
    shared.deliver(rest[-50:])  # handed over twice
    shared.deliver(late)

    new = watched.follower.step(end(rows))

    assert new == len(late)
    assert sorted(watched.taken) == sorted((NAMES[index], at_ms) for index, at_ms, *_ in rows)


def test_who_only_looks_sees_flags_that_were_found_later() -> None:
    """A reading that was taken as it came is news again once a watcher has found it odd."""
    rows, shared = record(11, days=2), Shared()
    looking, judging = Watched(shared, judges=False), Watched(shared)
    looking.follower.begin()
    judging.follower.gain("cellar", from_ms(START_MS))
    shared.deliver(rows)
    looking.follower.step(end(rows))
    judging.follower.step(end(rows))
    odd = [key for key, kept in shared.kept.items() if kept[1] in (int(Flag.SUSPECT), int(Flag.FAIL))]

    looking.follower.step(end(rows))

    assert odd
    for name, at_ms in odd:
        held = looking.live.newest(name)
        assert held is not None
        if to_ms(held.measured_at) == at_ms:
            assert held.flag == shared.kept[name, at_ms][1]


def test_nothing_is_missed_where_the_store_was_away() -> None:
    """A step that fails is done again by the next."""
    rows, shared = record(5, days=1), Shared()
    watched = Watched(shared)
    watched.follower.gain("cellar", from_ms(START_MS))
    shared.deliver(rows[:200])
    shared.is_away = True
    failed = False
    try:
        watched.follower.step(end(rows))
    except StoreUnavailableError:
        failed = True
    shared.is_away = False
    shared.deliver(rows[200:])

    watched.follower.step(end(rows))

    assert failed
    assert set(watched.taken) == {(NAMES[index], at_ms) for index, at_ms, *_ in rows}
    assert found(shared) == whole(rows)


def test_flags_that_the_store_does_not_take_now_are_written_later() -> None:
    """They wait, and nothing else is held up."""
    rows, shared = record(11, days=2), Shared()
    watched = Watched(shared)
    watched.follower.gain("cellar", from_ms(START_MS))
    shared.takes_no_flags = True
    shared.deliver(rows)
    watched.follower.step(end(rows))
    shared.takes_no_flags = False

    watched.follower.step(end(rows))

    assert len(set(watched.taken)) == len(rows)
    assert found(shared) == whole(rows)


def test_a_room_that_is_taken_over_is_judged_from_where_the_other_ended() -> None:
    """The first watcher dies in the middle; the second finds the flags of what came meanwhile and afterwards."""
    rows, shared = record(11, days=2), Shared()
    first, second = Watched(shared), Watched(shared)
    first.follower.gain("cellar", from_ms(START_MS))
    middle, later = len(rows) // 2, len(rows) * 3 // 4
    shared.deliver(rows[:middle])
    first.follower.step(end(rows[:middle]))
    shared.deliver(rows[middle:later])

    second.follower.gain("cellar", end(rows[:later]), judged_until=from_ms(rows[middle][1]))
    shared.deliver(rows[later:])
    second.follower.step(end(rows))

    assert found(shared) == whole(rows)


def test_a_room_that_is_lost_is_followed_no_longer() -> None:
    """Nothing of it is handed on, and nothing is held."""
    rows, shared = record(2, days=1), Shared()
    watched = Watched(shared)
    watched.follower.gain("cellar", from_ms(START_MS))
    shared.deliver(rows[:50])
    watched.follower.step(end(rows))
    watched.follower.lose("cellar")
    shared.deliver(rows[50:])

    new = watched.follower.step(end(rows) + timedelta(minutes=1))

    assert new == 0
    assert watched.live.newest("t1") is None
    assert watched.follower.rooms == frozenset()


def test_readings_of_the_far_future_wait_until_it_comes() -> None:
    """A file with a wrong year was imported: the room is judged by what is said now, and nothing of now is let go."""
    rows, shared = record(2, days=1), Shared()
    watched = Watched(shared)
    watched.follower.gain("cellar", from_ms(START_MS))
    last = to_ms(datetime(9999, 12, 31, 23, 59, 59, 999_000, tzinfo=UTC))
    shared.deliver([*rows[:100], (0, last, 30.0, NOT_YET, 0)])
    watched.follower.step(end(rows[:100]))
    shared.deliver(rows[100:])

    watched.follower.step(end(rows))

    held = watched.live.newest(NAMES[0])
    assert held is not None
    assert to_ms(held.measured_at) == max(at_ms for index, at_ms, *_ in rows if index == 0)
    assert {key for key in watched.taken if key[1] < last} == {(NAMES[index], at_ms) for index, at_ms, *_ in rows}


def test_readings_ahead_of_a_slow_clock_are_taken_in_once_it_gets_there() -> None:
    """The watcher's machine is ten minutes behind the collector's: nothing is missed, and each is taken once."""
    rows, shared = record(2, days=1), Shared()
    watched = Watched(shared, judges=False)
    watched.follower.begin()
    newest = max(row[1] for row in rows)
    shared.deliver(rows)

    early = watched.follower.step(from_ms(newest - 600_000))
    none = watched.follower.step(from_ms(newest - 600_000))
    rest = watched.follower.step(from_ms(newest))

    assert 0 < early < len(rows)
    assert none == 0
    assert early + rest == len(rows)
    assert watched.follower.step(from_ms(newest)) == 0


def test_flags_that_the_store_refuses_for_good_hold_up_no_others() -> None:
    """One is refused for ever; it is tried once, and all others are written and told."""
    rows, shared = record(11, days=2), Shared()
    watched = Watched(shared)
    watched.follower.gain("cellar", from_ms(START_MS))
    odd = [(NAMES[key[0]], key[1]) for key, kept in whole(rows).items() if kept.flag != int(Flag.PASS)]
    shared.refuses = {odd[0]}
    shared.deliver(rows)

    for _ in range(3):
        watched.follower.step(end(rows))

    assert len(shared.refused) == 1
    assert all(shared.kept[key][1] not in (NOT_YET, int(Flag.PASS)) for key in odd[1:])
    assert any(span.from_ms <= odd[1][1] <= span.to_ms for span in shared.told[2:])


def test_a_ledger_restored_from_a_copy_keeps_no_reading_from_being_followed() -> None:
    """Its arrivals have lower numbers than those that were seen; what comes afterwards is seen all the same."""
    rows, shared = record(2, days=1), Shared()
    watched = Watched(shared, judges=False)
    watched.follower.begin()
    for row in rows[:200]:
        shared.deliver([row])
    watched.follower.step(end(rows))
    del shared.told[20:]
    shared.deliver(rows[200:])

    for _ in range(2):
        watched.follower.step(end(rows))

    assert sorted(watched.taken) == sorted((NAMES[index], at_ms) for index, at_ms, *_ in rows)


def test_who_had_no_room_for_a_while_begins_with_what_arrives_now() -> None:
    """All that came meanwhile is read back from the store; the many arrivals of that time are not asked for."""
    rows, shared = record(2, days=1), Shared()
    watched = Watched(shared)
    watched.follower.gain("cellar", from_ms(START_MS))
    watched.follower.lose("cellar")
    shared.deliver(rows[:400])
    watched.follower.gain("cellar", end(rows[:400]))
    told = len(shared.told)
    shared.deliver(rows[400:])

    watched.follower.step(end(rows))

    assert shared.looked_after[0] >= told - 2  # the flags of what was read back are told too
    assert shared.looked_after[0] > 0
    assert found(shared) == whole(rows)


def test_who_could_not_look_for_long_reads_back_what_is_told_no_longer() -> None:
    """Arrivals are kept for twelve hours; after a longer pause every reading is known, and flagged, all the same."""
    rows, shared = record(11, days=3), Shared()
    judging, looking = Watched(shared), Watched(shared, judges=False)
    judging.follower.gain("cellar", from_ms(START_MS))
    looking.follower.begin()
    for watched in (judging, looking):
        watched.follower.step(from_ms(START_MS))
    first = [row for row in rows if row[1] < rows[0][1] + 5 * 3_600_000]
    shared.deliver(first)
    for watched in (judging, looking):
        watched.follower.step(end(first))
    shared.deliver(rows[len(first) :])
    numbers = len(shared.told)
    shared.note([Arrival(room="attic", from_ms=0, to_ms=0)], now=end(rows))
    shared.told[:numbers] = [Arrival(room="", from_ms=0, to_ms=0)] * numbers  # pruned: they tell of nothing

    for watched in (judging, looking):
        watched.follower.step(end(rows))

    assert found(shared) == whole(rows)
    for watched in (judging, looking):
        for place, name in enumerate(NAMES):
            held = watched.live.newest(name)
            assert held is not None
            assert to_ms(held.measured_at) == max(at_ms for index, at_ms, *_ in rows if index == place)
