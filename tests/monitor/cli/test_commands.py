"""The commands as a grower types them, on a clock that stands."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from monitor.errors import TraywardenError
from monitor.readings import Block, Flag, Reading
from monitor.stores.sqlite import SqliteReadingStore
from tests.support.farms import TEXT, sensor_text
from tests.support.typist import Typist


class Cellar(Typist):
    """A farm in a folder, and a clock."""

    def __init__(self, folder: Path) -> None:
        """Write farm.toml; it is Monday 2 March 2026, 09:00 in Lisbon."""
        self.path = folder / "farm.toml"
        more = sensor_text("air", "temperature", "cellar")
        self.path.write_text(TEXT.format(zone="Europe/Lisbon", more=more), encoding="utf-8")
        self.now = datetime(2026, 3, 2, 9, tzinfo=UTC)

    def to(self, day: int, hour: int = 9, minute: int = 0) -> None:
        """Move the clock to a day of March."""
        self.now = datetime(2026, 3, day, hour, minute, tzinfo=UTC)


@pytest.fixture
def cellar(tmp_path: Path) -> Cellar:
    """Return a farm to type at."""
    return Cellar(tmp_path)


def test_a_whole_batch_from_soak_to_clean(cellar: Cellar) -> None:
    """Every verb once, in the order of a pea's life; the sums hold at the end."""
    cellar.says("soak", "pea", "--trays", "4", "--grams", "880", "--lot", "P-07", "--untreated")
    cellar.to(2, 17)
    cellar.says("drain")
    assert "4 trays of pea sown" in cellar.says("sow", "pea", "--spot", "1/1")
    said = cellar.says("stack", "1", "--weight", "6")
    assert "pile S1" in said
    assert "never over your head" in said
    cellar.to(4)
    cellar.says("look", "1", "--text", "white hairs")
    cellar.to(5, 7, 40)
    assert "3 trays of batch 1 pea uncovered" in cellar.says("uncover", "--trays", "3", "--to", "1/2")
    assert "at the next round" in cellar.says("not-yet", "1", "uncover")
    cellar.to(6)
    cellar.says("uncover", "1")
    cellar.to(7)
    cellar.says("lights", "1")
    cellar.says("water", "1", "--ml", "350")
    cellar.says("weigh", "1", "2.1 kg", "--mark", "full")
    cellar.says("lift", "1", "heavy")
    cellar.says("move", "1", "2/1", "--trays", "1")
    cellar.says("note", "1", "even stand")
    cellar.to(12)
    harvest = cellar.says("harvest", "1", "--trays", "2", "--grams", "900")
    assert "cut above the medium" in harvest
    assert "ornamental sweet pea" in harvest
    assert "inspector" in cellar.says("deliver", "1", "--trays", "1", "--living", "--whom", "the corner table")
    assert "Bin the whole tray" in cellar.says("discard", "1", "--why", "grey fuzz")
    assert "never mix" in cellar.says("clean", "--batch", "1")

    (batch,) = cellar.json("batches", "--all")["batches"]
    assert (batch["sown"], batch["standing"], batch["cut"], batch["delivered"], batch["discarded"]) == (4, 0, 2, 1, 1)
    assert batch["lot"] == "P-07"
    assert batch["treated"] is False


def test_several_batches_in_one_pile(cellar: Cellar) -> None:
    """A sticky crop under one that comes out sooner is warned of; the pile is uncovered as one."""
    cellar.says("sow", "radish", "--trays", "4", "--spot", "1/1")
    cellar.says("sow", "basil", "--trays", "4", "--spot", "1/1")

    warned = cellar.says("stack", "radish", "basil")
    assert "must not be touched before Fri 6 Mar" in warned
    cellar.to(4)
    assert "skins over in dry air" in cellar.says("uncover", "--stack", "S1")

    parts = [batch["parts"][0] for batch in cellar.json("batches")["batches"]]
    assert [part["stack"] for part in parts] == [None, None]
    assert [part["lifted_early"] for part in parts] == [False, True]


def test_an_earlier_days_sowing_again(cellar: Cellar) -> None:
    """Each line open to change, or left out; asked before it is noted."""
    cellar.says("sow", "radish", "--trays", "6", "--spot", "1/1", "--lot", "R-31", "--untreated")
    cellar.says("sow", "pea", "--trays", "4", "--spot", "2/1", "--lot", "P-07", "--untreated")
    cellar.says("sow", "kale", "--trays", "3", "--spot", "2/2", "--untreated")
    cellar.to(9)

    said = cellar.says(
        "sow", "--like", "2026-03-02", "--change", "2: --trays 6 --lot P-08", "--leave-out", "3", answer="y\n"
    )

    assert "kale" not in said
    batches = cellar.json("batches")["batches"]
    assert [(b["crop"], b["sown"], b["lot"]) for b in batches[3:]] == [("radish", 6, "R-31"), ("pea", 6, "P-08")]
    assert "nothing was sown on" in cellar.refuses("sow", "--like", "yesterday", "--yes")


def test_corrections_are_new_entries(cellar: Cellar) -> None:
    """Sown six, not eight; the old entry stays in the book."""
    cellar.says("sow", "radish", "--trays", "8", "--spot", "1/1")
    cellar.says("correct", "1", "--trays", "6", "--why", "miscounted")

    assert cellar.json("batches")["batches"][0]["sown"] == 6
    cellar.says("correct", "2", "--withdraw", "--why", "another batch")
    assert cellar.json("batches", "--all")["batches"] == []
    assert "no entry 99" in cellar.refuses("correct", "99", "--withdraw")


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("water", "9"), "no batch '9'"),
        (("harvest",), "no batch can be harvested"),
        (("sow", "rdish", "--trays", "2"), "did you mean radish"),
        (("sow", "radish"), "how many trays"),
        (("sow", "radish", "--trays", "2", "--spot", "7/7"), "no place '7/7'"),
        (("sow", "radish", "--trays", "2", "--by", "nobody"), "nobody is called 'nobody'"),
        (("sow", "radish", "--trays", "2", "--at", "tomorrow 08:00"), "lies ahead"),
        (("sow", "radish", "--trays", "2", "--at", "soon"), "is no time"),
        (("sow", "radish", "--trays", "2", "--grams", "a lot"), "is no amount"),
    ],
)
def test_what_cannot_be_done_is_refused_with_the_way_out(cellar: Cellar, words: tuple[str, ...], says: str) -> None:
    """Status 1, in words."""
    assert says in cellar.refuses(*words)


def test_treated_seed_is_warned_of_plainly(cellar: Cellar) -> None:
    """Noted all the same: it was sown."""
    assert "NOT FOR EATING" in cellar.says("sow", "radish", "--trays", "1", "--treated")


def test_at_is_read_in_the_farms_zone(cellar: Cellar) -> None:
    """Yesterday evening, as a person says it, in summer and winter time."""
    cellar.to(30, 10)  # the day after the spring change: Lisbon is at +01:00
    entry = cellar.json("sow", "radish", "--trays", "1", "--at", "yesterday 18:00")["entries"][0]

    assert entry["at"] == "2026-03-29T17:00:00+00:00"


def test_rounds_says_what_is_due_next_and_tomorrow(cellar: Cellar) -> None:
    """In words with the command that answers, and as JSON."""
    cellar.says("sow", "radish", "--trays", "6", "--spot", "1/1", "--untreated")
    assert "Nothing to do until Mon 2 Mar 17:00." in cellar.says("rounds")

    said = cellar.says("rounds", "--at", "wed 07:30")
    assert "Weight off, lift each tray straight up, back to rack 1 shelf 1" in said
    assert "day 2 (Wed 4 Mar)" in said
    assert "Done: traywarden uncover 1" in said
    assert "Not yet: traywarden not-yet 1 uncover" in said
    facts = cellar.json("rounds", "--at", "wed 07:30")
    assert [(task["kind"], task["trays"]) for task in facts["due"]] == [("uncover", 6)]
    assert facts["tomorrow"] == []


def test_what_no_sensor_can_see_is_not_measured(cellar: Cellar) -> None:
    """Under a cover the air stands in for the temperature only; in the open a value has its sensor and time."""
    cellar.says("sow", "radish", "--trays", "2", "--spot", "1/1")
    cellar.says("stack", "1", "--weight", "6")
    store = SqliteReadingStore(cellar.path.parent / "data" / "readings.db")
    store.append(Block.from_readings([Reading(sensor="air", measured_at=cellar.now, value=20.4)]))
    store.close()

    said = cellar.says("batch", "1")

    assert "temperature: 20.5 °C, Mon 2 Mar 09:00 (air, the air of the place)" in said
    assert "humidity: not measured: no sensor lies under the cover" in said
    assert "light: not measured: no sensor lies under the cover" in said
    facts = cellar.json("batch", "1")["measured"][0]["now"]
    assert [(each["quantity"], each["says"], each["value"]) for each in facts] == [
        ("temperature", None, 20.4),
        ("humidity", "not measured", None),
        ("light", "not measured", None),
    ]
    cellar.to(6)
    cellar.says("uncover", "1")
    cellar.says("lights", "1")
    assert "light: not measured: no sensor here" in cellar.says("batch", "1")


def test_not_yet_until_a_day_is_silent_until_then(cellar: Cellar) -> None:
    """Put off to Friday, it is due again on Friday."""
    cellar.says("sow", "basil", "--trays", "4", "--spot", "1/1")
    cellar.to(7, 8)
    cellar.says("not-yet", "1", "uncover", "--until", "sun")

    def due_at(when: str) -> list[str]:
        return [task["kind"] for task in cellar.json("rounds", "--at", when)["due"]]

    assert due_at("2026-03-07 17:00") == []
    assert due_at("2026-03-08 07:31") == ["uncover"]


def test_check_lists_every_fault(cellar: Cellar) -> None:
    """All of them, and status 1."""
    text = cellar.path.read_text(encoding="utf-8")
    text = text.replace("rounds =", "ronds =").replace('spot = "cellar"', 'spot = "attic"')
    cellar.path.write_text(text, encoding="utf-8")
    done = cellar.run("check", "--listen", "0")

    assert isinstance(done.exception, TraywardenError)
    for key in ("farm.ronds", "farm.rounds", "sensor[0].spot"):
        assert key in done.output
    assert "3 faults" in str(done.exception)


def test_keys_profiles_and_unit_file_print(cellar: Cellar) -> None:
    """Facts for the eye and as JSON."""
    assert "[[sensor]]" in cellar.says("keys")
    assert cellar.json("keys")["schema"] == "traywarden.keys/1"
    assert "basil-thai" in cellar.says("profiles")
    shown = cellar.says("profiles", "show", "basil")
    assert "[BASIL-FLOOR]" in shown
    assert "untreated seed" in shown
    assert cellar.says("profiles", "show", "basil", "--toml").startswith("# Sweet basil")
    assert "ExecStart=" in cellar.says("unit-file")


def test_status_of_a_monitor_that_never_ran(cellar: Cellar) -> None:
    """Said, and status 1, so that a watcher notices."""
    done = cellar.run("status", "--json")

    assert isinstance(done.exception, TraywardenError)
    assert json.loads(done.stdout)["running"] is False


def test_backup_and_restore_by_command(cellar: Cellar, tmp_path: Path) -> None:
    """A copy, more entries, and back again."""
    cellar.says("sow", "radish", "--trays", "2")
    assert "ledger.db: 1 rows" in cellar.says("backup", str(tmp_path / "copy.zip"))
    cellar.says("sow", "kale", "--trays", "2")
    assert "--overwrite" in cellar.refuses("restore", str(tmp_path / "copy.zip"))

    cellar.says("restore", str(tmp_path / "copy.zip"), "--overwrite")

    assert [batch["crop"] for batch in cellar.json("batches")["batches"]] == ["radish"]


def test_import_by_command(cellar: Cellar, tmp_path: Path) -> None:
    """Twice the same file: the second time nothing is new."""
    path = tmp_path / "log.csv"
    path.write_text("time,f\n2026-01-05 08:00,68\n2026-01-05 08:01,warm\n2026-01-05 08:02,70\n", encoding="utf-8")
    words = ("import", str(path), "--time", "time", "--map", "f=air:degF", "--zone", "farm")

    first, second = cellar.json(*words), cellar.json(*words)

    assert (first["readings"], first["new_readings"], first["errors"]) == (2, 2, 1)
    assert second["new_readings"] == 0
    assert first["error_rows"][0]["line"] == 3
    assert "no sensor 'x'" in cellar.refuses("import", str(path), "--time", "time", "--map", "f=x", "--zone", "farm")


def test_imported_readings_get_all_flags(cellar: Cellar, tmp_path: Path) -> None:
    """A spike in a file is flagged as one that came over the air would be."""
    path = tmp_path / "log.csv"
    lines = [f"2026-01-05 08:{minute:02d},{26 if minute == 4 else 20 + minute / 100}" for minute in range(8)]
    path.write_text("\n".join(["time,t", *lines]), encoding="utf-8")

    cellar.json("import", str(path), "--time", "time", "--map", "t=air", "--zone", "farm")

    store = SqliteReadingStore(cellar.path.parent / "data" / "readings.db")
    found = store.read(["air"], datetime(2026, 1, 1, tzinfo=UTC), datetime(2026, 2, 1, tzinfo=UTC))
    store.close()
    assert found.flag.tolist() == [1, 1, 1, 1, 3, 1, 1, 1]


def test_rebuild_by_command(cellar: Cellar, tmp_path: Path) -> None:
    """Every day that has a reading is rolled up afresh, and said so."""
    path = tmp_path / "log.csv"
    path.write_text("time,c\n2026-01-05 08:00,20\n2026-01-07 08:00,21\n", encoding="utf-8")
    cellar.says("import", str(path), "--time", "time", "--map", "c=air", "--zone", "farm")

    assert cellar.says("rebuild") == "2 readings of 1 sensors: 2 sensor-days rolled up afresh.\n"
    assert cellar.json("rebuild") == {
        "schema": "traywarden.rebuild/1",
        "sensors": 1,
        "readings": 2,
        "sensor_days": 2,
    }


def test_compact_by_command(cellar: Cellar, tmp_path: Path) -> None:
    """What is older than compact_after_days moves into a file; readings and facts stay the same."""
    path = tmp_path / "log.csv"
    path.write_text("time,c\n2026-01-05 08:00,20\n2026-01-07 08:00,21\n2026-03-02 08:00,22\n", encoding="utf-8")
    cellar.says("import", str(path), "--time", "time", "--map", "c=air", "--zone", "farm")

    facts = cellar.json("compact")
    said = cellar.says("compact")

    assert (facts["moved"], facts["files_written"], facts["let_go"]) == (2, 1, 0)
    assert (facts["history"]["files"], facts["history"]["readings"]) == (1, 2)
    assert said.startswith("0 readings packed, 0 files written.\nPacked in all: 2 readings in 1 files, 0.0 MB; ")
    store = SqliteReadingStore(cellar.path.parent / "data" / "readings.db")
    assert store.count() == 3
    store.close()


def test_light_by_day(cellar: Cellar) -> None:
    """Hours lit and dark of yesterday and today, what is not known, and the amount once the lamp is named."""
    more = sensor_text("air", "temperature", "cellar") + sensor_text("lux", "light", "cellar/1/1")
    text = TEXT.format(zone="Europe/Lisbon", more=more)
    cellar.path.write_text(text, encoding="utf-8")
    cellar.says("sow", "radish", "--trays", "2", "--spot", "1/1")
    store = SqliteReadingStore(cellar.path.parent / "data" / "readings.db")
    begin = datetime(2026, 3, 1, tzinfo=UTC)
    rows = [begin + timedelta(minutes=10 * step) for step in range(6 * 33)]
    store.append(
        Block.from_readings(
            [Reading(sensor="lux", measured_at=at, value=7400.0 if 6 <= at.hour < 22 else 1.0) for at in rows]
        )
    )
    store.close()

    said = cellar.says("light", "1/1", "--days", "2")
    text = text.replace('topic = "t/lux"', 'topic = "t/lux"\nlamp_kind = "cool-white fluorescent"')
    cellar.path.write_text(text, encoding="utf-8")
    named = cellar.says("light", "1/1", "--days", "2")
    facts = cellar.json("light", "1/1", "--days", "2")["sensors"][0]["days"]

    assert "Sun 1 Mar  lit 16.0 h, dark 8.0 h" in said
    assert "Mon 2 Mar  lit 3.0 h, dark 6.0 h" in said
    assert "say what shines with lamp_kind" in said
    assert "5.8 mol/m2" in named
    assert facts[0]["mol_m2"] == pytest.approx(5.76, abs=0.02)
    assert "no light sensor stands there" in cellar.refuses("light", "2/1")


def test_sensors_are_listed_with_age_flag_and_set_up(cellar: Cellar) -> None:
    """In walking order; what is old, doubtful, resting, corrected or never set up says so."""
    more = "\n".join(
        [
            sensor_text("air", "temperature", "cellar"),
            sensor_text("damp", "humidity", "cellar/1/1"),
            sensor_text("scale", "weight", "cellar/1/2/1"),
            sensor_text("lux", "light", "cellar/2/1"),
        ]
    )
    cellar.path.write_text(TEXT.format(zone="Europe/Lisbon", more=more), encoding="utf-8")
    cellar.says("sow", "radish", "--trays", "2", "--spot", "1/1")
    store = SqliteReadingStore(cellar.path.parent / "data" / "readings.db")
    old = cellar.now - timedelta(hours=3)
    store.append(
        Block.from_readings(
            [
                Reading(sensor="air", measured_at=cellar.now - timedelta(minutes=4), value=21.3, flag=Flag.PASS),
                Reading(sensor="damp", measured_at=old, value=61.0, flag=Flag.SUSPECT),
            ]
        )
    )
    store.close()
    cellar.says("calibrate", "air", "--ice", "0.4")
    cellar.says("out-of-service", "lux", "--until", "2d", "--why", "bulb")

    assert cellar.says("sensors").splitlines() == [
        "air, temperature, cellar: 21.5 °C, 4 min ago; 1 times what it shows, -0.4",
        "damp, humidity, rack 1 shelf 1: 61 % (doubtful), 3 h ago OLD",
        "scale, weight, rack 1 shelf 2 place 1: never heard; never set up",
        "lux, light, rack 2 shelf 1: never heard; OUT OF SERVICE",
    ]
    facts = cellar.json("sensors")["sensors"]
    assert [row["flag"] for row in facts] == [1, 3, None, None]
    assert [row["out_of_service"] for row in facts] == [False, False, False, True]
