"""The quick way through the pipeline gives what the long way gives, whatever a pack looks like."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from collectors.pipeline import Message, Pipeline, judge_value, sure_span
from collectors.quickpacks import QuickPacks
from monitor.farm import Farm, Sensor
from monitor.readings import Doubt, Flag, Quantity, Reading
from tests.support.farms import farm, sensor_text

NOW = datetime(2026, 3, 2, 9, tzinfo=UTC)
T = NOW.timestamp()
MORE = "".join(
    sensor_text(name, quantity, "cellar", **more).replace(f"t/{name}", topic)
    for name, quantity, topic, more in (
        ("air", "temperature", "node", {"record": "temp"}),
        ("damp", "humidity", "node", {"record": "rh", "unit": "%"}),
        ("scale", "weight", "node", {"record": "scale"}),
        ("only", "temperature", "alone", {}),
        ("inside", "temperature", "node", {"pointer": "/t"}),
    )
)


class LongWay(Pipeline):
    """A pipeline that takes every message the long way."""

    def _quick_rows(self, *_: Any) -> bool:
        """Leave it to the long way."""
        return False


def kept_in(aside: list[tuple[bytes, str]]) -> Callable[[datetime, str, bytes, str], None]:
    """Return a quarantine that is a list."""
    return lambda _at, _topic, payload, why: aside.append((payload, why))


def both(folder: Path, messages: list[Message], chunk: int, **more: Any) -> list[tuple[Any, ...]]:
    """Return what the two ways make of some messages: readings in order, what is aside, what was counted."""
    where: Farm = farm(folder, more=MORE)
    found = []
    for kind in (Pipeline, LongWay):
        aside: list[tuple[bytes, str]] = []
        pipeline = kind(where, quarantine=kept_in(aside), latest=lambda _: {}, **more)
        readings: dict[tuple[str, datetime], Reading] = {}
        for begin in range(0, len(messages), chunk):
            block = pipeline.block_of(messages[begin : begin + chunk])
            readings |= {(row.sensor, row.measured_at): row for row in block.readings()}
        found.append((readings, aside, dict(pipeline.counters.dropped), pipeline.counters.messages))
    return found


NUMBERS = st.one_of(
    st.floats(-60, 130),
    st.integers(-5, 110),
    st.sampled_from([1e999, 1e300, -1e300, 0.0, 101.5, 600_000, 2**70]),
)
RECORD = st.fixed_dictionaries(
    {"n": st.sampled_from(["temp", "rh", "scale", "x:temp", "other", "", "bad name"])},
    optional={
        "v": NUMBERS,
        "u": st.sampled_from(["Cel", "%RH", "%", "/", "g", "kg", "degF", "lx", ""]),
        "t": st.one_of(st.floats(-90, 90), st.sampled_from([T, T - 60, T + 200, T + 900, 5e8])),
        "vs": st.just("x"),
        "vb": st.just(True),
        "s": NUMBERS,
        "ut": st.just(5),
        "more": st.just(1),
        "must_": st.just(1),
        "bv": st.just(1.5),
        "bt": st.sampled_from([T, T - 3600, T - 1, 0, T + 1e6]),
        "bn": st.sampled_from(["node:", "n/", "?"]),
        "bu": st.sampled_from(["Cel", "%RH"]),
    },
)
USUAL = st.lists(
    st.tuples(st.sampled_from(["temp", "rh", "scale"]), st.floats(-30, 120).map(lambda v: round(v, 2))),
    min_size=1,
    max_size=4,
).map(lambda rows: [{"n": n, "u": {"temp": "Cel", "rh": "%RH", "scale": "g"}[n], "v": v} for n, v in rows])


@given(
    st.lists(st.tuples(st.lists(RECORD, max_size=4) | USUAL, st.integers(0, 30), st.booleans()), max_size=12),
    st.integers(1, 12),
)
def test_both_ways_make_the_same_of_any_packs(packs: list[Any], chunk: int) -> None:
    """Readings with flag and doubt, faults, what is dropped: the same, in whatever batches they come."""
    messages = []
    for records, minute, retained in packs:
        pack = [dict(each) for each in records]
        if pack and "bt" not in pack[0] and minute < 28:
            pack[0]["bt"] = T - 3600 + 60 * minute
        messages.append(Message("node", json.dumps(pack).encode(), NOW, retained))
        messages.append(Message("alone", json.dumps(pack).encode(), NOW, False, retained))
    quick, long = both(Path("farm"), messages, chunk)

    assert quick == long


@given(
    st.sampled_from(Quantity), st.floats(allow_nan=False) | st.sampled_from([-20.0, 60.0, -15.0, 50.0, 100.0, 102.0])
)
def test_a_value_in_the_sure_span_is_passed_as_it_is(quantity: Quantity, value: float) -> None:
    """Every value in it is one that the judge passes, unchanged; outside it nothing is said."""
    sensor = Sensor(id="x", quantity=quantity, spot="cellar")
    low, high = sure_span(sensor)

    if low <= value <= high:
        assert judge_value(sensor, value) == (value, Flag.PASS, Doubt.NONE)


def test_a_calibration_holds_the_quick_way_too(tmp_path: Path) -> None:
    """Corrected and raw, like the long way."""
    pack = b'[{"bn":"node:","bt":%d,"n":"temp","u":"Cel","v":21.5}]' % (T - 60)
    quick, long = both(tmp_path, [Message("node", pack, NOW)], 1, calibrate=lambda _sensor, value, _at: value + 1)

    assert quick == long
    assert {name: row.value for (name, _), row in quick[0].items()} == {"air": 22.5, "air.raw": 21.5}


def test_what_is_remembered_is_bounded() -> None:
    """A device that gives every pack another name does not fill the memory."""
    sensor = Sensor(id="x", quantity=Quantity.TEMPERATURE, spot="cellar", topic="t")
    packs = QuickPacks(lambda _topic: (sensor,), sure_span)
    begin = T - 3600
    for number in range(30_000):
        pack = b'[{"n":"n%d","u":"Cel","v":21.5,"t":%d}]' % (number, begin)
        assert packs.read("t", pack, 0.0, T) is not None

    assert len(packs._known) <= 20_000


def test_the_usual_form_goes_the_quick_way() -> None:
    """Else the others would only show that the long way equals itself."""
    sensor = Sensor(id="x", quantity=Quantity.TEMPERATURE, spot="cellar", topic="t")
    packs = QuickPacks(lambda _topic: (sensor,), sure_span)
    quick = packs.read("t", b'[{"bn":"n:","bt":%d,"n":"a","u":"Cel","v":21.5}]' % (T - 60), 0.0, T)

    assert quick is not None
    assert (quick.values, quick.times_s, quick.takes[0].sensor) == ([21.5], [T - 60], sensor)
    assert packs.read("t", b"21.5", 0.0, T) is None
    assert packs.read("t", b'[{"bn":"n:","bt":%d,"n":"a\\u001eb","u":"Cel","v":21.5}]' % (T - 60), 0.0, T) is None


def test_no_unit_is_not_an_empty_one(tmp_path: Path) -> None:
    """Packs that differ in that alone are not taken for each other: an empty unit is a wrong one."""
    texts = [b'[{"bn":"node:","bt":%d,"n":"temp",%s"v":21.5}]' % (T - 60, unit) for unit in (b"", b'"u":"",', b"")]
    quick, long = both(tmp_path, [Message("node", text, NOW) for text in texts], 1)

    assert quick == long
    assert len(quick[0]) == len(quick[1]) == 1
