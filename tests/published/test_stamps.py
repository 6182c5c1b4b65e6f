"""[RFC3339]: which date-times a device may send, against a published set of right and wrong ones."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path

import pytest

from collectors.stamps import seconds_of
from monitor.errors import PayloadError

SET = Path(__file__).parents[1] / "data" / "rfc3339" / "date-time.json"
CASES = [
    (case["data"], case["valid"])
    for group in json.loads(SET.read_text(encoding="utf-8"))
    for case in group["tests"]
    if isinstance(case["data"], str)
]


# [RFC3339-SET] all texts of the set: checks which ones are taken, not yet which instant they are.
@pytest.mark.parametrize(("said", "is_valid"), CASES)
def test_a_date_time_is_taken_if_the_standard_takes_it(said: str, is_valid: bool) -> None:
    """What the set calls valid is read, everything else refused."""
    if is_valid:
        assert seconds_of(said) < datetime(2000, 1, 1, tzinfo=UTC).timestamp()
    else:
        with pytest.raises(PayloadError, match=r"is no time|leap second|has no offset"):
            seconds_of(said)


# [RFC3339] section 5.8, its own examples (from memory): each pair is one instant.
@pytest.mark.parametrize(
    ("said", "in_utc"),
    [
        ("1996-12-19T16:39:57-08:00", "1996-12-20T00:39:57Z"),
        ("1990-12-31T23:59:60Z", "1991-01-01T00:00:00Z"),  # the leap second counts as the one after it
        ("1990-12-31T15:59:60-08:00", "1991-01-01T00:00:00Z"),
        ("1937-01-01T12:00:27.87+00:20", "1937-01-01T11:40:27.87Z"),
    ],
)
def test_offsets_and_leap_seconds_give_the_instant(said: str, in_utc: str) -> None:
    """Checks our formula against the standard's examples."""
    assert seconds_of(said) == pytest.approx(datetime.fromisoformat(in_utc).timestamp(), abs=1e-6)


def test_seconds_and_milliseconds_are_told_apart() -> None:
    """A count of 1e11 and more is milliseconds; a text that holds a count is one."""
    assert seconds_of(1772442000) == 1772442000.0
    assert seconds_of(1772442000250) == 1772442000.25
    assert seconds_of("1772442000") == 1772442000.0


def test_a_local_time_needs_the_zone_of_its_device() -> None:
    """Without one it is refused; with one the hour that comes twice in October means the first."""
    assert seconds_of("2026-03-02T10:00:00", "Europe/Berlin") == datetime(2026, 3, 2, 9, tzinfo=UTC).timestamp()
    assert seconds_of("2026-10-25 02:30:00", "Europe/Berlin") == datetime(2026, 10, 25, 0, 30, tzinfo=UTC).timestamp()
    with pytest.raises(PayloadError, match="set time_zone"):
        seconds_of("2026-03-02T10:00:00")


@pytest.mark.parametrize(
    "said", [True, None, [], {}, "", "noon", "2026-03-02", "nan", 10**400, "9999-12-31T23:59:59-12:00"]
)
def test_what_is_no_time_is_refused(said: object) -> None:
    """Also a day alone, which would be taken for its midnight, and a time past the last year."""
    with pytest.raises(PayloadError, match="is no time"):
        seconds_of(said)
