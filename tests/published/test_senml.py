"""[RFC8428]: SenML's own examples, resolved."""

from __future__ import annotations

import json
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collectors.senml import RELATIVE_BELOW, resolve
from monitor.errors import PayloadError


# [RFC8428] 4.5.3: checks our copying of the bound.
def test_times_under_two_to_the_28_are_relative() -> None:
    """2**28 s is 1978-07-04T21:24:16Z; smaller times count from now."""
    assert datetime.fromtimestamp(RELATIVE_BELOW, UTC) == datetime(1978, 7, 4, 21, 24, 16, tzinfo=UTC)
    (record,) = resolve(b'[{"n":"a","t":-5,"v":1}]')
    assert record.absolute_s(1_000_000_000.0) == 999_999_995.0
    (absolute,) = resolve(b'[{"n":"a","t":268435456,"v":1}]')
    assert absolute.absolute_s(1_000_000_000.0) == 268_435_456.0


# [RFC8428] 5.1.2, second example, as the notes on the text describe it.
def test_base_fields_hold_for_all_later_records() -> None:
    """Voltage once, then six currents at -5 to 0 s with base name, time and unit."""
    pack: list[dict[str, object]] = [
        {
            "bn": "urn:dev:ow:10e2073a0108006:",
            "bt": 1.276020076001e9,
            "bu": "A",
            "bver": 5,
            "n": "voltage",
            "u": "V",
            "v": 120.1,
        },
        {"n": "current", "t": -5, "v": 1.2},
        {"n": "current", "t": -4, "v": 1.3},
        {"n": "current", "t": -3, "v": 1.4},
        {"n": "current", "t": -2, "v": 1.5},
        {"n": "current", "t": -1, "v": 1.6},
        {"n": "current", "v": 1.7},
    ]
    records = resolve(json.dumps(pack).encode())

    assert [record.unit for record in records] == ["V", *["A"] * 6]
    assert [record.value for record in records] == [120.1, 1.2, 1.3, 1.4, 1.5, 1.6, 1.7]
    assert records[1].time_s == pytest.approx(1.276020071001e9, abs=1e-6)
    assert records[6].name == "urn:dev:ow:10e2073a0108006:current"


# [RFC8428] section 5, the files of the examples with their resolved form (records with numbers are compared).
@pytest.mark.shared
@pytest.mark.parametrize("name", [f"ex{number}" for number in range(1, 13)])
def test_the_rfcs_examples_resolve_as_printed(shared_data: Path, name: str) -> None:
    """Name, unit, value and time of each record are those of the resolved form."""
    folder = shared_data / "vectors" / "senml_rfc8428"
    pack = (folder / f"{name}.json").read_bytes()
    printed = json.loads((folder / f"{name}.gen.resolved.json").read_text(encoding="utf-8"))

    records = sorted(resolve(pack), key=lambda record: record.time_s)
    printed = sorted(printed, key=lambda record: record.get("t", 0))

    assert sorted((r.name, r.unit, r.value) for r in records if r.value is not None) == sorted(
        (p["n"], p.get("u"), float(p["v"])) for p in printed if "v" in p
    )
    if all(record.time_s >= RELATIVE_BELOW for record in records):  # others were resolved at the authors' "now"
        assert [r.time_s for r in records] == pytest.approx([p["t"] for p in printed], abs=1e-3)


@pytest.mark.parametrize(
    ("pack", "says"),
    [
        ('[{"n":"a"}]', "no value"),
        ('[{"n":"a","v":1,"vs":"x"}]', "more than one value"),
        ('[{"n":"a","v":1,"must_":2}]', "must be understood"),
        ('[{"n":"?a","v":1}]', "name '\\?a'"),
        ('[{"bver":11,"n":"a","v":1}]', "newer than 10"),
        ('[{"n":"a","v":"1"}]', "must be a number"),
        ("[]", "empty SenML pack"),
        ('{"n":"a"}', "not a SenML pack"),
    ],
)
def test_what_the_rfc_forbids_is_refused(pack: str, says: str) -> None:
    """Each refusal names the record and the rule."""
    with pytest.raises(PayloadError, match=says):
        resolve(pack.encode())


@given(st.binary(max_size=80) | st.text(max_size=60).map(str.encode))
def test_any_bytes_give_records_or_a_payload_error(payload: bytes) -> None:
    """Nothing that a device sends raises anything else."""
    with suppress(PayloadError):
        resolve(payload)
