"""Ten thousand trays, two collectors, two watchers and three servers, each killed or stopped once: nothing is lost."""

from __future__ import annotations

import pytest

from tests.bench.rooms import ROOMS, faults

pytestmark = [pytest.mark.live, pytest.mark.xdist_group("rooms")]


def test_nothing_is_lost_and_nothing_is_told_twice() -> None:
    """The trays are SIMULATED and their time runs 20 times as fast; processes, broker and databases are real.

    A mosquitto that is killed is outside of this: it has what it said it has on its disk only now and then.
    """
    outcome = faults(minutes=20, trays=10_000 // ROOMS, speed=20, tell=False)

    assert outcome.readings == 200_200
    assert outcome.wrong == 0
    assert outcome.told >= 20  # a soak falls due every minute
    assert (outcome.told_twice, outcome.stages_twice) == (0, 0)
    assert outcome.taken_over_s < 60
