"""`traywarden check`, `keys` and `unit-file`: every fault at once, every key, and a unit that systemd takes."""

from __future__ import annotations

import json
import shutil
import subprocess
from datetime import UTC, datetime
from pathlib import Path

import pytest

from collectors.embedded_broker import free_port
from monitor.cli.unitfile import unit_text
from monitor.farmfile import parse_farm, read_farm
from monitor.keys import KEYS
from monitor.startfile import quoted
from tests.support.commands import call
from tests.support.farms import TEXT

CONSOLE = '[[channel]]\nid = "console"\nkind = "console"\n'


@pytest.fixture
def farm_path(tmp_path: Path) -> Path:
    """Write Saltcellar Farm, and return where."""
    return write(tmp_path)


def write(folder: Path, *, more: str = "", **changes: str) -> Path:
    """Write Saltcellar Farm with more tables and some texts changed, and return where."""
    text = TEXT.format(zone="Europe/Lisbon", more=more)
    for old, new in changes.items():
        assert old in text
        text = text.replace(old, new)
    path = folder / "farm.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_sound_farm_has_no_fault(farm_path: Path) -> None:
    """It says what the farm is, and ends well; no ledger is begun by looking."""
    said = call(farm_path, "check", "--listen", "0")

    assert said.refused is None
    assert "Saltcellar Farm" in said.out
    assert "2 people" in said.out
    assert "No fault." in said.out
    assert [path.name for path in farm_path.parent.iterdir()] == ["farm.toml"]


def test_a_missing_file_is_refused_with_the_command_that_makes_one(tmp_path: Path) -> None:
    """The way out is named."""
    said = call(tmp_path / "farm.toml", "check")

    assert said.refused is not None
    assert "traywarden init" in said.refused


def test_faults_of_farm_files_profiles_and_broker_come_at_once(tmp_path: Path) -> None:
    """One call tells the slip in farm.toml, the missing file, the profile's fault, and the broker that is not there."""
    port = free_port()
    more = (
        f'[broker]\nembedded = false\nport = {port}\nuser = "m"\npassword_file = "nowhere.txt"\n'
        '[[sensor]]\nid = "air"\nquantity = "temperature"\nspot = "cellar/9"\n'
    )
    path = write(tmp_path, more=more, **{"[farm]": '[farm]\nprofiles = "crops"'})
    (tmp_path / "crops").mkdir()
    (tmp_path / "crops" / "mine.toml").write_text('id = "mine"\n', encoding="utf-8")

    said = call(path, "check", "--json", "--listen", "0.1")

    told = json.loads(said.out)
    keys = [(fault["file"], fault["key"]) for fault in told["faults"]]
    assert ("farm.toml", "sensor[0].spot") in keys
    assert ("farm.toml", "broker.password_file") in keys
    assert any(file == "mine.toml" for file, _ in keys)
    assert all(fault["line"] for fault in told["faults"] if fault["file"] == "farm.toml")
    assert "not tried" in told["broker"]
    assert said.refused == f"{len(keys)} faults; mend them and check again"


def test_a_broker_that_does_not_answer_is_a_fault(tmp_path: Path) -> None:
    """The address and what to look at are told, and the exit status is that of a refusal."""
    port = free_port()
    path = write(tmp_path, more=f"[broker]\nembedded = false\nport = {port}\n")

    said = call(path, "check", "--listen", "0.1")

    assert said.refused == "1 fault; mend it and check again"
    assert f"127.0.0.1:{port} cannot be reached" in said.out
    assert "is it running" in said.out


def test_the_embedded_broker_need_not_run(tmp_path: Path) -> None:
    """Outside `traywarden run` nothing answers at its port, which is no fault."""
    path = write(tmp_path, more=f"[broker]\nport = {free_port()}\n")

    said = call(path, "check", "--listen", "0.1")

    assert said.refused is None
    assert "the embedded one runs within `traywarden run`" in said.out


def test_what_is_no_toml_is_told_with_its_line(tmp_path: Path) -> None:
    """Nothing else can be looked over then."""
    path = tmp_path / "farm.toml"
    path.write_text('[farm]\nname = "a\n', encoding="utf-8")

    said = call(path, "check", "--json")

    told = json.loads(said.out)
    assert told["schema"] == "traywarden.check/1"
    assert [fault["line"] for fault in told["faults"]] == [2]
    assert said.refused is not None


@pytest.mark.parametrize(
    ("changes", "more", "warning"),
    [
        pytest.param(
            {'days = ["sat"]': 'quiet = "00:00-23:00"'},
            "",
            "person tomek: every round lies in the quiet hours",
            id="rounds in the quiet hours",
        ),
        pytest.param(
            {'id = "ines"': 'id = "ines"\ndays = ["mon"]'},
            "",
            "nobody is on duty on tue; ines, who stands first, is told then",
            id="a day without anybody",
        ),
        pytest.param(
            {},
            CONSOLE + '[[channel]]\nid = "hook"\nkind = "apprise"\nurl_env = "NOT_SET_HERE"\n',
            "NOT_SET_HERE",
            id="unset",
        ),
        pytest.param(
            {},
            '[pages]\naddress = "192.168.1.20"\n',
            "the pages will not start: nobody has a password; set one with `traywarden password ines`",
            id="pages for others without a password",
        ),
        pytest.param(
            {},
            '[pages]\naddress = "192.168.1.20"\n',
            "passwords for the pages cross the network unencrypted",
            id="pages for others without HTTPS",
        ),
        pytest.param(
            {},
            "".join(
                f'[[sensor]]\nid = "{name}"\nquantity = "light"\nspot = "cellar"\ntopic = "t"\npointer = "/x"\n'
                for name in ("a", "b")
            ),
            "sensors a and b take the same value of t",
            id="two sensors of one value",
        ),
    ],
)
def test_what_is_probably_not_meant_is_told_but_no_fault(
    tmp_path: Path, changes: dict[str, str], more: str, warning: str
) -> None:
    """It begins with mind, and the check still ends well."""
    said = call(write(tmp_path, more=more, **changes), "check", "--listen", "0")

    assert said.refused is None
    assert any(line.startswith("mind: ") and warning in line for line in said.out.splitlines())


def test_a_secret_that_others_can_read_is_told(tmp_path: Path) -> None:
    """Chmod 600 mends it."""
    secret = tmp_path / "address.txt"
    secret.write_text("mailto://a:b@c.example", encoding="utf-8")
    secret.chmod(0o644)
    path = write(tmp_path, more=CONSOLE + '[[channel]]\nid = "mail"\nkind = "apprise"\nurl_file = "address.txt"\n')

    before = call(path, "check", "--listen", "0").out
    secret.chmod(0o600)
    after = call(path, "check", "--listen", "0").out

    assert "chmod 600" in before
    assert "mind" not in after


def test_a_record_start_in_the_future_is_a_fault(farm_path: Path) -> None:
    """Every reading would be flagged until then."""
    path = write(farm_path.parent, **{"[farm]": "[farm]\nrecords_from = 2027-01-01"})

    early = call(path, "check", "--listen", "0", now=datetime(2026, 12, 31, tzinfo=UTC))
    late = call(path, "check", "--listen", "0", now=datetime(2027, 1, 2, tzinfo=UTC))

    assert "farm.toml line 3: farm.records_from: found 2027-01-01" in early.out
    assert late.refused is None


def test_a_batch_whose_profile_is_gone_is_told(farm_path: Path) -> None:
    """Nothing would be nudged for it, so the check says so."""
    own = farm_path.parent / "crops"
    own.mkdir()
    shipped = Path(__file__).parents[2] / "monitor" / "crops" / "radish.toml"
    text = shipped.read_text(encoding="utf-8").replace('crop = "radish"', 'crop = "old-radish"')
    (own / "old.toml").write_text(text, encoding="utf-8")
    path = write(farm_path.parent, **{"[farm]": '[farm]\nprofiles = "crops"'})
    call(path, "sow", "old-radish", "--trays", "2", "--spot", "1/1")
    (own / "old.toml").unlink()

    said = call(path, "check", "--listen", "0")

    assert "batch 1: no profile for crop 'old-radish'" in said.out


def test_keys_lists_every_key_as_text_and_as_json(farm_path: Path) -> None:
    """Both forms come from the table that the parser reads."""
    told = json.loads(call(farm_path, "keys", "--json").out)
    text = call(farm_path, "keys").out

    assert told["schema"] == "traywarden.keys/1"
    assert [(row["table"], row["name"]) for row in told["keys"]] == [(key.table, key.name) for key in KEYS]
    assert all(key.means in text for key in KEYS)
    assert "[farm]" in text
    assert "[[sensor]]" in text
    assert "[storage.influx]" in text


def test_keys_writes_each_table_as_the_file_must_have_it(farm_path: Path) -> None:
    """In single brackets what stands once; [ping], [pages] and [storage.postgresql] were shown as lists before."""
    text = call(farm_path, "keys").out.splitlines()
    wrong = []
    for table in dict.fromkeys(
        key.table for key in KEYS if key.table not in ("farm", "room", "rack", "place", "person")
    ):
        shown = f"[{table}]" if f"[{table}]" in text else f"[[{table}]]"
        assert shown in text
        _, faults = read_farm(TEXT.format(zone="UTC", more=f"{shown}\n"), file="farm.toml", folder=farm_path.parent)
        wrong += [fault for fault in faults if "is written as" in fault.allowed]

    assert wrong == []


def unit_of(folder: Path, name: str = "Saltcellar Farm", more: str = "") -> str:
    """Return the unit text of a farm in a folder."""
    text = TEXT.format(zone="Europe/Lisbon", more=more).replace('"Saltcellar Farm"', quoted(name))
    farm = parse_farm(text, file="farm.toml", folder=folder)
    return unit_text(farm, folder / "farm.toml", user="grower", command=[shutil.which("true") or "true"])


def test_the_unit_file_is_filled_in_for_the_farm(farm_path: Path) -> None:
    """It names the user, the farm's file, and nothing in braces is left."""
    said = call(farm_path, "unit-file", "--user", "ines").out

    assert "User=ines\n" in said
    assert f"--farm {farm_path.resolve()} run\n" in said
    assert f"ReadWritePaths={farm_path.parent.resolve() / 'data'}\n" in said
    assert "Type=exec\n" in said
    assert "Restart=on-failure\n" in said
    assert "TimeoutStopSec=" in said
    assert "{" not in said


def test_a_farm_that_the_service_cannot_reach_is_told(farm_path: Path) -> None:
    """A home folder closed to others is named on standard error, and the unit is still printed whole."""
    farm_path.parent.chmod(0o700)

    said = call(farm_path, "unit-file")

    assert said.out.startswith("# Traywarden as a system service")
    assert "closed to other users, so traywarden cannot reach" in said.err


def test_the_service_may_write_wherever_the_farm_keeps_something(tmp_path: Path) -> None:
    """Nightly copies and the file of nudges lie outside the storage folder, and are named too."""
    more = '[storage]\nledger_copies = "copies"\n[[channel]]\nid = "console"\nkind = "jsonl"\npath = "out/n.jsonl"\n'

    unit = unit_of(tmp_path, more=more)

    assert f"ReadWritePaths={tmp_path / 'data'} {tmp_path / 'copies'} {tmp_path / 'out'}\n" in unit


@pytest.mark.parametrize("folder", ["plain", "with blank", "50%off", "dollar$HOME", 'quote"d'])
def test_systemd_takes_the_unit(tmp_path: Path, folder: str) -> None:
    """Systemd's own verifier finds nothing to say, whatever the folder is called."""
    verifier = shutil.which("systemd-analyze")
    if verifier is None:
        pytest.skip("systemd is not installed on this machine, so its verifier cannot be asked")
    (tmp_path / folder).mkdir()
    unit = tmp_path / "traywarden.service"
    unit.write_text(unit_of(tmp_path / folder, name=f"The {folder} farm"), encoding="utf-8")

    done = subprocess.run(
        [verifier, "verify", "--man=no", str(unit)], capture_output=True, text=True, check=False, timeout=60
    )

    assert (done.returncode, done.stderr) == (0, "")
