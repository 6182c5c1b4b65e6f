"""`traywarden alarms`, `heard`, `shelve` and `out-of-service`, as a grower types them, beside a running advisor."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from alerts.alarms import Alarm, AlarmState
from alerts.alarms_sql import SqlAlarms
from alerts.answers import answers_of, short_key
from alerts.findings import Finding, Priority, finding_key
from monitor.errors import NotFoundError, RefusedError
from monitor.farmfile import load_farm
from monitor.readings import Block, Reading
from tests.support.farms import TEXT, sensor_text
from tests.support.stage import Stage
from tests.support.typist import Typist

BEGIN = datetime(2026, 3, 2, 12, tzinfo=UTC)


class Store(Typist):
    """A farm whose cold store is warm, watched minute by minute, and a person who types."""

    def __init__(self, folder: Path) -> None:
        """Write farm.toml and build the advisor beside it."""
        self.path = folder / "farm.toml"
        more = sensor_text("store", "temperature", "cold")
        self.path.write_text(TEXT.format(zone="Europe/Lisbon", more=more), encoding="utf-8")
        self.stage = Stage(load_farm(self.path), folder / "data", since=BEGIN, look_every=timedelta(minutes=1))
        self.now = BEGIN

    def passes(self, minutes: int, temp_c: float) -> None:
        """Let some minutes pass at a temperature."""
        for _ in range(minutes):
            self.now += timedelta(minutes=1)
            self.stage.live.take(Block.from_readings([Reading(sensor="store", measured_at=self.now, value=temp_c)]))
            self.stage.run(self.now)

    def alarm(self) -> dict[str, Any]:
        """Return the only alarm."""
        found = json.loads(self.run("alarms", "--json").stdout)["alarms"]
        assert len(found) == 1
        return dict(found[0])


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    """Return a cold store that has been warm for half an hour."""
    made = Store(tmp_path)
    made.passes(30, 11.0)
    yield made
    made.stage.close()


def test_an_alarm_is_listed_heard_and_over(store: Store) -> None:
    """In plain words for a person, in the standard's in JSON."""
    listed = store.says("alarms")
    letters = store.alarm()["key"]
    state = store.alarm()["state"]
    heard = store.says("heard", letters.lower(), "--by", "tomek")
    store.passes(2, 11.0)
    on_it = store.alarm()
    store.passes(80, 3.0)

    assert "wrong now, nobody has answered" in listed
    assert f"traywarden heard {letters}" in listed
    assert state == "unacknowledged"
    assert "tomek is on it" in heard
    assert (on_it["state"], on_it["says"]) == ("acknowledged", "wrong now, tomek is on it")
    assert store.alarm()["state"] == "normal"


def test_what_went_unseen_says_so(store: Store) -> None:
    """Back to normal, and nobody looked; `heard all` settles it."""
    store.passes(80, 3.0)
    unseen = store.says("alarms")
    store.says("heard", "all")
    store.passes(2, 3.0)

    assert "back to normal, nobody has looked" in unseen
    assert store.alarm()["state"] == "normal"
    assert "Nothing waits" in store.says("heard", "all")


def test_put_aside_for_a_time_with_a_reason(store: Store) -> None:
    """Silent meanwhile, back by itself when it is still wrong, and told anew."""
    letters = store.alarm()["key"]
    without = store.run("shelve", letters, "--for", "4h")
    too_long = store.run("shelve", letters, "--for", "30d", "--why", "holiday")
    store.says("shelve", letters, "--for", "60m", "--why", "being defrosted")
    told = len(store.stage.channel.taken)
    store.passes(30, 11.0)
    aside = store.alarm()
    quiet = len(store.stage.channel.taken)
    store.passes(40, 11.0)

    assert isinstance(without.exception, RefusedError)
    assert isinstance(too_long.exception, RefusedError)
    assert aside["state"] == "shelved"
    assert aside["says"].startswith("put aside until Mon 2 Mar 13:30 (being defrosted)")
    assert quiet == told
    assert store.alarm()["state"] == "unacknowledged"
    assert len(store.stage.channel.taken) > quiet


def test_put_aside_and_taken_back(store: Store) -> None:
    """It counts again at once."""
    letters = store.alarm()["key"]
    store.says("shelve", letters, "--for", "4h", "--why", "being defrosted")
    store.passes(2, 11.0)
    store.says("shelve", letters, "--end")
    store.passes(2, 11.0)

    assert store.alarm()["state"] == "unacknowledged"


def test_a_sensor_out_of_service_raises_nothing(store: Store) -> None:
    """What it shows is nobody's trouble until it is back; the care to take is said."""
    said = store.says("out-of-service", "store", "--until", "2d", "--why", "new battery ordered")
    store.passes(2, 11.0)
    resting = store.alarm()
    store.says("out-of-service", "store", "--back")
    store.passes(2, 11.0)

    assert "Nobody watches the temperature there meanwhile" in said
    assert resting["state"] == "out of service"
    assert "out of service until Wed 4 Mar" in resting["says"]
    assert store.alarm()["state"] == "unacknowledged"


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("heard", "ZZZZ"), "there is no alarm 'ZZZZ'"),
        (("out-of-service", "attic", "--until", "2d", "--why", "x"), "there is no sensor 'attic'"),
    ],
)
def test_what_is_not_there_is_refused_with_what_is(store: Store, words: tuple[str, ...], says: str) -> None:
    """Each with the names that can be given."""
    done = store.run(*words)

    assert isinstance(done.exception, NotFoundError)
    assert says in str(done.exception)
    assert "there are: " in str(done.exception)


def test_a_room_that_stays_cold_is_accepted_and_nothing_else_is(store: Store) -> None:
    """For its root, until a date; a warm cold store can only be put aside for a time."""
    warm = store.alarm()["key"]
    refused = store.run("accept", warm, "--until", "30d")
    key = finding_key("room stays too cold", "cellar/1/1", "1")
    cold = Finding(
        rule="room stays too cold", spot="cellar/1/1", batch="1", sensor="air", priority=Priority.MEDIUM, since=BEGIN,
        value=17.0, limit=20.0, cause="It is 17.", consequence="It takes longer.", action="Warm it.",
    )  # fmt: skip
    raised = Alarm(key=key, state=AlarmState.UNACKNOWLEDGED, finding=cold, first_at=BEGIN, last_change_at=BEGIN)
    SqlAlarms(store.stage.ledger.engine).save([raised])
    letters = short_key(key)
    without = store.run("accept", letters)
    said = store.says("accept", letters, "--until", "60d", "--why", "winter")
    answers = answers_of(store.stage.ledger.entries())

    assert isinstance(refused.exception, RefusedError)
    assert "shelve" in str(refused.exception)
    assert "until when?" in str(without.exception)
    assert "is accepted until" in said
    assert answers.accepted[cold.root].why == "winter"
    assert answers.accepted[cold.root].until is not None
