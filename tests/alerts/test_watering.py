"""Scales, hands and the ledger together: what is asked for, what is not, and whom to doubt."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from alerts.derive import open_tasks
from alerts.findings import Priority, Tick
from alerts.proposals import proposals
from alerts.rules import ALL
from alerts.standing import standing_parts
from alerts.tasks import Task, TaskKind, Urgency
from alerts.watering import PartWater, water_of
from monitor.farm import Farm
from monitor.fold import fold_as_of
from monitor.ledger import EntryKind
from monitor.live import LiveBuffer
from monitor.profilefile import load_profiles
from monitor.readings import Block, Reading
from monitor.scales import Scales
from monitor.scalesetup import setups_of
from tests.support.farms import Book, farm, sensor_text
from tests.support.weights import tray

PROFILES = load_profiles(None)
ZERO = {"dry_g": 1000, "full_g": 1800}


class Room:
    """A cellar with a scale under one tray of batch 1, radish sown on 2 March, in the light since the 5th."""

    def __init__(self, folder: Path, *, trays: int = 1, spot: str = "cellar/1/2/1", **sensor: float) -> None:
        """Sow, uncover and light the batch."""
        keys = {**ZERO, **sensor} if sensor.get("full_g", 1) else {}
        self.farm: Farm = farm(folder, more=sensor_text("scale-1", "weight", spot, **keys))
        self.book = Book()
        self.scales = Scales(self.farm.sensors)
        self.book.sow(self.book.at("2026-03-02"), "radish", trays, spot="cellar/1/2" if trays > 1 else spot)
        self.now = self.book.at("2026-03-08", "07:30")

    def open(self) -> Room:
        """Bring the batch into the light."""
        self.book.add(EntryKind.STACKED, self.book.at("2026-03-02", "09:10"), stack="S1", data={"weight_kg": 6})
        self.book.add(EntryKind.UNCOVERED, self.book.at("2026-03-04"), data={})
        self.book.add(EntryKind.LIGHTS_ON, self.book.at("2026-03-05"), data={})
        return self

    def weigh(
        self, weight_g: float, *, hours: float = 60, loss_g_h: float = 9.0, steps: Sequence[tuple[float, float]] = ()
    ) -> Room:
        """Have the scale weigh so much at the end, having dried evenly before."""
        begin = self.now - timedelta(hours=hours)
        end_g = weight_g - sum(change for _, change in steps)
        rows = tray(hours, start_g=end_g + hours * loss_g_h, loss_g_h=loss_g_h, every_min=3, steps=steps)
        self.show([(begin + timedelta(milliseconds=at_ms), grams) for at_ms, grams in rows])
        return self

    def show(self, rows: Sequence[tuple[datetime, float]]) -> None:
        """Have the scale show some numbers."""
        self.scales.take(
            Block.from_readings([Reading(sensor="scale-1", measured_at=at, value=grams) for at, grams in rows])
        )

    def tick(self, now: datetime | None = None) -> Tick:
        """Return the moment."""
        at = now or self.now
        self.scales.set_up(setups_of(self.book.entries, self.farm.sensors))
        return Tick(
            now=at, farm=self.farm, profiles=PROFILES, batches=fold_as_of(self.book.entries, at), live=LiveBuffer(),
            watching_since=at, scales=self.scales,
        )  # fmt: skip

    def pours(self) -> list[Task]:
        """Return the water tasks that are due now and no guess by days."""
        return [
            task
            for task in open_tasks(self.tick())
            if task.kind is TaskKind.WATER and task.urgency is not Urgency.EARLY and "guess" not in task.why
        ]

    def water(self) -> PartWater:
        """Return what is known of the water of the only part."""
        tick = self.tick()
        stand, part = standing_parts(tick)[0]
        return water_of(stand.batch, part, stand.span, stand.profile, tick)

    def doubt(self) -> str:
        """Return why the scale is not believed; empty where it is."""
        scale = self.water().scale
        return (scale.doubt or "") if scale else ""


@pytest.fixture
def room(tmp_path: Path) -> Room:
    """Return a room with one tray on a scale, in the light."""
    return Room(tmp_path).open()


def test_a_dry_tray_is_asked_for_with_its_amount_and_its_hour(room: Room) -> None:
    """How much is left, when it is dry, and why now."""
    task = room.weigh(1500).pours()[0]

    assert "left, by its scale; dry by" in task.why
    assert task.water_ml == pytest.approx(1800 + 190 - 1500, abs=70)
    assert "Pour" in task.move
    assert "rot, not thirst" in task.move


def test_a_tray_that_has_water_is_not_asked_for_however_many_days_have_passed(room: Room) -> None:
    """Never poured since sowing, and still nothing to do."""
    room.weigh(1900, loss_g_h=2)

    assert room.pours() == []
    assert not [task for task in open_tasks(room.tick()) if task.kind is TaskKind.WATER]


def test_the_same_tray_is_asked_for_again_after_a_pour_of_the_same_day(room: Room) -> None:
    """Another pour, another task; and once more where the round is the last before plants limp."""
    first = room.weigh(1290).pours()[0]
    room.book.add(EntryKind.WATERED, room.now - timedelta(hours=2), data={"ml_per_tray": 50})
    second = room.pours()[0]

    assert first.key != second.key
    assert first.occurrence.endswith("!1700")
    assert "the last before that" in first.why or "limp now" in first.why


def test_poured_after_the_last_reading_means_nothing_to_ask(room: Room) -> None:
    """The entry wins until the scale speaks again."""
    room.weigh(1300)
    room.book.add(EntryKind.WATERED, room.now, data={"ml_per_tray": 500})

    assert [
        task for task in open_tasks(room.tick(room.now + timedelta(minutes=1))) if task.kind is TaskKind.WATER
    ] == []


def test_sisters_follow_the_tray_on_the_scale(tmp_path: Path) -> None:
    """Eight trays of the batch, one of them on the scale: the task means all eight."""
    task = Room(tmp_path, trays=8).open().weigh(1400).pours()[0]

    assert task.trays == 8
    assert "by the scale under a sister" in task.why
    assert task.water_ml == pytest.approx(8 * (1800 + 190 - 1400), rel=0.2)


def test_a_hand_that_felt_a_tray_is_asked_by_hand(tmp_path: Path) -> None:
    """No scale: a pour and a lift make a forecast with its span."""
    bare = Room(tmp_path).open()
    bare.book.add(EntryKind.WATERED, bare.book.at("2026-03-07", "07:30"), data={"ml_per_tray": 500})
    bare.book.add(EntryKind.LIFTED, bare.book.at("2026-03-07", "17:00"), data={"feel": "right"})
    task = bare.pours()[0]

    assert "left, by hand; dry by about" in task.why


def test_a_covered_pile_is_never_asked_for_water(tmp_path: Path) -> None:
    """However light: suppressed by design."""
    pile = Room(tmp_path)
    pile.book.add(EntryKind.STACKED, pile.book.at("2026-03-02", "09:10"), stack="S1", data={"weight_kg": 6})
    pile.now = pile.book.at("2026-03-04", "07:30")
    pile.weigh(900, hours=40)

    assert pile.water().covered
    assert [task for task in open_tasks(pile.tick()) if task.kind is TaskKind.WATER] == []


def test_a_sticky_pile_that_dries_out_gets_advice_without_lifting(tmp_path: Path) -> None:
    """Basil that loses half of its water under the cover: what can be done from outside."""
    pile = Room(tmp_path)
    pile.book.entries.clear()
    pile.book.sow(pile.book.at("2026-03-02"), "basil", 1, spot="cellar/1/2/1")
    pile.book.add(EntryKind.STACKED, pile.book.at("2026-03-02", "09:10"), stack="S1", data={"weight_kg": 3})
    pile.now = pile.book.at("2026-03-05", "07:30")
    pile.weigh(1200, hours=60, loss_g_h=10)
    finding = ALL["scales"](pile.tick())[0]

    assert finding.rule == "covered trays dry out"
    assert "Do not lift it" in finding.action


def test_a_tray_that_stands_in_water_is_left_alone(room: Room) -> None:
    """Over 12 hours heavier than full: leave it, and no nudge to water."""
    room.weigh(2400, hours=20, loss_g_h=3)
    finding = ALL["scales"](room.tick())[0]

    assert finding.rule == "tray stands in water"
    assert finding.action.startswith("Leave it")
    assert room.pours() == []


def test_plants_that_limp_are_urgent(room: Room) -> None:
    """Under the wilting point, whatever the hour."""
    finding = ALL["dry"](room.weigh(1080).tick())[0]

    assert finding.priority is Priority.URGENT
    assert "Limp although heavy is rot" in finding.action


# -- bad input: each has a clear finding with what to do, and never a wrong nudge to water ----------------------


def test_a_negative_weight(room: Room) -> None:
    """Less than nothing: take everything off."""
    room.weigh(1300)
    room.show([(room.now - timedelta(minutes=m), -400.0) for m in (3, 2, 1)][::1])

    assert "less than nothing" in room.doubt()
    assert room.pours() == []


def test_a_weight_over_what_the_cell_carries(tmp_path: Path) -> None:
    """At the end of its range."""
    strained = Room(tmp_path, carries_g=5000).open().weigh(1300)
    strained.show([(strained.now - timedelta(minutes=m), 5000.0) for m in (2, 1)])

    assert "end of what it can carry" in strained.doubt()
    assert strained.pours() == []


def test_a_scale_that_was_never_set_up(tmp_path: Path) -> None:
    """Its weight says nothing of water."""
    bare = Room(tmp_path, full_g=0).open().weigh(1300)

    assert "never set up" in bare.doubt()
    assert "traywarden scale setup scale-1" in bare.doubt()
    assert bare.pours() == []


def test_a_scale_moved_to_another_tray_without_a_word(room: Room) -> None:
    """A fall that nobody explains is no dry tray; a lift by hand settles it."""
    room.weigh(1300, steps=[(50, -120)])
    doubted = room.doubt()
    room.book.add(EntryKind.LIFTED, room.now, data={"feel": "right"})

    assert "nobody said why" in doubted
    assert room.doubt() == ""


def test_a_tray_that_was_cut_without_a_word_is_not_taken_for_a_dry_one(room: Room) -> None:
    """A fall by the yield in its window is offered as the harvest, and no water is asked for meanwhile."""
    room.weigh(1300, steps=[(50, -330)])
    offered = proposals(room.tick(), room.book.entries)

    assert "as if it was cut" in room.doubt()
    assert room.pours() == []
    assert [(each.kind, each.trays) for each in offered] == [(EntryKind.HARVESTED, 1)]
    assert offered[0].data["grams"] == pytest.approx(330, abs=10)


def test_something_else_on_the_scale(room: Room) -> None:
    """400 g is no tray of this batch."""
    room.weigh(400, loss_g_h=0)

    assert "no tray of batch 1" in room.doubt()
    assert room.pours() == []
    assert ALL["scales"](room.tick())[0].rule == "scale is not believed"


def test_a_scale_that_shows_the_same_number_for_hours(room: Room) -> None:
    """Stuck, not a tray that stopped drying."""
    room.show([(room.now - timedelta(minutes=5 * each), 1300.0) for each in range(200, 0, -1)])

    assert "the very same" in room.doubt()
    assert room.pours() == []


def test_a_tray_that_is_lifted_out_just_now(room: Room) -> None:
    """Nothing on the scale is no dry tray, and no finding."""
    room.weigh(1700)
    room.show([(room.now - timedelta(minutes=m), 3.0) for m in (2, 1)])

    assert "Put its tray back" in room.doubt()
    assert room.pours() == []
    assert ALL["scales"](room.tick()) == ()


def test_a_scale_that_follows_the_temperature_is_kept_as_a_finding(tmp_path: Path) -> None:
    """Three grams a degree over three days, beside its drying; told to nobody, it stands in the list."""
    warm = Room(tmp_path)
    more = sensor_text("scale-1", "weight", "cellar/1/2/1", **ZERO) + sensor_text("air", "temperature", "cellar/1/2")
    warm.farm = farm(tmp_path, more=more)
    warm.scales = Scales(warm.farm.sensors)
    warm.open()
    begin = warm.now - timedelta(hours=60)
    rows, air = tray(60, start_g=2300, loss_g_h=8, every_min=3), []
    for at_ms, _ in rows:
        hour = (begin + timedelta(milliseconds=at_ms)).hour
        air.append(23.0 if 8 <= hour < 20 else 20.0)
    at = [begin + timedelta(milliseconds=at_ms) for at_ms, _ in rows]
    warm.show([(when, grams + 3 * (temp - 20)) for when, (_, grams), temp in zip(at, rows, air, strict=True)])
    warm.scales.take(
        Block.from_readings([Reading(sensor="air", measured_at=w, value=t) for w, t in zip(at, air, strict=True)])
    )
    found = ALL["scales"](warm.tick())

    assert [(finding.rule, finding.priority) for finding in found] == [("scale drifts", Priority.LOW)]
    assert "g a degree" in found[0].cause


def test_a_zero_that_has_moved_is_told(room: Room) -> None:
    """Lifted out for ten minutes, the scale showed 60 g."""
    room.weigh(1700)
    room.show([(room.now - timedelta(minutes=20 - m), 60.0 + m % 2) for m in range(10)])
    room.show([(room.now - timedelta(minutes=10 - m), 1700.0 + m % 3) for m in range(10)])
    found = ALL["scales"](room.tick())

    assert [finding.rule for finding in found] == ["scale's zero has moved"]
    assert "traywarden scale setup" in found[0].action


def test_two_batches_on_the_shelf_of_one_scale(tmp_path: Path) -> None:
    """Whose tray is it? A move to the scale's own place settles it."""
    shared = Room(tmp_path, trays=4).open().weigh(1300)
    shared.book.sow(shared.book.at("2026-03-03"), "basil", 4, batch="2", spot="cellar/1/2")

    assert "whose tray is on it" in shared.doubt()
    assert shared.pours() == []
    shared.book.add(
        EntryKind.MOVED, shared.now - timedelta(hours=1), trays=1, spot="cellar/1/2", data={"to": "cellar/1/2/1"}
    )
    known = {
        (stand.batch.id, part.trays): water_of(stand.batch, part, stand.span, stand.profile, shared.tick())
        for stand, part in standing_parts(shared.tick())
    }
    by = {key: each.water.known.value if each.water else None for key, each in known.items()}
    assert by == {("1", 1): "its own scale", ("1", 3): "the scale under a sister", ("2", 4): None}
    assert known[("2", 4)].scale is None


def test_an_old_weight_judges_no_more(room: Room) -> None:
    """Silent for three hours: back to the profile's days."""
    room.weigh(1300)
    late = room.tick(room.now + timedelta(hours=3))
    whys = [task.why for task in open_tasks(late) if task.kind is TaskKind.WATER]

    assert whys
    assert all("a guess" in why for why in whys)


# -- proposals ---------------------------------------------------------------------------------------------------


def test_what_the_scale_saw_is_offered_until_somebody_enters_it(room: Room) -> None:
    """A pour of 300 g: offered; entered within half an hour by hand: one and the same."""
    room.weigh(1600, steps=[(50, 300)])
    at = room.now - timedelta(hours=10)
    offered = proposals(room.tick(), room.book.entries)
    room.book.add(EntryKind.WATERED, at + timedelta(minutes=20), data={"ml_per_tray": 280})

    assert [each.kind for each in offered] == [EntryKind.WATERED]
    assert offered[0].data["ml_per_tray"] == pytest.approx(300, abs=8)
    assert abs(offered[0].at - at) < timedelta(minutes=5)
    assert proposals(room.tick(), room.book.entries) == ()


def test_what_was_refused_is_not_offered_again(room: Room) -> None:
    """The answer stands in the ledger under its key."""
    room.weigh(1600, steps=[(50, 300)])
    key = proposals(room.tick(), room.book.entries)[0].key
    room.book.add(EntryKind.REFUSED, room.now, data={"proposal": key, "why": "the cat"})

    assert proposals(room.tick(), room.book.entries) == ()


def test_a_weight_taken_off_is_offered_as_uncovered(tmp_path: Path) -> None:
    """The service knows by itself that a pile was uncovered, and asks."""
    pile = Room(tmp_path)
    pile.book.add(EntryKind.STACKED, pile.book.at("2026-03-02", "09:10"), stack="S1", data={"weight_kg": 6})
    pile.now = pile.book.at("2026-03-04", "12:00")
    pile.weigh(1750, hours=40, loss_g_h=1, steps=[(2, 6000), (36, -6000)])
    offered = proposals(pile.tick(), pile.book.entries)

    assert [each.kind for each in offered] == [EntryKind.UNCOVERED]
    assert offered[0].at == pytest.approx(pile.now - timedelta(hours=4), abs=timedelta(minutes=10))
