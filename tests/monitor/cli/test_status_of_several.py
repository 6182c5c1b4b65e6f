"""How `status` tells of several processes: collectors, watchers, and what they lack between them; the real tables."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from dashboards.facts.processwords import needs_collectors
from monitor.processes import Collectors, collectors_of, living_collectors
from monitor.service.whole import STATUS_STATE
from monitor.stores.leases import Leases
from monitor.stores.ledger import SqlLedger
from monitor.stores.states import COLLECTOR_STATE, WATCHER_STATE, ServiceStates
from tests.support.commands import Said, call
from tests.support.farms import TEXT, farm, sensor_text

NOW = datetime.now(UTC)
MINUTE = timedelta(minutes=1)
BEGAN = datetime(2026, 3, 2, 8, tzinfo=UTC)
HEARD = sensor_text("air-1", "temperature", "cellar/1")


def wrote(at: datetime = NOW, **more: object) -> dict[str, object]:
    """Return what a collector writes of itself."""
    return {
        "host": "shed", "pid": 7, "started_at": BEGAN.isoformat(), "beat_at": at.isoformat(), "stopped": False,
        "listens": True, "broker_connected": True, "trouble": None, "waiting": 0, "refused": 0, "feeds": [],
        "messages": 1234, "readings": 1234, "quarantined": 0, "dropped": {}, "unclaimed_topics": [],
    } | more  # fmt: skip


def watches(at: datetime = NOW, **more: object) -> dict[str, object]:
    """Return what a watcher writes of itself."""
    return {"host": "shed", "beat_at": at.isoformat(), "stopped": False, "rooms": [], "stands_by": []} | more


class Several:
    """A farm whose processes are written down by hand."""

    def __init__(self, folder: Path, ledger: SqlLedger) -> None:
        """Take the folder, and a ledger that lies in it."""
        self.path, self._engine = folder / "farm.toml", ledger.engine
        self.states = ServiceStates(ledger.engine)
        self.write(HEARD)

    def write(self, more: str) -> None:
        """Write the farm's file."""
        self.path.write_text(TEXT.format(zone="Europe/Lisbon", more=more), "utf-8")

    def put(self, collectors: Mapping[str, object], watchers: Mapping[str, object] | None = None) -> None:
        """Write processes down."""
        for prefix, states in ((COLLECTOR_STATE, collectors), (WATCHER_STATE, watchers or {})):
            for name, state in states.items():
                self.states.put(prefix + name, state, now=NOW)

    def all_rooms_are_watched(self) -> None:
        """Give every room to one watcher."""
        self.put({}, {"upstairs": watches()})
        Leases(self._engine, "upstairs 1", lasts=60 * MINUTE).take(["", "cellar", "cold"])

    def status(self, *words: str) -> Said:
        """Ask how they are."""
        return call(self.path, "status", *words, now=NOW)


@pytest.fixture
def several(tmp_path: Path, ledger: SqlLedger) -> Iterator[Several]:
    """Give a farm without any process."""
    with closing(ledger):
        yield Several(tmp_path, ledger)


def test_a_collector_that_runs_tells_what_it_took_in_and_what_troubles_it(several: Several) -> None:
    """Counts with their machine, since what waits or was refused lies there; each feed by its name."""
    several.all_rooms_are_watched()
    busy: dict[str, Any] = {"waiting": 12, "refused": 1, "quarantined": 2, "trouble": "no answer from the InfluxDB"}
    feeds = [{"name": "bus", "trouble": None}, {"name": "folders", "trouble": "inbox is not there"}]
    several.put({"north": wrote(), "south": wrote(**busy, feeds=feeds, broker_connected=False)})

    said = several.status()

    assert said.refused is None
    assert "Collector north on shed runs: 1,234 readings since its start Mon 2 Mar 08:00; last sign of life" in said.out
    south = said.out.partition("Collector south")[2]
    assert "\n  The broker DOES NOT ANSWER it.\n" in south
    assert "\n  12 readings wait on shed for the InfluxDB.\n" in south
    assert "\n  1 row was refused by the InfluxDB: `traywarden unread` on shed.\n" in south
    assert "\n  2 messages could not be read since its start: `traywarden unread` on shed.\n" in south
    assert "\n  Trouble: no answer from the InfluxDB.\n" in south
    assert "\n  bus: is read.\n  folders: inbox is not there.\n" in south


@pytest.mark.parametrize(
    ("state", "how"),
    [
        pytest.param(wrote(NOW - MINUTE, stopped=True), "was stopped", id="stopped with a word"),
        pytest.param(wrote(NOW - 3 * MINUTE), "GIVES NO SIGN OF LIFE", id="ended without one"),
    ],
)
def test_the_share_of_a_collector_that_is_away_waits(several: Several, state: dict[str, object], how: str) -> None:
    """It says so, with both ways on, and the exit status tells that something is amiss."""
    several.all_rooms_are_watched()
    several.put({"north": wrote(), "south": state})

    said = several.status()

    assert f"Collector south on shed {how}: 1,234 readings" in said.out
    assert (
        "Its share of the messages waits with the broker, for 30 days. Start it again: traywarden collect" in said.out
    )
    assert "on shed if that still runs: traywarden collect --name south --retire\n" in said.out
    assert said.refused == "collector south is away; that share comes late"
    assert said.out.count("waits with the broker") == 1


def test_the_json_lists_collectors_beside_watchers(several: Several) -> None:
    """With the same names as in the types of the API."""
    several.all_rooms_are_watched()
    several.put({"north": wrote(waiting=3, feeds=[{"name": "bus", "trouble": None}])})

    told = json.loads(several.status("--json").out)

    assert told["schema"] == "traywarden.status/2"
    assert told["running"] is True
    assert [each["name"] for each in told["watchers"]] == ["upstairs"]
    assert told["collectors"] == [
        {
            "name": "north", "host": "shed", "running": True, "stopped": False, "started_at": BEGAN.isoformat(),
            "last_sign_at": NOW.isoformat(), "listens": True, "broker_connected": True, "readings": 1234,
            "quarantined": 0, "waiting": 3, "refused": 0, "trouble": None,
            "feeds": [{"name": "bus", "trouble": None}],
        }
    ]  # fmt: skip


def test_collectors_without_a_watcher(several: Several) -> None:
    """Readings are kept and nobody judges them: that is no monitor that runs."""
    several.put({"north": wrote()})

    said, told = several.status(), json.loads(several.status("--json").out)

    assert "NOBODY WATCHES cellar, and nobody ever did." in said.out
    assert said.refused == (
        "no watcher runs: readings are stored, but nothing is judged and nobody is nudged; start one: traywarden watch"
    )
    assert told["running"] is False
    assert [each["room"] for each in told["unwatched"]] == ["cellar", "cold"]


def test_watchers_without_a_collector(several: Several) -> None:
    """The rooms are watched and nothing is heard of them; what is pushed comes in without a collector."""
    several.all_rooms_are_watched()
    never = several.status()
    several.put({"north": wrote(NOW - 3 * MINUTE)})
    dead = several.status()
    several.states.forget(COLLECTOR_STATE + "north")
    several.write("")
    nothing_to_hear = several.status()

    starts = "no collector runs, so no sensor is heard; start one: traywarden collect --name"
    assert (never.refused, dead.refused) == (f"{starts} NAME", f"{starts} north")
    assert nothing_to_hear.refused is None


def test_who_is_needed_to_hear_what(tmp_path: Path) -> None:
    """A broker needs a collector; devices that push and figures by hand need none."""
    pushed = sensor_text("air-2", "temperature", "cellar/1").replace("t/air-2", "push/shelf/air")

    assert needs_collectors(farm(tmp_path, more=HEARD))
    assert not needs_collectors(farm(tmp_path))
    device = '[[device]]\nid = "shelf"\ntoken_file = "t"\n'
    assert not needs_collectors(farm(tmp_path, more=device + pushed))


def test_a_farm_that_went_back_to_run_is_told_to_start_run(several: Several) -> None:
    """Where `run` gave the last sign of life it is that which is missing; while it runs nothing lacks."""
    several.put({"north": wrote(NOW - 60 * MINUTE, stopped=True)}, {"up": watches(NOW - 60 * MINUTE, stopped=True)})
    several.states.put(STATUS_STATE, service(NOW - 5 * MINUTE), now=NOW)
    gone = several.status()
    several.states.put(STATUS_STATE, service(NOW), now=NOW)
    runs = several.status()

    assert gone.refused == "the monitor is not running; start it with `traywarden run`"
    assert "Saltcellar Farm: NOT RUNNING, last sign of life" in gone.out
    assert runs.refused is None
    assert "NOBODY WATCHES" not in runs.out
    assert "Collector north on shed was stopped" in runs.out
    assert "The broker goes on keeping a share for it; beside `traywarden run`, take it out for good" in runs.out
    assert "Start it again" not in runs.out


def service(at: datetime) -> dict[str, object]:
    """Return what `run` writes of itself."""
    return {
        "beat_at": at.isoformat(), "started_at": BEGAN.isoformat(), "listens": True, "broker_connected": True,
        "broker_port": 1883, "trouble": None, "messages": 0, "readings": 0, "quarantined": 0, "dropped": {},
    }  # fmt: skip


def test_a_collector_that_hears_no_broker_misses_none() -> None:
    """One that reads a Modbus line alone is well without a broker; what an earlier release wrote still counts."""
    alone = wrote(listens=False, broker_connected=False)
    before = wrote(broker_connected=False)
    del before["listens"]

    assert living_collectors({"a": alone}, NOW) == Collectors(is_connected=True, trouble=None)
    assert living_collectors({"a": before}, NOW) == Collectors(is_connected=False, trouble=None)
    assert [each.listens for each in collectors_of({"a": alone, "b": before}, NOW)] == [False, True]
