"""The JSON facts, the document that describes them, and the metrics: for programs, which look and change nothing."""

from __future__ import annotations

import functools
from collections.abc import Callable, Mapping
from datetime import date, datetime, timedelta
from importlib.metadata import version
from typing import Any

from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import BaseRoute, Route

from alerts.alarmbook import alarms_facts, shown
from alerts.answers import answers_of
from alerts.coming import coming_day
from alerts.planning import laid_out, plan_json, seed_of_lots
from alerts.promised import LOOKS_AHEAD, covers_at, owed_at, supplies_at
from alerts.proposals import proposals, seen_facts
from dashboards.facts.batches import batch_facts, batches_facts
from dashboards.facts.coming import is_ahead, promises_facts, ready_facts, sow_by_facts
from dashboards.facts.covers import covers_facts
from dashboards.facts.dry import dry_facts, water_view
from dashboards.facts.holds import holds_facts
from dashboards.facts.light import light_facts, light_rows, light_sensors
from dashboards.facts.lots import lots_facts, lots_shown
from dashboards.facts.measured import measured_parts
from dashboards.facts.profiles import profile_facts, profiles_facts
from dashboards.facts.rounds import round_view, rounds_facts
from dashboards.facts.sensors import sensor_rows, sensors_facts
from dashboards.facts.status import is_running, status_facts
from dashboards.metrics import CONTENT_TYPE, families, metrics_text
from dashboards.openapi import BASE, QUESTIONS, Question, openapi_document
from dashboards.records import build_records, records_facts
from dashboards.web.house import House
from monitor.ahead import ready as ready_rows
from monitor.clock import local_day
from monitor.covers import covers_of
from monitor.errors import NotFoundError, RefusedError
from monitor.holds import holds_of
from monitor.ledger import effective
from monitor.phases import spans
from monitor.profilefile import find_profile
from monitor.sowby import sow_by
from monitor.timewords import read_day, read_instant

Said = Mapping[str, Any]
_OUTBOX_FOR = timedelta(days=30)
_READY_DAYS = 8


def routes(house: House) -> list[BaseRoute]:
    """Return the routes for programs."""
    answers: dict[str, Callable[[Said], dict[str, Any]]] = {
        each.name: functools.partial(_ANSWERS[each.name], house) for each in QUESTIONS
    }

    def route(question: Question) -> Route:
        def answer(request: Request) -> Response:
            said = {**read_wishes(question, request), **request.path_params}
            return JSONResponse(answers[question.name](said))

        return Route(BASE + question.path, answer, methods=["GET"], name=question.name)

    def document(request: Request) -> Response:
        return JSONResponse(openapi_document(version("traywarden")))

    def metrics(request: Request) -> Response:
        return Response(_metrics(house), headers={"Content-Type": CONTENT_TYPE})

    return [
        *(route(each) for each in QUESTIONS),
        Route("/openapi.json", document, methods=["GET"]),
        Route("/metrics", metrics, methods=["GET"]),
    ]


def read_wishes(question: Question, request: Request) -> dict[str, Any]:
    """Return what was said with a question, read by its schema; what was not said has its usual value, or none.

    Raises:
        RefusedError: Something is said that the question does not know, or twice, or cannot be read; or is missing.
    """
    known = {wish.name: wish for wish in question.wishes}
    strange = [name for name in request.query_params if name not in known]
    if strange:
        there = f"it knows: {', '.join(known)}" if known else "it knows none"
        raise RefusedError(f"{question.path} knows no {strange[0][:40]!r}; {there}")
    found: dict[str, Any] = {}
    for name, wish in known.items():
        given = request.query_params.getlist(name)
        if len(given) > 1:
            raise RefusedError(f"{name} is said {len(given)} times; say it once")
        if not given and wish.needed:
            raise RefusedError(f"{name} is missing: {wish.says}")
        found[name] = _read(name, given[0], wish.schema) if given else wish.schema.get("default")
    return found


def _read(name: str, said: str, schema: Mapping[str, Any]) -> Any:
    """Return one thing that was said, read by its schema.

    Raises:
        RefusedError: It cannot be read.
    """
    if schema["type"] == "boolean":
        if said not in ("true", "false"):
            raise RefusedError(f"{name} is {said[:40]!r}; say true or false")
        return said == "true"
    if schema["type"] == "integer":
        low, high = schema["minimum"], schema["maximum"]
        if not (said.isascii() and said.isdigit() and len(said) < 9 and low <= int(said) <= high):
            raise RefusedError(f"{name} is {said[:40]!r}; say a whole number from {low} to {high}")
        return int(said)
    if not 1 <= len(said) <= schema["maxLength"]:
        raise RefusedError(f"{name} has {len(said)} letters; say 1 to {schema['maxLength']}")
    return said


def _at(house: House, said: Said) -> datetime:
    """Return the instant that is asked about."""
    now = house.clock()
    return now if said["at"] is None else read_instant(said["at"], now=now, zone=house.farm.zone, ahead=True)


def _today(house: House) -> date:
    """Return the local day."""
    return local_day(house.clock(), house.farm.zone)


def _rounds(house: House, said: Said) -> dict[str, Any]:
    return rounds_facts(round_view(lambda at: house.lookout.moment(at).tick, _at(house, said)))


def _batches(house: House, said: Said) -> dict[str, Any]:
    tick = house.lookout.moment(house.clock()).tick
    shown_ = [batch for batch in tick.batches.values() if said["all"] or not batch.is_over]
    return batches_facts(shown_, house.profiles, tick.now, house.farm.zone)


def _batch(house: House, said: Said) -> dict[str, Any]:
    tick = house.lookout.moment(house.clock()).tick
    batch = tick.batches.get(said["batch"])
    if batch is None:
        raise NotFoundError(f"there is no batch {said['batch'][:40]!r}; {BASE}/batches?all=true lists them")
    profile = house.profiles.get(batch.crop)
    part = (batch.standing or batch.parts or (None,))[0]
    line = spans(batch, part, profile, now=tick.now, zone=house.farm.zone) if profile else ()
    latest = house.store.latest(list(house.farm.sensors)) if house.farm.sensors else {}
    standing = measured_parts(house.farm, batch, profile, latest, tick.now)
    return batch_facts(batch, profile, line, standing, tick.now, house.farm.zone)


def _alarms(house: House, said: Said) -> dict[str, Any]:
    known = shown(house.alarms().values(), house.clock())
    return alarms_facts(known, answers_of(house.ledger.entries()), house.farm.zone)


def _dry(house: House, said: Said) -> dict[str, Any]:
    return dry_facts(water_view(house.lookout.tick(_at(house, said)), said["batch"]))


def _sensors(house: House, said: Said) -> dict[str, Any]:
    latest = house.store.latest(list(house.farm.sensors)) if house.farm.sensors else {}
    return sensors_facts(sensor_rows(house.farm, latest, house.ledger.entries(), house.clock()))


def _ready(house: House, said: Said) -> dict[str, Any]:
    tick, today = house.lookout.moment(house.clock()).tick, _today(house)
    week = [today + timedelta(days=n) for n in range(_READY_DAYS)]
    days = week if said["day"] is None else [coming_day(said["day"], today)]
    rows = ready_rows(days, owed_at(tick, days[-1] + LOOKS_AHEAD), supplies_at(tick))
    return ready_facts(days, rows)


def _promises(house: House, said: Said) -> dict[str, Any]:
    tick, today = house.lookout.moment(house.clock()).tick, _today(house)
    until = today + timedelta(days=7 * said["weeks"])
    known = [each for each in tick.promises.values() if said["all"] or is_ahead(each, today)]
    return promises_facts(known, covers_at(tick, until), until, tick)


def _plan(house: House, said: Said) -> dict[str, Any]:
    tick = house.lookout.moment(house.clock()).tick
    until = _today(house) + timedelta(days=7 * said["weeks"])
    return plan_json(laid_out(tick, until, seed_of_lots(tick)), tick)


def _sow_by(house: House, said: Said) -> dict[str, Any]:
    tick = house.lookout.moment(house.clock()).tick
    profile = find_profile(house.profiles, said["crop"])
    on = coming_day(said["day"], _today(house))
    plan = sow_by(house.farm, profile, on, said["trays"], tick.batches.values(), living=said["living"])
    return sow_by_facts(profile, on, plan, tick, living=said["living"])


def _holds(house: House, said: Said) -> dict[str, Any]:
    tick = house.lookout.moment(house.clock()).tick
    known = [each for each in holds_of(effective(house.ledger.entries())) if said["all"] or each.ended_at is None]
    return holds_facts(known, tick.batches, house.ledger.entries())


def _lots(house: House, said: Said) -> dict[str, Any]:
    return lots_facts(lots_shown(effective(house.ledger.entries()), everything=said["all"]))


def _profiles(house: House, said: Said) -> dict[str, Any]:
    return profiles_facts(house.profiles.values())


def _profile(house: House, said: Said) -> dict[str, Any]:
    return profile_facts(find_profile(house.profiles, said["crop"]))


def _covers(house: House, said: Said) -> dict[str, Any]:
    today = _today(house)
    known = covers_of(effective(house.ledger.entries()))
    return covers_facts([each for each in known if said["all"] or each.to_on >= today], today)


def _seen(house: House, said: Said) -> dict[str, Any]:
    return seen_facts(proposals(house.lookout.moment(house.clock()).tick, house.ledger.entries()))


def _light(house: House, said: Said) -> dict[str, Any]:
    sensors = light_sensors(house.farm, said["place"])
    return light_facts(light_rows(house.farm, sensors, house.store, now=house.clock(), days=said["days"]))


def _records(house: House, said: Said) -> dict[str, Any]:
    tick, today = house.lookout.moment(house.clock()).tick, _today(house)
    first = read_day(said["first"], today=today, ahead=False)
    last = today if said["last"] is None else read_day(said["last"], today=today, ahead=False)
    if last < first:
        raise RefusedError(f"{last.isoformat()} lies before {first.isoformat()}; give the first day, then the last")
    page = build_records(
        house.farm, house.profiles, tick.batches, house.ledger.entries(), from_on=first, to_on=last, now=tick.now
    )
    return records_facts(page)


def _status(house: House, said: Said) -> dict[str, Any]:
    now, state = house.clock(), house.status()
    active = [alarm for alarm in house.alarms().values() if alarm.is_active]
    rows = house.nudges(now - _OUTBOX_FOR)
    troubled = [row for row in rows if row.given_up_at is not None or (row.sent_at is None and row.attempts > 0)]
    processes = house.processes()
    running = is_running(state, now) or processes.any_lives
    return status_facts(state, active, troubled, now, running=running, unread=house.unread(None), processes=processes)


def _metrics(house: House) -> str:
    """Return the metrics of this moment."""
    now = house.clock()
    moment = house.lookout.moment(now)
    sensors = house.farm.sensors
    return metrics_text(
        families(
            now=now,
            status=house.status(),
            sensors=sensors.values(),
            latest=house.store.latest(list(sensors)) if sensors else {},
            alarms=house.alarms().values(),
            outbox=house.nudges(now - _OUTBOX_FOR),
            tasks=moment.tasks,
            batches=moment.tick.batches.values(),
            entries=moment.version,
            processes=house.processes(),
        )
    )


_ANSWERS: Mapping[str, Callable[[House, Said], dict[str, Any]]] = {
    "rounds": _rounds,
    "batches": _batches,
    "batch": _batch,
    "alarms": _alarms,
    "dry": _dry,
    "sensors": _sensors,
    "ready": _ready,
    "promises": _promises,
    "plan": _plan,
    "sow_by": _sow_by,
    "holds": _holds,
    "lots": _lots,
    "profiles": _profiles,
    "profile": _profile,
    "covers": _covers,
    "seen": _seen,
    "light": _light,
    "records": _records,
    "status": _status,
}
