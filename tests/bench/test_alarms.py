"""The benchmark of the alarms: doses, harm and verdicts on SIMULATED weeks are what they are said to be."""

from __future__ import annotations

from collections import defaultdict
from datetime import datetime, timedelta
from itertools import pairwise

import numpy as np
import pytest

from monitor.readings import Quantity
from simulated_feeds.roomfaults import Fault
from simulated_feeds.roomplan import ROOM
from simulated_feeds.roomweek import RoomWeek, room_week
from simulated_feeds.weekparameters import FaultKind
from tests.bench.alarms import MATCHES, PROFILES, Judge, Way, result, run
from tests.bench.harm import Harm, dose_of, harm_of, lasting
from tests.bench.told import FIXED_AGAIN, Told, Watched, by_fixed_limits, flagged_readings


def test_a_dose_is_collected_through_less_than_an_hour_inside() -> None:
    """Two hours 3 degC outside, half an hour inside, an hour 1 degC outside: 7; after an hour inside 0 again."""
    beyond = np.concatenate([np.full(120, 3.0), np.zeros(30), np.full(60, 1.0), np.zeros(90), np.full(30, 2.0)])

    dose = dose_of(beyond)

    assert dose[119] == pytest.approx(6.0)
    assert dose[209] == pytest.approx(7.0)
    assert dose[280] == 0.0
    assert dose[-1] == pytest.approx(1.0)


def test_lasting_asks_for_an_unbroken_time() -> None:
    """A break begins it anew."""
    holds = np.array([True] * 5 + [False] + [True] * 5)

    assert lasting(holds, 4).tolist() == [False] * 3 + [True, True] + [False] * 4 + [True, True]


def _struck(
    seed: int, kind: FaultKind, *, where: str = ROOM, index: int = -1, hours: int = 48
) -> tuple[RoomWeek, Harm]:
    """Return a week with one fault, a day into the judged week, and its harm."""
    begins = room_week(seed, PROFILES, faults=()).judged_from + 1440
    fault = Fault(kind=kind, where=where, index=index, begins=begins, ends=begins + 60 * hours, severity=1.0, sign=-1)
    week = room_week(seed, PROFILES, faults=(fault,))
    return week, harm_of(week, PROFILES)


@pytest.mark.parametrize("seed", [2001, 2010])
def test_a_dead_heater_harms_when_the_true_dose_passes_the_profiles(seed: int) -> None:
    """In two heated rooms in winter: the worst batch's share of its dose passes 1 just then, not a minute before."""
    week, harm = _struck(seed, FaultKind.HEATER_DEAD)
    at = harm.harmful_at(week.faults[0])

    assert at is not None
    assert at > week.faults[0].begins + 60
    assert max(share[int(at)] for share in harm.share.values()) >= 1
    assert max(share[int(at) - 1] for share in harm.share.values()) < 1


def test_a_silent_node_harms_after_half_an_hour_or_three_intervals() -> None:
    """What only sensors have has its own clock."""
    week, harm = _struck(2001, FaultKind.ALL_SILENT)
    interval = week.plan.nodes[0].interval_s / 60

    assert harm.harmful_at(week.faults[0]) == week.faults[0].begins + max(30, 3 * interval)


@pytest.mark.parametrize("kind", [FaultKind.CLOCK_OFF, FaultKind.TWICE, FaultKind.LATE])
def test_what_must_only_raise_nothing_does_no_harm(kind: FaultKind) -> None:
    """Wrong clocks, duplicates and late packets are never found or missed."""
    week, harm = _struck(2002, kind, where="room", index=0, hours=10)

    assert harm.harmful_at(week.faults[0]) is None


def test_readings_get_time_and_flags_as_in_the_pipeline() -> None:
    """A device two hours ahead: its readings carry the instant of their arrival; what comes twice is one."""
    begins = room_week(2003, PROFILES, faults=()).judged_from + 1440
    fault = Fault(kind=FaultKind.CLOCK_OFF, where="room", index=0, begins=begins, ends=begins + 600, severity=120.0)
    week = room_week(2003, PROFILES, faults=(fault,))

    arrived = flagged_readings(week)

    said = set(zip(week.said.sensor.tolist(), week.said.measured_at_ms.tolist(), strict=True))
    kept = set(zip(arrived.block.sensor_index.tolist(), arrived.block.measured_at_ms.tolist(), strict=True))
    assert len(kept) >= len(said)  # a copy with a wrong clock cannot be known as one
    assert (arrived.block.measured_at_ms <= arrived.arrival_ms + 300_000).all()
    assert set(np.unique(arrived.block.flag)) <= {1, 3, 4}


def _told(week: RoomWeek, minute: int, rule: str) -> Told:
    at = week.minutes.at(minute)
    return Told(at=at, told_at=at, rule=rule, spot=ROOM, urgent=True, text=rule)


def test_an_alarm_is_false_unless_a_fault_or_the_truth_bears_it_out() -> None:
    """During the fault and just after it right, the day before false, true or not of the wrong kind false."""
    week, harm = _struck(2004, FaultKind.HEATER_DEAD, hours=20)
    harm.share = {side: np.zeros_like(share) for side, share in harm.share.items()}
    harm.out_of_reach = set()
    judge, fault = Judge(week, harm), week.faults[0]

    assert judge.is_false(_told(week, fault.begins - 600, "too cold"), ())
    assert not judge.is_false(_told(week, fault.begins + 600, "too cold"), ())
    assert not judge.is_false(_told(week, fault.ends + 300, "too cold"), ())
    assert judge.is_false(_told(week, fault.begins + 600, "sensor is silent"), ())
    harm.share["cold"] = harm.share["cold"] + 0.4
    assert not judge.is_false(_told(week, fault.begins - 600, "too cold"), ())


def test_a_room_that_cannot_reach_a_band_may_be_told_of_once() -> None:
    """The second time is false."""
    week = room_week(2005, PROFILES, faults=())
    harm = harm_of(week, PROFILES)
    harm.out_of_reach = {"cold"}
    judge, first = Judge(week, harm), _told(week, week.judged_from + 60, "too cold")

    assert not judge.is_false(first, ())
    assert judge.is_false(_told(week, week.judged_from + 3000, "too cold"), (first,))


def test_a_fault_is_found_by_news_of_its_kind_until_an_hour_after_it() -> None:
    """Minutes count from the harm on, before it negative; later news has not found it."""
    week, harm = _struck(2006, FaultKind.ALL_SILENT, hours=5)
    judge, fault = Judge(week, harm), week.faults[0]
    quick, late = (_told(week, minute, "nothing is heard") for minute in (fault.begins + 20, fault.ends + 90))
    other = _told(week, fault.begins + 20, "too cold")

    def row(*told: Told) -> tuple[bool, float | None]:
        found = judge.rows(Watched(told, by_fixed_limits(week, timedelta(hours=1)).nudges))[0]
        return found.found, found.minutes

    found, minutes = row(quick)
    assert found
    assert minutes == pytest.approx(fault.begins + 20 - (harm.harmful_at(fault) or 0))
    assert row(late) == (False, None)
    assert row(other) == (False, None)


def test_the_plain_script_tells_again_after_an_hour_at_the_earliest() -> None:
    """Of one sensor and one condition."""
    week = room_week(2003, PROFILES, faults=())
    rules: dict[str, list[datetime]] = defaultdict(list)
    for each in by_fixed_limits(week, timedelta(minutes=5)).told:
        if each.spot == ROOM:
            rules[each.rule].append(each.at)

    assert sum(len(told) for told in rules.values()) > 5
    for told in rules.values():
        assert all(later - earlier >= FIXED_AGAIN for earlier, later in pairwise(told))


def test_every_kind_of_fault_says_what_finds_it() -> None:
    """Also those that nothing may find."""
    assert set(MATCHES) == set(FaultKind)


def test_the_stays_of_a_batch_do_not_overlap() -> None:
    """Each minute of a batch has one place and phase."""
    week = room_week(2007, PROFILES, faults=())
    stays = harm_of(week, PROFILES).stays

    assert stays
    for batch in {stay.batch for stay in stays}:
        spans = sorted((stay.begins, stay.ends) for stay in stays if stay.batch == batch)
        assert all(ends <= begins for (_, ends), (begins, _) in pairwise(spans))
    assert any(stay.bands(Quantity.TEMPERATURE) for stay in stays)


def test_three_room_weeks_give_the_line_of_json() -> None:
    """All its names, for the rules and for the plain script."""
    total = run(seed=7, weeks=3, look=60, workers=1)
    found = result(total, seed=7)

    names = ["faults_found", "false_alarms_per_room_month", "nudges_p95_ordinary_day", "minutes_to_told_median",
             "minutes_to_told_p90"]  # fmt: skip
    assert found["room_weeks"] == 3
    assert {*names, *(f"{name}_fixed_limits" for name in names)} <= set(found)
    assert total[Way.OURS].weeks == total[Way.FIXED].weeks == 3
    assert total[Way.OURS].ordinary_days
