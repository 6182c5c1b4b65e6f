"""Sensors: the list, and each one's own page with its check or set-up, step by step."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import timedelta
from statistics import median
from typing import Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from dashboards.pages.sensors import LATELY, STEPS, Step, build_sensor, build_sensors
from dashboards.web.house import House
from dashboards.web.readings import newest
from dashboards.web.show import back_to, say, show
from dashboards.web.taps import Fields, fields_of
from dashboards.web.writing import write
from monitor.amounts import read_temp
from monitor.calibration import RAW, calibration_at, calibrations_of, salt_humidity
from monitor.desk import Deed, Desk
from monitor.errors import NotFoundError, RefusedError
from monitor.farm import Sensor
from monitor.readings import Quantity
from monitor.sensordeeds import Shown, as_shown_deed, calibrate_deed, read_shown, setup_deed

FRESH = timedelta(minutes=5)
"""What a sensor showed longer ago than this is not taken for what it shows now."""
_LAST = 5


def routes(house: House) -> list[BaseRoute]:
    """Return the routes of Sensors."""

    def listed(request: Request) -> Response:
        now = house.clock()
        tick = house.lookout.moment(now).tick
        unread = house.unread(now - LATELY)
        page = build_sensors(tick, house.ledger.entries(), newest(house), house.live, now=now, unread=unread)
        return show(request, house, "sensors.html", page)

    def one(request: Request) -> Response:
        return _page(request, house, _sensor(house, request.path_params["sensor"]))

    def taken(request: Request) -> Response:
        return _take(request, house)

    return [
        Route("/sensors", listed),
        Route("/sensors/enter", taken, methods=["POST"]),
        Route("/sensors/{sensor}", one, methods=["GET"]),
    ]


def _sensor(house: House, said: str) -> Sensor:
    """Return a sensor by its id.

    Raises:
        NotFoundError: There is none.
    """
    found = house.farm.sensors.get(said)
    if found is None:
        raise NotFoundError(f"There is no sensor {said!r} in farm.toml.")
    return found


def shown_now(house: House, sensor: Sensor) -> float | None:
    """Return what a sensor shows now before any correction: the median of its last readings; None: nothing fresh."""
    now = house.clock()
    made = calibration_at(calibrations_of(house.ledger.entries()).get(sensor.id, ()), now)
    series = sensor.id if made is None else sensor.id + RAW
    block = house.store.read([series], now - FRESH, now + timedelta(minutes=1))
    values = block.value.tolist()[-_LAST:]
    return float(median(values)) if values else None


def _page(
    request: Request, house: House, sensor: Sensor, *, typed: Mapping[str, str] | None = None, wrong: str = ""
) -> Response:
    """Return the page of a sensor, or the same with a form that was refused, as it was filled in."""
    now = house.clock()
    page = build_sensor(
        sensor,
        house.lookout.moment(now).tick,
        house.ledger.entries(),
        newest(house).get(sensor.id),
        house.live,
        now=now,
        shown=shown_now(house, sensor),
        kept=_kept(request, sensor),
        typed=typed,
        wrong=wrong,
    )
    return show(request, house, "sensor.html", page, status=422 if wrong else 200)


def _kept(request: Request, sensor: Sensor) -> dict[str, str]:
    """Return what was answered so far in a sensor's check or set-up, on this device."""
    found: dict[str, Any] = request.state.session.get("steps", {})
    return dict(found.get(sensor.id, {}))


def _keep(request: Request, sensor: Sensor, kept: Mapping[str, str]) -> None:
    """Keep what was answered so far; nothing: forget it."""
    steps = {name: said for name, said in request.state.session.get("steps", {}).items() if name != sensor.id}
    request.state.session["steps"] = {**steps, sensor.id: dict(kept)} if kept else steps


def _take(request: Request, house: House) -> Response:
    """Take a form of a sensor's page."""
    fields = fields_of(request.state.form)
    sensor = _sensor(house, fields.get("sensor"))
    try:
        deed, desk = _deed(request, house, sensor, fields)
    except RefusedError as exc:
        return _page(request, house, sensor, typed=fields.after(""), wrong=str(exc))
    if deed is not None:
        write(house, list(deed.entries))
        _keep(request, sensor, {})
        say(request, *deed.said, *(f"Mind: {each}" for each in desk.warnings))
    return back_to(f"/sensors/{sensor.id}")


def _deed(request: Request, house: House, sensor: Sensor, fields: Fields) -> tuple[Deed | None, Desk]:
    """Return (what is to be written, the desk); nothing is where a step was only noted."""
    desk = Desk(house.farm, house.profiles, house.ledger.entries(), now=house.clock(), by=request.state.person)
    work = fields.get("work")
    if work == "again":
        _keep(request, sensor, {})
        return None, desk
    if work == "as it shows":
        return as_shown_deed(desk, sensor.id), desk
    if work == "ice":
        return calibrate_deed(desk, sensor.id, [(0.0, _shown(house, sensor, fields.get("shown")))]), desk
    if work == "against":
        if not fields.get("right"):
            raise RefusedError("say what the instrument that you trust shows")
        right = _number(house, sensor, fields.get("right"))
        return calibrate_deed(desk, sensor.id, [(right, _shown(house, sensor, fields.get("shown")))]), desk
    if work in ("first jar", "last jar"):
        return _jar(request, house, sensor, fields, desk), desk
    if work == "step":
        _step(request, house, sensor, fields)
        return None, desk
    if work == "set up":
        return _set_up(request, sensor, fields, desk), desk
    raise RefusedError("This button is not known here; reload the page.")


def _number(house: House, sensor: Sensor, said: str) -> float:
    """Return a value as a person types it. [stored unit].

    Raises:
        RefusedError: It is none.
    """
    if sensor.quantity is Quantity.TEMPERATURE:
        return read_temp(said, house.farm.units)
    if sensor.quantity is Quantity.WEIGHT:
        return read_shown(said, house.farm.units)
    try:
        return float(said.replace(",", ".").removesuffix("%").strip())
    except ValueError:
        raise RefusedError(f"{said!r} is no number; give e.g. 73.1") from None


def _shown(house: House, sensor: Sensor, said: str) -> float:
    """Return what a sensor shows: as typed, or as read from it.

    Raises:
        RefusedError: Nothing was typed, and it has said nothing lately.
    """
    if said:
        return _number(house, sensor, said)
    value = shown_now(house, sensor)
    if value is None:
        raise RefusedError(
            f"{sensor.id} has said nothing for {FRESH // timedelta(minutes=1)} minutes; is its battery full, and is "
            "the monitor listening? Type what it shows instead"
        )
    return value


def _jar(request: Request, house: House, sensor: Sensor, fields: Fields, desk: Desk) -> Deed | None:
    """Note the first of two jars, or check the sensor by what is known of one or two."""
    salt = fields.get("salt")
    shown = _shown(house, sensor, fields.get("shown"))
    temp_c = read_temp(fields.get("temp") or "20", house.farm.units) if fields.get("temp") else 20.0
    point = (salt_humidity(salt, temp_c), shown)
    if fields.get("work") == "first jar":
        _keep(request, sensor, {"salt": salt, "shown": f"{shown:g}", "over": repr(point[0])})
        return None
    kept = _kept(request, sensor)
    points = [(float(kept["over"]), float(kept["shown"])), point] if kept.get("salt") else [point]
    return calibrate_deed(desk, sensor.id, points)


def _step(request: Request, house: House, sensor: Sensor, fields: Fields) -> None:
    """Note one step of a scale's set-up.

    Raises:
        RefusedError: It is not the next one, or nothing was said.
    """
    kept = _kept(request, sensor)
    step = next((each for each in STEPS if each.name not in kept), None)
    if step is None or step.name != fields.get("step"):
        raise RefusedError("this step was answered already; the page shows what is next")
    _keep(request, sensor, {**kept, step.name: _answer(house, sensor, step, fields)})


def _answer(house: House, sensor: Sensor, step: Step, fields: Fields) -> str:
    """Return the answer to one step. [g, as text]."""
    said = fields.get("shown")
    if not said and step.may_skip:
        return ""
    if not said and step.is_typed:
        raise RefusedError("type what it weighs, e.g. 1040 or 1.04 kg")
    return f"{_shown(house, sensor, said):g}"


def _set_up(request: Request, sensor: Sensor, fields: Fields, desk: Desk) -> Deed:
    """Return a scale's set-up, from all that was answered.

    Raises:
        RefusedError: A step is missing, or it cannot be.
    """
    kept = _kept(request, sensor)
    missing = next((each for each in STEPS if each.name not in kept), None)
    if missing is not None:
        raise RefusedError(f"one step is missing: {missing.asks}")
    shown = Shown(
        zero_g=float(kept["zero"]),
        known_g=float(kept["known"]),
        known_shown_g=float(kept["known_shown"]),
        tare_g=float(kept["tare"]),
        dry_g=float(kept["dry"]),
        full_g=float(kept["full"]),
        limp_g=float(kept["limp"]) if kept["limp"] else None,
    )
    trays = fields.get("trays") or "1"
    if not trays.isdigit() or not 1 <= int(trays) <= 60:
        raise RefusedError(f"{trays!r} is no number of trays; give 1 to 60")
    return setup_deed(
        desk,
        sensor.id,
        shown,
        trays=int(trays),
        weight_kg=_kg(fields.get("weight")) or 0.0,
        carries_kg=_kg(fields.get("carries")),
    )


def _kg(said: str) -> float | None:
    """Return a weight in kg, or None where nothing was said."""
    if not said:
        return None
    try:
        found = float(said.replace(",", ".").removesuffix("kg").strip())
    except ValueError:
        raise RefusedError(f"{said!r} is no weight in kg; give e.g. 5 or 7.5") from None
    if not 0 <= found <= 1000:
        raise RefusedError(f"{found:g} kg cannot be; give what the label says")
    return found
