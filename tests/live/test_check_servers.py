"""`traywarden check` on a farm whose work is shared: real servers and broker, one missing after the other."""

from __future__ import annotations

import json
from collections.abc import Iterator

import pytest

from collectors.listening import speaks_v5
from monitor.farmfile import load_farm
from tests.support.commands import Said, call
from tests.support.fakebroker import fake_broker
from tests.support.farms import sensor_text
from tests.support.sharedfarm import ROOM, SharedFarm, shared_farm

pytestmark = [pytest.mark.live, pytest.mark.xdist_group("influx")]
TABLES = ROOM.format(room="north", shelves=3, trays=12) + sensor_text("air", "temperature", "north")
NO_SUCH_VERSION = bytes([0x20, 0x03, 0x00, 0x84, 0x00])
"""What a broker answers that knows no MQTT 5. [MQTT5] section 3.2.2.2, from memory."""


@pytest.fixture
def shared(monkeypatch: pytest.MonkeyPatch) -> Iterator[SharedFarm]:
    """Run the servers."""
    monkeypatch.setenv("SALTCELLAR_TOKEN", "not-to-be-seen")
    with shared_farm() as running:
        yield running


def checked(shared: SharedFarm, *mend: tuple[str, str]) -> Said:
    """Check the farm with words of its file put in place of others."""
    path = shared.write("one", TABLES)
    text = path.read_text("utf-8")
    for old, new in mend:
        assert old in text
        text = text.replace(old, new)
    path.write_text(text, "utf-8")
    return call(path, "check", "--listen", "0.2")


def test_what_is_shared_is_looked_at(shared: SharedFarm) -> None:
    """All well; then no such database on either server; then a PostgreSQL that is away."""
    well = checked(shared)
    slip = checked(shared, ('"saltcellar"', '"pepper"'), (shared.address, f"{shared.address}-gone"))
    servers = json.loads(call(shared.folder / "one" / "farm.toml", "check", "--listen", "0", "--json").out)["servers"]
    shared.postgres.stop()
    away = checked(shared)
    shared.postgres.start()

    assert well.refused is None
    assert f"InfluxDB: {shared.influx.url} answers, and has the database saltcellar\n" in well.out
    assert f"PostgreSQL: {shared.address} answers; the ledger's newest entry is 0\n" in well.out
    assert "mind:" not in well.out  # real mosquitto speaks MQTT 5
    assert "has no database 'pepper' (it has: saltcellar); make it there" in slip.out
    assert "does not exist; make it on its server with `createdb --owner USER DATABASE`" in slip.out
    assert "psycopg" not in slip.out
    assert slip.refused == "2 faults; mend them and check again"
    assert [(each["name"], each["broken"]) for each in servers] == [("InfluxDB", True), ("PostgreSQL", True)]
    assert "see that it runs and can be reached" in away.out
    assert away.refused == "1 fault; mend it and check again"


def test_a_broker_that_cannot_share_is_told(shared: SharedFarm) -> None:
    """One of old answers that it knows no MQTT 5, another hangs up; the embedded one is within `run`."""
    own = load_farm(shared.write("one", TABLES))
    assert own.storage.is_shared
    embedded = checked(shared, ('embedded = false\nhost = "127.0.0.1"', "embedded = true"))

    with fake_broker(to_v5=NO_SUCH_VERSION) as broker:
        refuses = checked(shared, (f"port = {shared.broker.port}", f"port = {broker.port}"))
    with fake_broker(to_v5=b"") as broker:
        assert not speaks_v5(own.broker, port=broker.port)

    assert speaks_v5(own.broker)
    assert "mind: collectors cannot share the embedded broker" in embedded.out
    assert "mind: the broker speaks no MQTT 5, so collectors cannot share its messages" in refuses.out
    assert refuses.refused is None  # `run` can do without
