"""The ranges of simulated room-weeks: each has a source and two ends, and what is drawn lies between them."""

from __future__ import annotations

import numpy as np

from simulated_feeds import weekparameters as week
from simulated_feeds.lifeparameters import Range


def _ranges() -> list[Range]:
    """Return every range of the file."""
    of_kinds = [getattr(each, name) for table in (week.BUILDINGS, week.CLIMATES) for each in table.values()
                for name in each.__dataclass_fields__]  # fmt: skip
    named = [*week.RANGES.values(), *week.SPIKE_SIZE.values(), week.QUIET_LEAD_H, week.QUIET_GAP_H]
    return [*named, *(each for each in of_kinds if isinstance(each, Range))]


def test_every_range_of_a_room_week_has_a_source_and_two_ends() -> None:
    """No number without a mark, none upside down; faults, shares and choices likewise."""
    for span in _ranges():
        assert span.source
        assert span.low <= span.high
    for fault in week.FAULTS.values():
        assert fault.source
        assert fault.hours[0] <= fault.hours[1]
        assert fault.severity[0] <= fault.severity[1]
    for share, source in week.SHARES.values():
        assert source
        assert 0 <= share <= 1
    assert all(choice.source and choice.values for choice in week.CHOICES.values())


def test_every_kind_of_fault_has_its_range() -> None:
    """None is drawn without hours and severity."""
    assert set(week.FAULTS) == set(week.FaultKind)


def test_what_is_drawn_lies_in_its_range() -> None:
    """Both ends hold, and the same stream draws the same."""
    for name, span in week.RANGES.items():
        drawn = [week.draw(np.random.default_rng(seed), name) for seed in range(20)]
        assert all(span.low <= each <= span.high for each in drawn)
        assert drawn[3] == week.draw(np.random.default_rng(3), name)
