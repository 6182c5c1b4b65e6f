"""What `collect` refuses, and how it says so."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.errors import RefusedError
from monitor.service.shared import hold_name, process_name
from tests.support.commands import call
from tests.support.farms import TEXT, sensor_text


def test_a_farm_that_shares_nothing_is_told_what_is_missing(tmp_path: Path) -> None:
    """Both tables are named, and what does without them."""
    path = tmp_path / "farm.toml"
    path.write_text(TEXT.format(zone="Europe/Lisbon", more=sensor_text("air", "temperature", "cellar")), "utf-8")

    said = call(path, "collect", "--name", "one")

    assert said.refused is not None
    assert "farm.toml lacks [storage.influx] and [storage.postgresql]" in said.refused
    assert "`traywarden run` does all of it" in said.refused


def test_the_embedded_broker_cannot_be_shared(tmp_path: Path) -> None:
    """It lives in one process; nothing is made on the disk before that is said."""
    path = tmp_path / "farm.toml"
    more = '[storage.influx]\nurl = "http://127.0.0.1:1"\ndatabase = "saltcellar"\ntoken_env = "T"\n'
    more += sensor_text("air", "temperature", "cellar")
    more += '[storage.postgresql]\naddress = "postgresql://ines@127.0.0.1:1/saltcellar"\n'
    path.write_text(TEXT.format(zone="Europe/Lisbon", more=more), "utf-8")

    said = call(path, "collect", "--name", "one")

    assert said.refused is not None
    assert "set embedded = false and host under [broker]" in said.refused
    assert not (tmp_path / "data").exists()


def test_a_line_that_is_not_there_is_named(tmp_path: Path) -> None:
    """The lines that there are follow."""
    path = tmp_path / "farm.toml"
    path.write_text(TEXT.format(zone="Europe/Lisbon", more=""), "utf-8")

    said = call(path, "collect", "--line", "north")

    assert said.refused == "farm.toml has no [[modbus]] line 'north'; there are: none"


@pytest.mark.parametrize("name", ["", "a b", "x" * 41, "north/1"])
def test_what_cannot_be_a_name_is_refused(name: str) -> None:
    """It becomes a part of a client id, a topic and a file's name."""
    with pytest.raises(RefusedError, match="cannot be a name; use letters"):
        process_name(name)


def test_a_machine_has_one_collector_of_a_name(tmp_path: Path) -> None:
    """The second is refused while the first runs, and may run afterwards."""
    first = hold_name(tmp_path, "collector", "one")
    with pytest.raises(RefusedError, match="a collector named one runs on this machine already"):
        hold_name(tmp_path, "collector", "one")
    first.close()

    hold_name(tmp_path, "collector", "one").close()
