"""What Sensors shows: each with its last value, age, flags and calibration; its check or set-up by steps; pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from alerts.answers import answers_of
from alerts.findings import Tick
from dashboards.pages.ages import say_age
from dashboards.pages.figures import DAY, ShownFigure, figure_of, say
from monitor.amounts import Units, say_g, say_time
from monitor.calibration import SALTS, Calibration, calibration_at, calibrations_of
from monitor.farm import Sensor
from monitor.ledger import Entry
from monitor.live import LiveState
from monitor.readings import Flag, Quantity, Reading
from monitor.scalesetup import ScaleSetup, setup_at, setups_of
from monitor.sensordeeds import CAUTION

LATELY = timedelta(days=7)
"""What could not be read longer ago than this is told by the command alone."""
FLAG_WORDS = {Flag.SUSPECT: "doubtful", Flag.FAIL: "cannot be right", Flag.MISSING: "missing"}


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorRow:
    """One sensor in the list.

    Attributes:
        id: Its id.
        opens: Address of its own page.
        what: What it measures.
        where: Where.
        figure: Its last usable value.
        last: Its last value of any flag, where that is another one; empty: it is the same.
        flags: How many of the last day's readings are doubtful; empty: none.
        set_up: How it is corrected or set up.
        is_bare: It was never checked or set up.
        battery: What its device last said of its battery, with its age; empty: nothing.
        rest: Until when it is out of service, and why; empty: it serves.
    """

    id: str
    opens: str
    what: str
    where: str
    figure: ShownFigure
    last: str
    flags: str
    set_up: str
    is_bare: bool
    battery: str
    rest: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorsPage:
    """All sensors in walking order.

    Attributes:
        says: Day and time.
        rows: One each.
        unread: How much of what came in lately could not be read; empty: nothing.
    """

    says: str
    rows: tuple[SensorRow, ...]
    unread: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One step of a scale's set-up.

    Attributes:
        name: Its name in the form.
        asks: What is to be done.
        label: What is typed.
        is_typed: It must be typed; else the scale itself answers where nothing is.
        may_skip: It may be left out.
    """

    name: str
    asks: str
    label: str
    is_typed: bool = False
    may_skip: bool = False


STEPS = (
    Step(name="zero", asks="Take everything off the scale, and wait a minute.", label="It shows"),
    Step(
        name="known",
        asks="Take something heavy whose weight you know: a full litre bottle, weighed on a kitchen scale.",
        label="It weighs",
        is_typed=True,
    ),
    Step(name="known_shown", asks="Put it on the scale, in the middle, and wait a minute.", label="The scale shows"),
    Step(name="tare", asks="Take it off. Put on an empty tray with its bottom tray.", label="The scale shows"),
    Step(name="dry", asks="Fill the tray with dry medium, as for sowing, without seed.", label="The scale shows"),
    Step(
        name="full",
        asks="Water it until it takes no more, let it drain for half an hour, and put it back.",
        label="The scale shows",
    ),
    Step(
        name="limp",
        asks="If you have a tray whose plants limp: cut the plants off and put it on. Else leave this out.",
        label="The scale shows",
        is_typed=True,
        may_skip=True,
    ),
)
"""What is put on a scale in turn, as `traywarden scale setup` asks it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Setup:
    """A scale's set-up as far as it has come.

    Attributes:
        step: The step that is next; None: all is answered, it is to be kept.
        number: Its number, from 1.
        count: How many there are.
        answered: (what was asked, what was answered) of those before.
        caution: What to take care of, first.
    """

    step: Step | None
    number: int
    count: int
    answered: tuple[tuple[str, str], ...]
    caution: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorPage:
    """The page of one sensor.

    Attributes:
        row: As in the list.
        now: What it shows now, before any correction, with its age; empty: nothing fresh.
        history: Corrections or set-ups, newest first.
        way: How it is checked: ``ice``, ``salt``, ``scale``; empty: it is not.
        salts: Salts and the humidity over them, as (name, words).
        first_jar: The first of two jars as it was noted, in words; empty: none was.
        setup: A scale's set-up; None: it is no scale.
        unit: Unit in which values are typed.
        typed: What stood in a form that was refused.
        wrong: Why it was refused; empty: it was not.
    """

    row: SensorRow
    now: str
    history: tuple[str, ...]
    way: str
    salts: tuple[tuple[str, str], ...]
    first_jar: str
    setup: Setup | None
    unit: str
    typed: Mapping[str, str]
    wrong: str


def build_sensors(
    tick: Tick,
    entries: Sequence[Entry],
    newest: Mapping[str, Reading],
    live: LiveState,
    *,
    now: datetime,
    unread: int = 0,
) -> SensorsPage:
    """Return all sensors in walking order.

    Args:
        tick: The moment.
        entries: The whole ledger.
        newest: The newest reading of each sensor, whatever its flag.
        live: The last hours of each sensor.
        now: The instant by which ages are reckoned.
        unread: How much of what came in since LATELY before it could not be read.
    """
    order = tick.farm.places.walking_order
    listed = sorted(tick.farm.sensors.values(), key=lambda sensor: (order(sensor.spot), sensor.quantity.value))
    rows = tuple(row_of(sensor, tick, entries, newest.get(sensor.id), live, now) for sensor in listed)
    some = f"{unread} message{'s' if unread > 1 else ''} of the last week could not be read." if unread else ""
    return SensorsPage(says=say_time(now, tick.farm.zone), rows=rows, unread=some)


def row_of(
    sensor: Sensor, tick: Tick, entries: Sequence[Entry], newest: Reading | None, live: LiveState, now: datetime
) -> SensorRow:
    """Return one sensor of the list."""
    farm = tick.farm
    figure = figure_of(sensor, newest, live, tick, now)
    last = ""
    if newest is not None and newest.flag in FLAG_WORDS:
        age = say_age(now - newest.measured_at)
        last = f"{say(sensor.quantity, newest.value, tick)}, {FLAG_WORDS[newest.flag]}, {age}"
    doubted, heard = live.doubted(sensor.id, now - DAY)
    rest = answers_of(entries).resting.get(sensor.id)
    set_up, is_bare = _set_up(sensor, entries, tick, now)
    until = f" until {say_time(rest.until, farm.zone)}" if rest and rest.until else ""
    return SensorRow(
        id=sensor.id,
        opens=f"/sensors/{sensor.id}",
        what=sensor.quantity.value,
        where=farm.places.name(sensor.spot) + (", under the cover" if sensor.under_cover else ""),
        figure=figure,
        last=last,
        flags=f"{doubted} of {heard} readings of the last day doubtful" if doubted else "",
        set_up=set_up,
        battery=_battery(sensor, tick, live, now),
        is_bare=is_bare,
        rest=f"out of service{until}: {rest.why}" if rest is not None and rest.holds(now) else "",
    )


LOW_BATTERY_PCT = 20.0
"""Under this a battery is to be changed soon. Common practice, no source. [%]"""


def _battery(sensor: Sensor, tick: Tick, live: LiveState, now: datetime) -> str:
    """Return what the device of a sensor (whatever publishes on the same topic) last said of its battery."""
    if sensor.topic is None or sensor.quantity is Quantity.BATTERY:
        return ""
    for other in tick.farm.sensors.values():
        reading = live.latest(other.id)
        if other.quantity is Quantity.BATTERY and other.topic == sensor.topic and reading is not None:
            low = ", LOW" if reading.value < LOW_BATTERY_PCT else ""
            return f"battery {reading.value:.0f} %{low}, {say_age(now - reading.measured_at)}"
    return ""


def _set_up(sensor: Sensor, entries: Sequence[Entry], tick: Tick, now: datetime) -> tuple[str, bool]:
    """Return (how a sensor is corrected or set up, whether it never was)."""
    if sensor.quantity is Quantity.WEIGHT:
        held = setup_at(setups_of(entries, tick.farm.sensors).get(sensor.id, ()), now)
        return ("never set up", True) if held is None or held.full_g is None else (_setup_words(held, tick), False)
    made = calibration_at(calibrations_of(entries).get(sensor.id, ()), now)
    if made is None:
        checked = sensor.quantity in (Quantity.TEMPERATURE, Quantity.HUMIDITY)
        return "never checked: counts as it shows" if checked else "counts as it shows", checked
    return _calibration_words(made, tick), False


def _setup_words(held: ScaleSetup, tick: Tick) -> str:
    """Return a scale's set-up in words."""
    units: Units = tick.farm.units
    since = "by farm.toml" if held.since.year == 1970 else f"since {say_time(held.since, tick.farm.zone)}"
    limp = "weighed" if held.limp_is_measured else "reckoned"
    full, limps = say_g(held.full_g or 0.0, units), say_g(held.limp_g or 0.0, units)
    return f"set up {since}: full {full}, limp {limps} ({limp}), zero {say_g(held.zero_g, units)}"


def _calibration_words(made: Calibration, tick: Tick) -> str:
    """Return a calibration in words."""
    since = say_time(made.since, tick.farm.zone)
    if made.factor == 1.0 and made.offset == 0.0:
        return f"since {since} it counts as it shows"
    times = "" if made.factor == 1.0 else f"{made.factor:g} times "
    return f"checked {since}: counts as {times}what it shows, {made.offset:+g}"


def build_sensor(
    sensor: Sensor,
    tick: Tick,
    entries: Sequence[Entry],
    newest: Reading | None,
    live: LiveState,
    *,
    now: datetime,
    shown: float | None,
    kept: Mapping[str, str],
    typed: Mapping[str, str] | None = None,
    wrong: str = "",
) -> SensorPage:
    """Return the page of one sensor.

    Args:
        sensor: The sensor.
        tick: The moment.
        entries: The whole ledger.
        newest: Its newest reading, whatever its flag.
        live: The last hours of each sensor.
        now: The instant.
        shown: What it shows now, before any correction; None: nothing fresh. [stored unit]
        kept: What was answered so far in its check or set-up.
        typed: What stood in a form that was refused.
        wrong: Why it was refused.
    """
    is_scale = sensor.quantity is Quantity.WEIGHT
    if is_scale:
        setups = setups_of(entries, tick.farm.sensors).get(sensor.id, ())
        history = [_setup_words(each, tick) for each in reversed(setups) if each.full_g is not None]
    else:
        history = [_calibration_words(each, tick) for each in reversed(calibrations_of(entries).get(sensor.id, ()))]
    way = {Quantity.TEMPERATURE: "ice", Quantity.HUMIDITY: "salt", Quantity.WEIGHT: "scale"}.get(sensor.quantity, "")
    units = {Quantity.TEMPERATURE: "°C", Quantity.HUMIDITY: "%", Quantity.WEIGHT: "g"}
    us = tick.farm.units == "US" and sensor.quantity is Quantity.TEMPERATURE
    return SensorPage(
        row=row_of(sensor, tick, entries, newest, live, now),
        now="" if shown is None else _exact(sensor.quantity, shown, us=us),
        history=tuple(history),
        way=way,
        salts=tuple((name, f"{name}: {over[0]:.1f} % at 20 °C") for name, over in SALTS.items()),
        first_jar=f"{kept['salt']} showed {kept['shown']} %" if kept.get("salt") else "",
        setup=_setup(kept) if is_scale else None,
        unit="°F" if us else units.get(sensor.quantity, ""),
        typed=dict(typed or {}),
        wrong=wrong,
    )


def _exact(quantity: Quantity, value: float, *, us: bool) -> str:
    """Return a value to the last figure that a check needs."""
    if quantity is Quantity.TEMPERATURE:
        return f"{value * 1.8 + 32:.2f} °F" if us else f"{value:.2f} °C"
    return f"{value:.1f} %" if quantity is Quantity.HUMIDITY else f"{value:.1f} g"


def _setup(kept: Mapping[str, str]) -> Setup:
    """Return a scale's set-up as far as it has come."""
    answered = [step for step in STEPS if step.name in kept]
    left = [step for step in STEPS if step.name not in kept]
    return Setup(
        step=left[0] if left else None,
        number=len(answered) + 1,
        count=len(STEPS),
        answered=tuple((step.asks, f"{kept[step.name]} g" if kept[step.name] else "left out") for step in answered),
        caution=CAUTION,
    )
