"""Simulated room-weeks: heat and vapour close, faults do what they do, and a seed is a week."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from monitor.fold import fold_as_of
from monitor.profilefile import load_profiles
from monitor.readings import Quantity
from simulated_feeds.roomfaults import Fault
from simulated_feeds.roomplan import ROOM, SensorModel
from simulated_feeds.roomsaid import said_of, true_at
from simulated_feeds.roomweek import RoomWeek, room_week
from simulated_feeds.weekparameters import JUDGED_DAYS, FaultKind

PROFILES = load_profiles(None)
WEEKS = {seed: room_week(seed, PROFILES, faults=()) for seed in range(1000, 1009)}


def _with(seed: int, kind: FaultKind, *, index: int = -1, where: str = ROOM, hours: int = 40) -> RoomWeek:
    """Return a week with one fault, a day into the judged week."""
    begins = WEEKS[seed].judged_from + 1440
    fault = Fault(kind=kind, where=where, index=index, begins=begins, ends=begins + 60 * hours, severity=2.0)
    return room_week(seed, PROFILES, faults=(fault,))


@pytest.mark.parametrize("seed", list(WEEKS)[:6])
def test_heat_and_vapour_of_every_simulated_room_close(seed: int) -> None:
    """What came in less what went out is what is kept: to a joule of megajoules, to a milligram."""
    balance = WEEKS[seed].truth.air.balance

    assert balance.heat_in_j > 1e6
    assert balance.heat_in_j - balance.heat_out_j == pytest.approx(balance.heat_kept_j, abs=1.0)
    assert balance.vapour_in_g - balance.vapour_out_g == pytest.approx(balance.vapour_kept_g, abs=1e-3)


def test_a_dead_heater_lets_the_room_cool_towards_the_weather() -> None:
    """Colder than without the fault at its end in every heated room, never under weather, ground and neighbours."""
    seen = 0
    for seed, calm in WEEKS.items():
        if calm.truth.air.heater_w[calm.judged_from :].mean() < 150:
            continue
        week = _with(seed, FaultKind.HEATER_DEAD)
        fault = week.faults[0]
        now, before = week.truth.air.temp_c[fault.ends - 1], week.calm.air.temp_c[fault.ends - 1]
        seen += 1
        assert now < before - 0.5
        assert now > min(week.plan.building.still_c, week.climate.season_c) - 15
        assert week.truth.air.heater_w[fault.begins : fault.ends].max() == 0
    assert seen >= 3


def test_a_dead_fan_dampens_the_canopy_of_its_rack_only() -> None:
    """By day, over lit trays: its own shelves get damper, other racks' hardly."""
    seed = next(seed for seed, week in WEEKS.items() if len(week.plan.lamps) > 1)
    week = _with(seed, FaultKind.FAN_DEAD, index=0, where=f"{ROOM}/1")
    fault, rack = week.faults[0], np.array([shelf.rack for shelf in week.plan.shelves])
    span = slice(fault.begins + 60, fault.ends)
    vapour = [_vapour(truth.shelves.temp_c, truth.shelves.humidity_pct)[:, span] for truth in (week.truth, week.calm)]
    more = (vapour[0] - vapour[1]).mean(axis=1)

    assert more[rack == 0].max() > 0.1
    assert abs(more[rack != 0]).max() < 0.2 * more[rack == 0].max()


def _vapour(temp_c: np.ndarray, humidity_pct: np.ndarray) -> np.ndarray:
    """Return the pressure of vapour. [kPa]."""
    return np.asarray(0.6108 * np.exp(17.27 * temp_c / (temp_c + 237.3)) * humidity_pct / 100)


def test_a_seed_is_a_week_and_another_seed_another() -> None:
    """The same seed says the same to the last digit; the next one does not."""
    first, again, other = room_week(1003, PROFILES), room_week(1003, PROFILES), room_week(1004, PROFILES)

    assert np.array_equal(first.said.value, again.said.value)
    assert np.array_equal(first.said.arrival_ms, again.said.arrival_ms)
    assert first.entries == again.entries
    assert len(first.said) != len(other.said) or not np.array_equal(first.said.value, other.said.value)


def test_truth_reaches_what_is_said_through_the_sensor_model_only() -> None:
    """Thermometers that are off by 5 degC, without noise or lag, say the truth and 5, at its own minute."""
    week = WEEKS[1005]

    def exact(model: SensorModel) -> SensorModel:
        return replace(model, offset=5.0, scale=1.0, noise=0.0, step=0.0001, lag_min=0.0, lamp_error=0.0)

    nodes = tuple(replace(node, sensors=tuple(exact(each) for each in node.sensors)) for node in week.plan.nodes)
    plan = replace(week.plan, nodes=nodes)

    said = said_of(np.random.default_rng(1), plan, week.minutes, week.truth, ())

    start_ms = week.minutes.start.timestamp() * 1000
    for number, model in enumerate(plan.sensors):
        if model.quantity is not Quantity.TEMPERATURE:
            continue
        mine = said.sensor == number
        minute = np.minimum(((said.measured_at_ms[mine] - start_ms) / 60_000).astype(int), len(week.minutes) - 1)
        off = np.abs(said.value[mine] - true_at(plan, week.truth, model)[minute] - 5.0)
        assert np.quantile(off, 0.999) < 0.001  # a measured instant is kept to the millisecond, so a few fall next door


def test_a_fault_of_a_sensor_changes_nothing_that_is_true() -> None:
    """A stuck sensor says one number; the room is the same."""
    sensor = next(WEEKS[1006].plan.sensors)
    week = _with(1006, FaultKind.SENSOR_STUCK, index=0, where=sensor.id)
    fault, said = week.faults[0], week.said
    minute = (said.measured_at_ms - week.minutes.start.timestamp() * 1000) / 60_000
    stuck = (said.sensor == 0) & (minute >= fault.begins) & (minute < fault.ends)

    assert week.truth is week.calm
    assert len(np.unique(said.value[stuck])) == 1
    assert len(np.unique(said.value[said.sensor == 0])) > 5


@pytest.mark.parametrize("seed", list(WEEKS))
def test_the_ledger_of_every_simulated_week_folds(seed: int) -> None:
    """At its end as on any of its days, and each judged week is seven days long."""
    week = WEEKS[seed]

    assert (len(week.minutes) - week.judged_from) // 60 in (
        JUDGED_DAYS * 24 - 1,
        JUDGED_DAYS * 24,
        JUDGED_DAYS * 24 + 1,
    )
    for day in range(9):
        batches = fold_as_of(week.entries, week.minutes.at(1440 * day + 900))
        assert all(batch.crop in PROFILES for batch in batches.values())


def test_faults_have_quiet_time_round_them() -> None:
    """The first begins half a day into the judged week at the earliest, the next a day after its end."""
    drawn = 0
    for seed in range(1000, 1018):
        week = room_week(seed, PROFILES)
        for fault in week.faults:
            drawn += 1
            assert fault.begins >= week.judged_from + 720
            assert fault.begins < fault.ends <= len(week.minutes)
        if len(week.faults) == 2:
            assert week.faults[1].begins - week.faults[0].ends >= 1440
    assert drawn > 8
