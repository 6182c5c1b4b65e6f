"""Several watchers of one farm tell what one process would tell, once, whoever has which room when."""

from __future__ import annotations

import tempfile
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from datetime import datetime, timedelta
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from alerts.alarms_sql import SqlAlarms
from alerts.flood import Flood, through
from alerts.kept import NEWS_STATE, ROUND_STATE, read_news, state_name, to_rooms, to_whole
from alerts.nudges import Message
from alerts.ward import NOWHERE, Ward, rooms_of
from monitor.clock import ManualClock
from monitor.errors import LeaseLostError, ToldMeanwhileError
from monitor.health import Health, Silent
from monitor.ledger import EntryKind
from tests.support.farms import Book, farm, sensor_text
from tests.support.postgres import Postgres
from tests.support.wards import TWO_ROOMS, Shared, Watcher, Whole

BOOK = Book()
SENSORS = sensor_text("air", "temperature", "cellar") + sensor_text("up", "temperature", "attic")
MORNING = BOOK.at("2026-03-04", "07:30")
UNCOVER = "{}|uncover|germination|2026-03-02"
CELLAR, ATTIC = ("cellar", NOWHERE), ("attic",)


def shared_at(folder: Path, address: str | None, at: datetime) -> Shared:
    """Return a farm of two rooms with radish in both since the second of March, nobody watching yet."""
    clock = ManualClock(at)
    shared = Shared(farm(folder, more=TWO_ROOMS + SENSORS), folder / "data", address, clock)
    shared.ledger()
    sown = BOOK.at("2026-03-02")
    for batch, spot in (("1", "cellar/1/1"), ("2", "attic/a/1")):
        data = {"crop": "radish", "tray_kind": "1020"}
        shared.enter(EntryKind.SOWN, sown, batch=batch, trays=4, spot=spot, data=data)
    return shared


@pytest.fixture(params=["sqlite", pytest.param("postgresql", marks=pytest.mark.live)])
def shared(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Shared]:
    """Return the farm an hour before the morning's round, its ledger in a file or on a real server."""
    address = None
    if request.param == "postgresql":
        server: Postgres = request.getfixturevalue("postgres")
        address = server.new_database()
    made = shared_at(tmp_path, address, MORNING - timedelta(hours=1))
    yield made
    made.close()


def passes(shared: Shared, seconds: float, *living: Watcher) -> None:
    """Let time pass; who lives renews meanwhile."""
    while seconds > 0:
        step = min(seconds, 10.0)
        shared.clock.set(shared.clock() + timedelta(seconds=step))
        for each in living:
            each.renew()
        seconds -= step


def to(shared: Shared, at: datetime, *living: Watcher) -> None:
    """Let time pass until an instant; who lives holds what it has, all the way."""
    shared.clock.set(at - timedelta(seconds=20))
    for each in living:
        each.renew()
        each.look()
    passes(shared, 20, *living)


def test_each_tells_its_own_rooms_round(shared: Shared) -> None:
    """Two watchers, a message each of the same round, and together every task once."""
    one, two = Watcher(shared, "one", CELLAR), Watcher(shared, "two", ATTIC)
    to(shared, MORNING, one, two)
    for each in (one, two, one, two):
        each.step()

    instant = MORNING.isoformat()
    assert shared.told() == [f"round:{instant}:[-,cellar]|ines|console", f"round:{instant}:[attic]|ines|console"]
    assert shared.tasks_told() == [UNCOVER.format("1"), UNCOVER.format("2")]
    assert [text.splitlines()[0] for text, _ in shared.channel.taken] == [
        "Round Wed 4 Mar 07:30, cellar: 1 thing to do",
        "Round Wed 4 Mar 07:30, attic: 1 thing to do",
    ]


def test_one_that_has_all_rooms_bundles_them(shared: Shared) -> None:
    """One message, though each room keeps its own last round."""
    one = Watcher(shared, "one", (*CELLAR, *ATTIC, "cold"))
    to(shared, MORNING, one)
    one.step()

    (text,) = [text for text, _ in shared.channel.taken]
    assert text.startswith("Round Wed 4 Mar 07:30: 2 things to do")
    assert shared.told() == [f"round:{MORNING.isoformat()}:[-,attic,cellar,cold]|ines|console"]


def test_who_takes_over_in_the_middle_of_a_round_sends_what_was_written(
    shared: Shared, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The first dies after its round was written down and before it was sent; the other sends it, and repeats none."""
    one, two = Watcher(shared, "one", (*CELLAR, *ATTIC)), Watcher(shared, "two", (*CELLAR, *ATTIC))
    to(shared, MORNING, one)

    def die(_now: datetime) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(one.advisor, "_send", die)
    one.renew()
    with pytest.raises(KeyboardInterrupt):
        one.look()
    passes(shared, 20, two)
    two.look()
    before = shared.told()
    passes(shared, 15, two)
    two.look()
    passes(shared, 60, two)
    for _ in range(3):
        two.step()

    assert before == []
    assert shared.told() == [f"round:{MORNING.isoformat()}:[-,attic,cellar]|ines|console"]


def test_a_message_that_a_dead_one_had_claimed_goes_out_when_its_claim_has_run_out(shared: Shared) -> None:
    """Nobody knows whether it was handed over; after two minutes it is, by another."""
    one, two = Watcher(shared, "one", CELLAR), Watcher(shared, "two", CELLAR)
    shared.channel.fails = True
    to(shared, MORNING, one)
    one.step()
    shared.channel.fails = False
    passes(shared, 40, two)
    (row,) = two.outbox.waiting(shared.clock())
    claims = [one.outbox.claim(row.key, shared.clock()), two.outbox.claim(row.key, shared.clock())]
    passes(shared, 100, two)
    two.look()
    too_soon = shared.told()
    passes(shared, 30, two)
    two.look()

    assert claims == [True, False]
    assert too_soon == []
    assert shared.told() == [row.key]


def asleep_before_writing(watcher: Watcher, monkeypatch: pytest.MonkeyPatch, meanwhile: Callable[[], None]) -> None:
    """Have something happen when a watcher has judged and is about to write what it tells, once."""
    put = watcher.outbox.put
    slept: list[bool] = []

    def put_late(messages: Sequence[Message], **more: Any) -> int:
        if messages and not slept:
            slept.append(True)
            meanwhile()
        return put(messages, **more)

    monkeypatch.setattr(watcher.outbox, "put", put_late)


def test_who_sleeps_past_its_lease_writes_nothing(shared: Shared, monkeypatch: pytest.MonkeyPatch) -> None:
    """It has judged, and sleeps before it writes its round; the other takes over and tells it meanwhile."""
    one, two = Watcher(shared, "one", CELLAR), Watcher(shared, "two", CELLAR)
    to(shared, MORNING, one)

    def sleep() -> None:
        passes(shared, 40, two)
        two.look()

    asleep_before_writing(one, monkeypatch, sleep)
    one.renew()
    with pytest.raises(LeaseLostError, match="another process has it"):
        one.look()
    told = shared.told()
    one.step()

    assert told == [f"round:{MORNING.isoformat()}:[-,cellar]|ines|console"]
    assert shared.told() == told
    assert not one.caretaker.rooms
    assert two.caretaker.rooms == {"cellar", NOWHERE}


def test_who_let_go_and_took_again_without_noticing_judges_anew(
    shared: Shared, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While it slept another watched and let go, and its own thread took the room again: it is not the same lease."""
    one, two = Watcher(shared, "one", CELLAR), Watcher(shared, "two", CELLAR)
    shared.hears("air", 2.0, minutes=90)

    def sleep() -> None:
        passes(shared, 40, two)
        two.look()
        two.leases.release()
        one.renew()

    asleep_before_writing(one, monkeypatch, sleep)
    one.renew()
    with pytest.raises(LeaseLostError):
        one.look()
    one.look()

    assert [key.split("|")[0] for key in shared.told()] == ["alarm:too cold"]
    assert one.caretaker.rooms == {"cellar", NOWHERE}


def test_a_batch_that_moves_to_the_other_room_is_told_once(shared: Shared) -> None:
    """Its task was told where it stood; the other room's watcher asks for the next one."""
    one, two = Watcher(shared, "one", CELLAR), Watcher(shared, "two", ATTIC)
    to(shared, MORNING, one, two)
    for each in (one, two):
        each.step()
    shared.enter(EntryKind.MOVED, MORNING + timedelta(minutes=5), batch="1", trays=4, data={"to": "attic/a/2"})
    to(shared, MORNING + timedelta(minutes=10), one, two)
    for each in (one, two, one, two):
        each.step()
    before = shared.tasks_told()
    evening = BOOK.at("2026-03-06", "17:00")
    for at in (BOOK.at("2026-03-05", "07:30"), BOOK.at("2026-03-06", "07:30"), evening):
        to(shared, at, one, two)
        for each in (two, one):
            each.step()

    first = Counter(shared.tasks_told())
    since = [payload for _, payload in shared.channel.taken if MORNING.isoformat() not in str(payload["key"])]
    stayed = [payload["tasks"] for payload in since if "cellar]" in str(payload["key"])]
    assert Counter(before) == Counter([UNCOVER.format("1"), UNCOVER.format("2")])
    assert first[UNCOVER.format("1")] == first[UNCOVER.format("2")]  # due, last day and past: told alike
    assert not any(stayed)  # no task of it comes from where it stood


def test_a_batch_in_two_rooms_is_told_by_one_that_reads_both(shared: Shared) -> None:
    """By who has the room where most of it stands; alike in both, the first by name; what is wrong by each room's."""
    one, two = Watcher(shared, "one", CELLAR), Watcher(shared, "two", ATTIC)
    shared.enter(EntryKind.MOVED, MORNING - timedelta(hours=1), batch="1", trays=1, data={"to": "attic/a/2"})
    to(shared, MORNING, one, two)
    shared.hears("up", 2.0, minutes=90)
    for each in (two, one):
        each.step()
    first = Counter(shared.tasks_told())
    shared.enter(EntryKind.MOVED, MORNING + timedelta(minutes=1), batch="1", trays=1, data={"to": "attic/a/2"})
    to(shared, MORNING + timedelta(minutes=2), one, two)
    for each in (one, two):
        each.look()

    assert first == Counter([UNCOVER.format("1"), UNCOVER.format("2")])
    assert two.caretaker.reads == {"attic", "cellar"}  # two trays each now: the attic's, by its name
    assert one.caretaker.reads == {"cellar"}
    assert {alarm.finding.batch for alarm in two.watch.active() if alarm.finding.rule == "too cold"} == {"1", "2"}
    assert not [alarm for alarm in one.watch.active() if alarm.finding.rule == "too cold"]
    assert Counter(shared.tasks_told()) == first


def test_what_was_told_in_the_same_moment_is_not_told_again(shared: Shared) -> None:
    """Two processes that take a batch for theirs, by different entries: the second to write is refused."""
    one, two = Watcher(shared, "one", CELLAR), Watcher(shared, "two", ATTIC)
    to(shared, MORNING, one, two)
    two.advisor.batches(shared.clock())
    one.step()
    message = one.outbox.rows()[0]

    with pytest.raises(ToldMeanwhileError, match=r"told 1\|uncover"):
        two.outbox.put([message], state={}, now=shared.clock(), untold_since=MORNING - timedelta(hours=1))


def test_an_alarm_is_told_once_though_its_watcher_dies(shared: Shared) -> None:
    """The other knows what was told, holds the alarm, and clears it; only its own room's are touched."""
    one, two = Watcher(shared, "one", CELLAR), Watcher(shared, "two", (*CELLAR, *ATTIC))
    shared.hears("air", 2.0, minutes=90)
    shared.hears("up", 2.0, minutes=90)
    one.step()
    two.step()
    both = shared.told()
    passes(shared, 40, two)
    two.look()
    for _ in range(20):  # its lease runs out in between: it takes its rooms anew each time
        shared.clock.set(shared.clock() + timedelta(minutes=11))
        shared.hears("air", 21.0, minutes=11)
        shared.hears("up", 2.0, minutes=11)
        two.step()
    states = {key: alarm.is_active for key, alarm in SqlAlarms(two.ledger.engine).load().items()}

    alarms = [key for key in both if key.startswith("alarm:")]
    assert sorted(key.split("|")[1] for key in alarms) == ["attic", "cellar"]
    assert [key for key in shared.told() if key.startswith("alarm:")] == alarms
    assert {key.split("|")[1].split("/")[0]: active for key, active in states.items() if "too cold" in key} == {
        "cellar": False,
        "attic": True,
    }


def test_an_alarm_that_could_not_be_told_is_told_by_who_takes_over(shared: Shared) -> None:
    """The first found it and lost its lease before it could write: neither the alarm nor its news is taken as known."""
    one, two = Watcher(shared, "one", CELLAR), Watcher(shared, "two", CELLAR)
    one.step()
    passes(shared, 31)
    shared.hears("air", 2.0, minutes=90)
    one.caretaker._own.step(shared.clock())
    with pytest.raises(LeaseLostError):
        one.advisor.run_due(shared.clock())
    two.step()

    assert [key.split("|")[0] for key in shared.told()] == ["alarm:too cold"]


@pytest.mark.parametrize(("gap_s", "silent"), [(40, ["air"]), (1200, [])], ids=["taken over", "nobody watched"])
def test_silence_counts_on_where_somebody_watched(shared: Shared, gap_s: int, silent: list[str]) -> None:
    """A sensor silent for half an hour in all, before and after the take-over; where nobody watched it begins anew."""
    one, two = Watcher(shared, "one", CELLAR), Watcher(shared, "two", CELLAR)
    shared.hears("air", 20.0, minutes=90)
    one.step()
    passes(shared, 20 * 60, one)
    one.look()
    passes(shared, gap_s)
    two.step()
    passes(shared, 11 * 60, two)
    two.look()

    told = [text for text, payload in shared.channel.taken if str(payload["key"]).startswith("alarm:")]
    active = [alarm.finding.sensor for alarm in two.watch.active() if alarm.finding.rule == "sensor is silent"]
    assert active == silent
    assert len(told) == len(silent)


def test_a_room_that_nobody_watched_for_a_while_is_told_with_its_round(shared: Shared) -> None:
    """Of that room alone, where it has a sensor."""
    one, two = Watcher(shared, "one", CELLAR), Watcher(shared, "two", (*CELLAR, *ATTIC))
    one.step()
    to(shared, MORNING)
    two.step()

    (text,) = [text for text, payload in shared.channel.taken if "|ines|" in str(payload["key"])]
    assert "Nobody watched cellar from Wed 4 Mar 06:30" in text
    assert "attic from" not in text


def test_what_is_promised_is_told_by_one_alone(shared: Shared) -> None:
    """By who has what belongs to no room; the soak too, which stands nowhere yet."""
    one, two = Watcher(shared, "one", CELLAR), Watcher(shared, "two", ATTIC)
    shared.enter(EntryKind.SOAKED, MORNING - timedelta(hours=9), batch="3", trays=4, data={"crop": "pea"})
    to(shared, MORNING + timedelta(hours=4), one, two)
    for each in (two, one, two):
        each.step()

    drains = [key for key in shared.told() if key.startswith("drain:3|")]
    assert len(drains) == 1
    assert Ward(rooms=frozenset(ATTIC), known=frozenset(rooms_of(shared.farm))).has(None) is False


def test_processes_that_are_silent_are_told_by_who_has_no_room(shared: Shared) -> None:
    """A collector and a watcher; the one that has but a room says nothing of it."""
    one, two = Watcher(shared, "one", CELLAR), Watcher(shared, "two", ATTIC)
    since = shared.clock() - timedelta(minutes=3)
    health = Health(
        silent_collectors=(Silent(name="b", since=since),),
        collectors=2,
        silent_watchers=(Silent(name="three", since=since),),
        unwatched=(Silent(name="cold", since=since),),
    )
    one.health = two.health = health
    one.step()
    two.step()

    rules = {alarm.finding.rule for alarm in one.watch.active()}
    assert {"collector b is silent", "watcher three is silent", "nobody watches the cold store"} <= rules
    assert not {alarm.finding.rule for alarm in two.watch.active()} & rules


def test_a_flood_in_one_room_is_none_in_the_other(shared: Shared) -> None:
    """Thirteen alarms of one room come with one look; the other room's single one is counted by itself."""
    one = Watcher(shared, "one", (*CELLAR, *ATTIC))
    one.step()
    for number in range(10, 22):
        data = {"crop": "basil", "tray_kind": "1020"}
        at = MORNING - timedelta(hours=1)
        shared.enter(EntryKind.SOWN, at, batch=str(number), trays=1, spot="attic/a/1", data=data)
    shared.hears("up", 2.0, minutes=90)
    shared.hears("air", 2.0, minutes=90)
    passes(shared, 20, one)
    one.look()

    floods = one.advisor._floods
    assert one.watch.raised == {"attic": 13, "cellar": 1}
    assert {room: flood.is_on for room, flood in floods.items()} == {"attic": True, "cellar": False, NOWHERE: False}


def test_bundles_of_two_rooms_at_one_instant_have_keys_of_their_own() -> None:
    """Else the outbox, which takes each key once for ever, would drop the second."""
    urgent = [read_news({**NEWS, "key": name, "priority": 3, "spot": "cellar"}) for name in ("a", "b")]
    rooms = ("attic", "cellar", NOWHERE, None)
    bundles = [through(Flood(), 11, urgent, MORNING, room=room)[1][0].key for room in rooms]

    assert bundles[-1] == f"flood|{MORNING.isoformat()}"
    assert len(set(bundles)) == 4


NEWS = {"key": "k", "title": "t", "text": "x", "priority": 2, "since": "2026-03-04T07:00:00+00:00"}
OLD, NEW = "2026-03-03T17:00:00+00:00", "2026-03-04T07:30:00+00:00"


def test_what_the_whole_farm_kept_goes_to_its_rooms_and_back() -> None:
    """The later round counts for a room, the earliest for the farm; news moves with its place, and is never doubled."""
    ward = Ward(rooms=frozenset({"attic", NOWHERE}), known=frozenset({"attic", "cellar"}))
    here, there = {**NEWS, "spot": "attic/a"}, {**NEWS, "spot": "cellar/1"}
    held = {ROUND_STATE: NEW, NEWS_STATE: [here, there], state_name(ROUND_STATE, "attic"): OLD}
    moved = to_rooms(held, ["attic", NOWHERE], ward)
    back = to_whole(
        {**held, **moved, state_name(ROUND_STATE, "cellar"): OLD, ROUND_STATE: OLD}, ["attic", "cellar", ""]
    )

    assert moved == {
        state_name(ROUND_STATE, "attic"): NEW,
        state_name(ROUND_STATE, NOWHERE): NEW,
        state_name(NEWS_STATE, "attic"): [here],
        NEWS_STATE: [there],
    }
    assert back == {NEWS_STATE: [there, here], state_name(NEWS_STATE, "attic"): []}
    assert to_whole({ROUND_STATE: OLD}, ["attic", "cellar", ""]) == {}


ROUNDS = [BOOK.at(f"2026-03-{day:02}", clock) for day in range(3, 7) for clock in ("07:30", "17:00")]


def play(shared: Shared, modes: list[str]) -> Counter[str]:
    """Watch round after round, each in its own way, and return how often each stage was told to one person."""
    for at, mode in zip(ROUNDS, modes, strict=True):
        shared.clock.set(at + timedelta(seconds=5))
        if mode == "run":
            Whole(shared).look()
        elif mode == "all":
            Watcher(shared, "all", (*CELLAR, *ATTIC)).step()
        elif mode == "split":
            for name, rooms in (("one", CELLAR), ("two", ATTIC)):
                Watcher(shared, name, rooms).step()
        else:  # one has told its room's round and dies; another takes all over within the minute, then run begins
            Watcher(shared, "one", CELLAR).step()
            passes(shared, 40)
            Watcher(shared, "three", (*CELLAR, *ATTIC)).step()
            Whole(shared).look()
        passes(shared, 150)
    whole = Whole(shared)
    whole.look()
    return Counter(stage for row in whole.advisor._outbox.rows() if row.person == "ines" for stage in row.stages)


@cache
def told_by_one() -> Counter[str]:
    """Return the stages that one process tells on those days."""
    return told_by(["run"] * len(ROUNDS))


def told_by(modes: list[str]) -> Counter[str]:
    """Return the stages that are told on those days, and see that no message was handed over twice."""
    with tempfile.TemporaryDirectory() as folder:
        shared = shared_at(Path(folder), None, ROUNDS[0])
        told = play(shared, modes)
        sent = Counter(shared.told())
        shared.close()
    assert max(sent.values()) == 1
    return told


@settings(max_examples=4)
@given(modes=st.lists(st.sampled_from(["run", "all", "split", "dies"]), min_size=len(ROUNDS), max_size=len(ROUNDS)))
def test_nothing_is_told_twice_or_lost_however_the_watch_changes_hands(modes: list[str]) -> None:
    """Four days of two rounds that nobody answers: the stages told are those of one process, each once."""
    assert told_by(modes) == told_by_one()
    assert max(told_by_one().values()) == 1
