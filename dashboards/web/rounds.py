"""Rounds, the front page: shown, and answered by taps."""

from __future__ import annotations

import secrets
from collections.abc import Callable, Collection, Iterable
from contextlib import suppress
from datetime import timedelta

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from alerts.tasks import Task, is_due
from dashboards.facts.rounds import round_view
from dashboards.pages.justnow import undo_entries
from dashboards.pages.rounds import build_rounds
from dashboards.pages.taps import Saying, answered_by, say_entries, tap_entries, walked_entries
from dashboards.pages.walk import AT, Ask, asks, find
from dashboards.web.house import House
from dashboards.web.lookout import Moment
from dashboards.web.show import show
from dashboards.web.taps import Fields, Handler, Outcome, Tapped, plain_route
from dashboards.web.writing import MovedOnError, TapKnownError, write
from monitor.amounts import read_g, say_time
from monitor.errors import RefusedError
from monitor.ledger import NewEntry

_TRIES = 8
ONE, ALL, UNDO = "/rounds/one", "/rounds/all", "/rounds/undo"


def routes(house: House) -> list[BaseRoute]:
    """Return the routes of Rounds."""

    def rounds(request: Request) -> Response:
        return show(request, house, "rounds.html", page_of(house, request.state.person))

    plain = [plain_route(house, path, handler, back="/") for path, handler in handlers(house).items()]
    return [Route("/", rounds), *plain]


def page_of(house: House, person: str | None) -> object:
    """Return the page as it is now."""
    lookout = house.lookout
    view = round_view(
        lambda at: lookout.moment(at).tick, house.clock(), tasks_of=lambda tick: lookout.moment(tick.now).tasks
    )
    return build_rounds(
        view,
        alarms=house.alarms().values(),
        entries=house.ledger.entries(),
        person=person,
        nonce=secrets.token_hex(8),
    )


def handlers(house: House) -> dict[str, Handler]:
    """Return what takes the taps of Rounds."""
    return {
        ONE: lambda fields, tapped: answer_one(house, fields, tapped),
        ALL: lambda fields, tapped: answer_all(house, fields, tapped),
        UNDO: lambda fields, tapped: take_back(house, fields, tapped),
    }


def _again(work: Callable[[], Outcome]) -> Outcome:
    """Do some work again while somebody else writes in between."""
    for _ in range(_TRIES):
        try:
            return work()
        except MovedOnError:
            continue
    raise RefusedError("Others are writing all the time; nothing was entered. Tap again.")


def answer_one(house: House, fields: Fields, tapped: Tapped) -> Outcome:
    """Answer one line."""
    line = fields.get("line")
    try:
        saying = Saying.DONE if fields.get("part") else Saying(fields.get("says"))
    except ValueError as exc:
        raise RefusedError("This button is not known here; reload the page.") from exc
    grams = read_g(fields.get("grams"), house.farm.units) if fields.get("grams") else None
    trays = _whole(fields.get("trays")) if fields.get("part") else None

    def work() -> Outcome:
        moment = house.lookout.moment(tapped.now)
        ask = find(line, moment.tasks, moment.tick) or _asked_then(house, line, tapped)
        if ask is None or (saying is Saying.NOT_YET and _is_off(ask, tapped)):
            return _too_late(house, line, moment, tapped)
        entries = tap_entries(ask, saying, at=tapped.at, by=tapped.by, grams=grams, trays=trays)
        return _written(house, entries, tapped, moment)

    return _again(work)


def _whole(said: str) -> int:
    """Return a number of trays."""
    if not said.isdigit() or len(said) > 4:
        raise RefusedError(f"{said!r} is no number of trays; nothing was entered.")
    return int(said)


def _is_off(ask: Ask, tapped: Tapped) -> bool:
    """Tell whether a line is put off already."""
    off = ask.task.answered_not_yet_until
    return off is not None and off > tapped.now


def _asked_then(house: House, line: str, tapped: Tapped) -> Ask | None:
    """Return what a line asked when it was tapped, where nobody has answered it since; for taps that came late."""
    if tapped.now - tapped.at < timedelta(minutes=1):
        return None
    then = house.lookout.moment(tapped.at)
    ask = find(line, then.tasks, then.tick)
    if ask is None or answered_by(ask.task.key, house.ledger.entries()) is not None:
        return None
    return ask


def _too_late(house: House, line: str, moment: Moment, tapped: Tapped) -> Outcome:
    """Say that a line is not asked any more, and who was faster."""
    before = next((entry for entry in house.ledger.entries() if entry.data.get("tap") == tapped.key), None)
    if before is not None:
        return Outcome(word="done", says=f"Noted: {say_entries([before], moment.tick)}.")
    faster = answered_by(line.partition(AT)[0], house.ledger.entries())
    if faster is None:
        return Outcome(word="already", says="This is not asked any more; nothing was entered.")
    when = say_time(faster.at, house.farm.zone)
    return Outcome(word="already", says=f"{faster.by} was faster: {say_entries([faster], moment.tick)}, {when}.")


def _written(house: House, entries: Collection[NewEntry], tapped: Tapped, moment: Moment) -> Outcome:
    """Write what a tap says, once."""
    says = f"Noted: {say_entries(list(entries), moment.tick)}."
    with suppress(TapKnownError):  # it came twice over a bad line, and is noted already
        write(house, list(entries), tap=tapped.key, version=moment.version)
    return Outcome(word="done", says=says)


def answer_all(house: House, fields: Fields, tapped: Tapped) -> Outcome:
    """Answer a shelf, or the whole round, all but what is picked out; only what was shown is meant."""
    shelf = fields.get("shelf")
    shown, but = set(fields.all("shown")), set(fields.all("but"))
    grams = {line: read_g(said, house.farm.units) for line, said in fields.after("grams:").items() if said}

    def work() -> Outcome:
        moment = house.lookout.moment(tapped.now)
        found = [ask for ask in asks(_due(moment.tasks, tapped), moment.tick) if ask.key in shown]
        if shelf != "*":
            found = [ask for ask in found if ask.shelf == shelf]
        walked = walked_entries(
            found,
            moment.tick,
            at=tapped.at,
            by=tapped.by,
            but=but,
            grams=grams,
            shelf=None if shelf == "*" else shelf,
        )
        left = f" Left out: {'; '.join(walked.left_out)}." if walked.left_out else ""
        if not walked.entries:
            return Outcome(word="already", says=f"Nothing was left to enter.{left}")
        done = f"{walked.done} thing{'' if walked.done == 1 else 's'} done"
        outcome = _written(house, walked.entries, tapped, moment)
        return Outcome(word=outcome.word, says=f"Noted: {done}.{left}")

    return _again(work)


def _due(tasks: Iterable[Task], tapped: Tapped) -> list[Task]:
    """Return what is due now."""
    return [task for task in tasks if is_due(task, tapped.now)]


def take_back(house: House, fields: Fields, tapped: Tapped) -> Outcome:
    """Take an answer of the last minute back, or put it in again."""

    def work() -> Outcome:
        entries = house.ledger.entries()
        version = entries[-1].id if entries else 0
        moment = house.lookout.moment(tapped.now)
        if any(entry.data.get("tap") == tapped.key for entry in entries):
            return Outcome(word="done", says="Taken back.")
        back = undo_entries(fields.get("of"), entries, now=tapped.now, at=tapped.at, by=tapped.by)
        is_again = any(entry.data.get("put_back") for entry in back)
        write(house, list(back), tap=tapped.key, version=version)
        said = say_entries(list(back), moment.tick) if is_again else ""
        return Outcome(word="done", says=f"Put in again: {said}." if is_again else "Taken back.")

    return _again(work)
