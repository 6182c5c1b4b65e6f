"""Payloads: what cannot be read costs itself only, and what can be read two ways is asked back."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collectors.decode import decode, decode_each
from collectors.routes import Routes, covers, matches
from collectors.senml import resolve
from monitor.errors import PayloadError, UnitError
from monitor.farm import Sensor
from monitor.readings import Quantity
from monitor.units import factor_and_offset

TEMP = Sensor(id="temp", quantity=Quantity.TEMPERATURE, spot="cellar", topic="n", record="t")
DAMP = Sensor(id="damp", quantity=Quantity.HUMIDITY, spot="cellar", topic="n", record="h")
AIR = Sensor(id="air", quantity=Quantity.TEMPERATURE, spot="cellar", topic="n", pointer="/t")
WET = Sensor(id="wet", quantity=Quantity.HUMIDITY, spot="cellar", topic="n", pointer="/h", unit="%")
ANY = Sensor(id="any", quantity=Quantity.HUMIDITY, spot="cellar", topic="n")


def test_one_wrong_record_does_not_cost_the_others() -> None:
    """The humidity of a pack is kept when its temperature comes in a unit that cannot be."""
    found = decode_each(b'[{"n":"t","u":"lx","v":21},{"n":"h","u":"%RH","v":55}]', [TEMP, DAMP], topic="n", arrived_s=0)

    assert [(each.sensor.id, each.value) for each in found.values] == [("damp", 55.0)]
    assert len(found.faults) == 1
    assert "unit 'lx' cannot become degC" in found.faults[0]


def test_one_wrong_field_does_not_cost_the_others() -> None:
    """A device that says "error" for one of its two values is believed in the other."""
    found = decode_each(b'{"t": "error", "h": 55}', [AIR, WET], topic="n", arrived_s=0)

    assert [(each.sensor.id, each.value) for each in found.values] == [("wet", 55.0)]
    assert "no number at '/t'" in found.faults[0]


def test_times_that_count_from_now_are_no_times_of_the_sender() -> None:
    """A record without a time, and one of 60 s ago, stand at the arrival and a minute before it."""
    found = decode(b'[{"n":"t","u":"Cel","v":21},{"n":"h","u":"%RH","v":55,"t":-60}]', [TEMP, DAMP],
                   topic="n", arrived_s=1.77e9)  # fmt: skip

    assert [(each.time_s, each.at_s) for each in found] == [(None, 1.77e9), (None, 1.77e9 - 60)]


# [RFC8428] table 1 takes "%" for a ratio (note 1); most who write it mean percent (common practice, no source).
def test_a_percent_sign_in_a_pack_is_asked_back() -> None:
    """It is refused until farm.toml says what the device means by it; a record in %RH needs no word."""
    pack = b'[{"n":"h","u":"%","v":0.5}]'
    percent = Sensor(id="p", quantity=Quantity.HUMIDITY, spot="cellar", topic="n", record="h", unit="%")
    ratio = Sensor(id="r", quantity=Quantity.HUMIDITY, spot="cellar", topic="n", record="h", unit="/")

    with pytest.raises(PayloadError, match='say what the device means: unit = "%"'):
        decode(pack, [DAMP], topic="n", arrived_s=0)
    assert [each.value for each in decode(pack, [percent, ratio], topic="n", arrived_s=0)] == [0.5, 50.0]


def test_a_battery_in_percent_is_not_taken_for_humidity() -> None:
    """A sensor without a record name takes the one record whose unit can only be humidity."""
    found = decode(b'[{"n":"rh","u":"%RH","v":61},{"n":"battery","u":"%","v":90}]', [ANY], topic="n", arrived_s=0)

    assert [each.value for each in found] == [61.0]


@pytest.mark.parametrize(
    "payload",
    [
        pytest.param(b"[" * 100_000, id="an array too deep"),
        pytest.param(b'{"t":' + b"[" * 100_000, id="an object too deep"),
        pytest.param(b'{"t":' + b"9" * 4000 + b"}", id="an integer too large for a number"),
        pytest.param(b'[{"n":"t","u":"Cel","v":' + b"9" * 4000 + b"}]", id="the same in a pack"),
        pytest.param(b'[{"n":"t","u":"Cel","v":1e308,"bv":1e308}]', id="a sum too large"),
        pytest.param(b'[{"n":"t\\n","u":"Cel","v":1}]', id="a name with a line end"),
        pytest.param(b"1_000", id="a number as only a programmer writes it"),
        pytest.param(b"\xff21", id="no text"),
        pytest.param(b"", id="nothing"),
    ],
)
def test_what_breaks_readers_is_a_payload_error(payload: bytes) -> None:
    """None of them raises anything else, and the words stay short."""
    found = decode_each(payload, [TEMP, AIR], topic="n", arrived_s=0)

    assert found.values == []
    assert 0 < len("".join(found.faults)) < 500


_KEYS = st.sampled_from(["t", "h", "n", "v", "bt", "u"])
_JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(_KEYS, inner),
    max_leaves=12,
)


@given(_JSON)
def test_any_json_gives_values_or_faults(document: object) -> None:
    """Objects and packs of every shape, at the pointers and names that sensors ask for."""
    found = decode_each(json.dumps(document).encode(), [TEMP, DAMP, AIR, WET, ANY], topic="n", arrived_s=0)

    assert found.values or found.faults


@given(
    st.lists(
        st.fixed_dictionaries(
            {"n": st.just("a"), "v": st.floats(-1e6, 1e6)},
            optional={"bt": st.integers(2**28, 2**31), "t": st.integers(-1000, 1000), "bv": st.integers(-9, 9)},
        ),
        min_size=1,
        max_size=6,
    )
)
def test_base_fields_hold_until_they_are_given_anew(pack: list[dict[str, float]]) -> None:
    """Each record is its own fields plus the last base seen, whatever came before."""
    base_time: float = 0
    base_value: float = 0
    for record, resolved in zip(pack, resolve(json.dumps(pack).encode()), strict=True):
        base_time, base_value = record.get("bt", base_time), record.get("bv", base_value)
        assert resolved.time_s == record.get("t", 0) + base_time
        assert resolved.value == pytest.approx(record["v"] + base_value)


@pytest.mark.parametrize(
    ("written", "quantity"),
    [("℃", Quantity.TEMPERATURE), ("DEGF", Quantity.TEMPERATURE), ("%rh", Quantity.HUMIDITY),
     ("μmol m⁻² s⁻¹", Quantity.PPFD), ("µmol/m²/s", Quantity.PPFD), (" KG ", Quantity.WEIGHT)],
)  # fmt: skip
def test_a_units_writing_does_not_matter(written: str, quantity: Quantity) -> None:
    """Small and capital letters, the two mus, superscripts and one-letter signs are read alike."""
    assert factor_and_offset(written, quantity)


def test_a_megagram_is_no_milligram() -> None:
    """Where a capital letter changes the unit it is refused."""
    with pytest.raises(UnitError, match="'Mg' cannot become g"):
        factor_and_offset("Mg", Quantity.WEIGHT)


_LEVEL = st.sampled_from(["a", "b", "+"])
_FILTER = st.builds(
    lambda levels, hashed: "/".join([*levels, "#"] if hashed else levels),
    st.lists(_LEVEL, min_size=1, max_size=3),
    st.booleans(),
)


@given(_FILTER, _FILTER, st.lists(st.sampled_from(["a", "b", "c"]), min_size=1, max_size=4).map("/".join))
def test_a_filter_within_another_takes_nothing_more(wide: str, narrow: str, topic: str) -> None:
    """Whatever the narrower takes, the one that covers it takes too."""
    if covers(wide, narrow) and matches(narrow, topic):
        assert matches(wide, topic)


def test_a_filter_within_another_is_not_subscribed_to() -> None:
    """A broker may hand a message over once for each filter, and a value without a time would then count twice."""
    sensors = [Sensor(id=topic, quantity=Quantity.LIGHT, spot="cellar", topic=topic) for topic in ("a/b", "a/#", "c")]

    assert Routes(sensors).filters == ("a/#", "c")
    assert [sensor.id for sensor in Routes(sensors).of("a/b")] == ["a/b", "a/#"]
