"""`traywarden unread`: what could not be read, those alike together, shown so that it harms nothing; tried again."""

from __future__ import annotations

import json
from contextlib import closing
from datetime import timedelta
from pathlib import Path

import pytest

from monitor.farmfile import load_farm
from monitor.stores.opening import quarantine_store
from monitor.stores.spool import SPOOL_FILE, Spool
from monitor.unread import QUARANTINE_ROWS, REFUSED, bundled, plain_text
from tests.support.commands import NOON, call
from tests.support.farms import TEXT, sensor_text

WRONG = sensor_text("air", "temperature", "cellar", pointer="/temp")
RIGHT = WRONG.replace("/temp", "/t")


def mend(folder: Path, more: str) -> Path:
    """Write farm.toml anew, and return it."""
    path = folder / "farm.toml"
    path.write_text(TEXT.format(zone="Europe/Lisbon", more=more), encoding="utf-8")
    return path


@pytest.fixture
def farm_path(tmp_path: Path) -> Path:
    """Return a farm whose sensor looks for its value in the wrong place: three messages and a text are set aside."""
    path = mend(tmp_path, WRONG)
    farm = load_farm(path)
    with closing(quarantine_store(farm)) as store:
        for minute in range(3):
            said = b'{"t": %d.5}' % (20 + minute)
            why = f"t/air: nothing at /temp in {said!r}; mend pointer in farm.toml or the device"
            store.quarantine(NOON - timedelta(minutes=90 - minute), "t/air", said, why)
        store.quarantine(NOON - timedelta(days=2), "push/node", b"\x1b[2J\xff\x00" + b"x" * 400, "push/node: no number")
    return path


def test_messages_alike_stand_together_newest_first(farm_path: Path) -> None:
    """Topic, way, how many, from when to when, why, and the last of them."""
    said = call(farm_path, "unread")

    assert said.out.splitlines()[:4] == [
        "t/air (MQTT): 3 alike, Mon 2 Mar 10:30 to Mon 2 Mar 10:32",
        "    t/air: nothing at /temp in b'{\"t\": 22.5}'; mend pointer in farm.toml or the device",
        '    the last: {"t": 22.5}',
        "push/node (pushed): Sat 28 Feb 12:00",
    ]
    assert "4 are kept; of more than 1,000 the oldest go." in said.out
    assert "traywarden unread --again" in said.out


def test_what_it_said_is_bounded_and_harms_no_terminal(farm_path: Path) -> None:
    """Control characters stand as their numbers, and no more than a line of it."""
    shown = next(line for line in call(farm_path, "unread").out.splitlines() if "it said" in line)

    assert shown.startswith(r"    it said: \x1b[2J\xff\x00xxx")
    assert shown.endswith(" ...")
    assert len(shown) < 190
    assert shown.isprintable()


@pytest.mark.parametrize(
    ("words", "count"),
    [
        pytest.param(("--all",), 4, id="each by itself"),
        pytest.param(("--topic", "push/#"), 1, id="a topic with all below"),
        pytest.param(("--topic", "t/air", "--all"), 3, id="one topic"),
        pytest.param(("--since", "today", "--all"), 3, id="since a day"),
        pytest.param(("--since", "10:32", "--all"), 1, id="since a time"),
        pytest.param(("--topic", "t/other"), 0, id="nothing of it"),
    ],
)
def test_the_list_can_be_narrowed(farm_path: Path, words: tuple[str, ...], count: int) -> None:
    """In words and as JSON alike."""
    facts = json.loads(call(farm_path, "unread", *words, "--json").out)
    listed = facts.get("messages", facts.get("alike"))

    assert facts["schema"] == "traywarden.unread/1"
    assert len(listed) == count
    assert facts["kept_at_most"] == QUARANTINE_ROWS
    assert sum(line.startswith("    ") for line in call(farm_path, "unread", *words).out.splitlines()) == 2 * count


def test_a_farm_that_could_read_all_says_so_and_begins_no_file(tmp_path: Path) -> None:
    """Looking makes no database."""
    path = mend(tmp_path, "")

    assert call(path, "unread").out == "Nothing is set aside: all that came could be read.\n"
    assert call(path, "unread", "--again").refused is None
    assert list(tmp_path.glob("**/readings.db")) == []


def test_once_farm_toml_is_mended_they_are_put_in_with_their_own_time(farm_path: Path) -> None:
    """Corrected by the calibration of their day, the raw value beside; the rest stays, and twice is once."""
    call(farm_path, "calibrate", "air", "--ice", "0.5", now=NOON - timedelta(days=1))
    mend(farm_path.parent, RIGHT)
    first = call(farm_path, "unread", "--again")
    second = json.loads(call(farm_path, "unread", "--again", "--json").out)
    farm = load_farm(farm_path)
    with closing(quarantine_store(farm)) as store:
        kept = store.read(["air", "air.raw"], NOON - timedelta(hours=2), NOON).readings()

    assert first.out.splitlines()[0] == "3 could be read now and are off the list: 6 readings stored."
    assert "1 still cannot be read, and stay:" in first.out
    assert [(each.sensor, each.value) for each in kept] == [
        ("air", 20.0), ("air", 21.0), ("air", 22.0), ("air.raw", 20.5), ("air.raw", 21.5), ("air.raw", 22.5)
    ]  # fmt: skip
    assert kept[0].measured_at == NOON - timedelta(minutes=90)
    assert second["again"] == {"read": 0, "still_unread": 1, "readings_stored": 0, "readings_stored_before": 0}
    assert (second["count"], len(second["alike"])) == (1, 1)


def test_rows_that_an_influxdb_refused_are_listed_too_once(farm_path: Path) -> None:
    """The spool has all of them, the quarantine some: they are told from the spool, and go in where they can."""
    folder = load_farm(farm_path).storage.folder
    row = f"temperature,sensor=air,spot=cellar value=20.5,flag=1i,doubt=0i {int(NOON.timestamp()) * 1000}"
    with closing(Spool(folder / SPOOL_FILE, most_bytes=10**6)) as spool:
        spool.done([], [(row, "field type conflict"), (row[:-13], "unable to parse")], at=NOON)
    with closing(quarantine_store(load_farm(farm_path))) as store:
        store.quarantine(NOON, REFUSED, row.encode(), "field type conflict")
    facts = json.loads(call(farm_path, "unread", "--topic", REFUSED, "--json").out)
    told = call(farm_path, "unread").out
    again = json.loads(call(farm_path, "unread", "--topic", REFUSED, "--again", "--json").out)
    with closing(quarantine_store(load_farm(farm_path))) as store:
        kept, aside = store.read(["air"], NOON, NOON + timedelta(minutes=1)), store.quarantined()

    assert (facts["refused_count"], len(facts["alike"])) == (2, 2)
    assert "(refused by the InfluxDB): Mon 2 Mar 12:00" in told
    assert "Rows that an InfluxDB refused: 2; of 100,000 the oldest go." in told
    assert again["again"] == {"read": 1, "still_unread": 1, "readings_stored": 1, "readings_stored_before": 0}
    assert kept.value.tolist() == [20.5]
    assert REFUSED not in {topic for _, topic, _, _ in aside}


def test_rows_of_collectors_with_a_spool_of_their_own_are_listed_and_tried(farm_path: Path) -> None:
    """Two collectors of this machine, whose rows carry no flags; each spool lets go of its own."""
    folder = load_farm(farm_path).storage.folder
    at_ms = int(NOON.timestamp()) * 1000
    for number, name in enumerate(("north", "south")):
        row = f"temperature,sensor=air,spot=cellar value={20.5 + number} {at_ms + number}"
        with closing(Spool(folder / f"spool-{name}.db", most_bytes=10**6)) as spool:
            spool.done([], [(row, "field type conflict"), (row[:-13], "unable to parse")][: 2 - number], at=NOON)

    facts = json.loads(call(farm_path, "unread", "--topic", REFUSED, "--json").out)
    again = json.loads(call(farm_path, "unread", "--topic", REFUSED, "--again", "--json").out)
    with closing(quarantine_store(load_farm(farm_path))) as store:
        kept = store.read(["air"], NOON, NOON + timedelta(minutes=1))

    assert facts["refused_count"] == 3
    assert again["again"] == {"read": 2, "still_unread": 1, "readings_stored": 2, "readings_stored_before": 0}
    assert again["refused_count"] == 1
    assert kept.value.tolist() == [20.5, 21.5]


def test_status_names_the_command_where_something_is_set_aside(farm_path: Path, tmp_path: Path) -> None:
    """Also what came before the monitor's last start."""
    assert "4 messages could not be read: traywarden unread" in call(farm_path, "status").out
    assert json.loads(call(farm_path, "status", "--json").out)["unread"] == 4
    (tmp_path / "other").mkdir()
    assert "unread" not in call(mend(tmp_path / "other", WRONG), "status").out


def test_reasons_that_differ_in_numbers_and_payload_alone_are_one(farm_path: Path) -> None:
    """Names of sensors with a number in them are told apart."""
    with closing(quarantine_store(load_farm(farm_path))) as store:
        for why in ("line 3: 'x' of air-1", "line 44: 'x' of air-1", "line 3: 'x' of air-2"):
            store.quarantine(NOON, "file/loggers", b"march.csv", why)
        found = [each.count for each in bundled(store.unread.newest()) if each.newest.topic == "file/loggers"]

    assert found == [1, 2]


def test_long_messages_push_the_oldest_out_sooner(farm_path: Path) -> None:
    """Some of 20 MB each: a list of them fits into memory; one that is longer than all may be is kept while newest."""
    kept: list[list[int]] = []
    with closing(quarantine_store(load_farm(farm_path))) as store:
        for number, size in enumerate((*[20_000_000] * 4, 70_000_000, 1)):
            store.quarantine(NOON, f"t/{number}", bytes(size), "no number")
            kept.append([len(each.payload) // 10**6 for each in store.unread.newest() if each.topic != "t/air"])

    assert [each[:4] for each in kept[:3]] == [[20, 0], [20, 20, 0], [20, 20, 20, 0]]
    assert kept[3:] == [[20, 20, 20], [70], [0, 70]]


def test_text_is_shown_whole_where_it_is_short() -> None:
    """Marks that turn the way of writing are no text."""
    assert plain_text("cellar äöü", 20) == "cellar äöü"
    assert plain_text("a‮b\n", 20) == r"a\u202eb\n"
    assert plain_text(b"x" * 200, 40) == "x" * 40 + " ..."
