"""What the words of Modbus registers mean, and which are read together."""

from __future__ import annotations

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collectors.registers import MOST_WORDS, number_in, spans, value_in, words_of
from monitor.farm import Sensor
from monitor.feeds import WIDTH, Register
from monitor.readings import Quantity

AIR = Sensor(id="air", quantity=Quantity.TEMPERATURE, spot="cellar")


def at(address: int, kind: str = "int16", **more: object) -> Register:
    """Return a register of one transmitter."""
    return Register(sensor=f"s{address}", line="bus", address=address, type=kind, **more)  # type: ignore[arg-type] # a test's shorthand


# Bit patterns are those of IEEE 754 and two's complement, worked out by hand (41AC0000 hex is 21.5).
@pytest.mark.parametrize(
    ("kind", "words", "number"),
    [
        pytest.param("int16", [0xFFFF], -1.0, id="minus one"),
        pytest.param("uint16", [0xFFFF], 65535.0, id="the same bits without a sign"),
        pytest.param("int32", [0xFFFF, 0xFFFE], -2.0, id="two words"),
        pytest.param("uint32", [0x0001, 0x0000], 65536.0, id="the high word first"),
        pytest.param("float32", [0x41AC, 0x0000], 21.5, id="a float"),
        pytest.param("int64", [0, 0, 1, 0], 65536.0, id="four words"),
        pytest.param("float64", [0x4035, 0x8000, 0, 0], 21.5, id="a double"),
    ],
)
def test_words_are_read_by_their_type(kind: str, words: list[int], number: float) -> None:
    """High word first as the standard has it, and turned round where the manual says so."""
    assert number_in(at(0, kind), words) == number
    if len(words) > 1:
        assert number_in(at(0, kind, word_order="little"), words[::-1]) == number


def test_a_wrong_word_order_gives_a_small_number_and_no_error() -> None:
    """So both readings of it are shown to who sets a register up."""
    turned = number_in(at(0, "float32", word_order="little"), [0x41AC, 0x0000])

    assert turned is not None
    assert 0 < turned < 1e-30


def test_scale_offset_and_unit_follow_each_other() -> None:
    """680 tenths of a degree Fahrenheit, and a cell's tare."""
    warm = Sensor(id="air", quantity=Quantity.TEMPERATURE, spot="cellar", unit="degF")
    cell = Sensor(id="scale", quantity=Quantity.WEIGHT, spot="cellar", unit="kg")

    assert value_in(at(0, scale=0.1), warm, [680]) == pytest.approx(20.0)
    assert value_in(at(0, scale=0.001, offset=-0.5), cell, [2350]) == pytest.approx(1850.0)


@pytest.mark.parametrize(
    ("register", "words"),
    [
        pytest.param(at(0, "uint16", missing=(0x8000,)), [0x8000], id="the number of the manual"),
        pytest.param(at(0, "float32"), [0x7FC0, 0], id="not a number"),
        pytest.param(at(0, "float32"), [0x7F80, 0], id="infinite"),
    ],
)
def test_no_value_is_no_reading(register: Register, words: list[int]) -> None:
    """A broken probe's mark is not taken for a temperature."""
    assert value_in(register, AIR, words) is None


def test_neighbours_are_read_together_and_gaps_are_not_bridged() -> None:
    """One request for 0 to 3, another past the gap, others for another table and another unit."""
    found = spans([at(2, "float32"), at(0), at(1), at(9), at(0, table="input"), at(4, device=2)])

    assert [(each.device, each.table, each.address, each.count) for each in found] == [
        (1, "holding", 0, 4), (1, "holding", 9, 1), (1, "input", 0, 1), (2, "holding", 4, 1),
    ]  # fmt: skip


@given(st.lists(st.tuples(st.integers(0, 400), st.sampled_from(sorted(WIDTH))), min_size=1, max_size=60))
def test_every_register_is_read_once_and_no_request_is_too_long(map_: list[tuple[int, str]]) -> None:
    """[MODBUS-APP] 6.3: 125 registers at most; each value's words lie in its own request."""
    registers = [at(address, kind) for address, kind in map_]
    found = spans(registers)

    assert sorted(each.address for span in found for each in span.registers) == sorted(a for a, _ in map_)
    for span in found:
        assert 1 <= span.count <= MOST_WORDS
        memory = list(range(span.address, span.address + span.count))
        for each in span.registers:
            assert list(words_of(each, span, memory)) == list(range(each.address, each.address + WIDTH[each.type]))


@given(st.floats(width=32, allow_nan=False, allow_infinity=False))
def test_any_float_survives_both_orders(number: float) -> None:
    """What struct writes is what is read."""
    words = struct.unpack(">2H", struct.pack(">f", number))

    assert number_in(at(0, "float32"), words) == number
    assert number_in(at(0, "float32", word_order="little"), words[::-1]) == number
