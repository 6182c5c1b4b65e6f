"""``traywarden alarms``, ``heard``, ``shelve``, ``accept``, ``out-of-service``: what is wrong, and a word on it."""

from __future__ import annotations

from collections.abc import Mapping

import click

from alerts.alarmbook import (
    OPEN,
    accept_deed,
    alarms_facts,
    back_in_service_deed,
    heard_deed,
    named,
    rest_deed,
    shelve_deed,
    shown,
    state_words,
    unaccept_deed,
    unshelve_deed,
)
from alerts.alarms import Alarm, AlarmState
from alerts.alarms_sql import SqlAlarms
from alerts.answers import answers_of
from monitor.amounts import say_time
from monitor.cli.common import Context, json_option
from monitor.cli.desk import Desk, common


def _known(context: Context) -> Mapping[str, Alarm]:
    """Return the alarms that are shown, by their four letters."""
    return shown(SqlAlarms(context.ledger().engine).load().values(), context.clock())


@click.command(epilog="Example: traywarden alarms")
@json_option
@click.pass_obj
def alarms(context: Context) -> None:
    """List what is wrong in the room, or was in the last two days, each with its four letters."""
    answers = answers_of(context.ledger().entries())
    known = _known(context)
    zone = context.farm().zone
    if context.as_json:
        context.echo_json(alarms_facts(known, answers, zone))
        return
    if not known:
        context.echo("Nothing is wrong, nor was in the last two days.")
    for letters, alarm in known.items():
        state = state_words(alarm, answers, zone)
        context.echo(f"{letters}  {alarm.finding.rule.capitalize()}: {state}, since {say_time(alarm.first_at, zone)}")
        context.echo(f"      {alarm.finding.cause}")
        if alarm.is_active:
            context.echo(f"      {alarm.finding.consequence} {alarm.finding.action}")
    if any(alarm.state is AlarmState.UNACKNOWLEDGED for alarm in known.values()):
        first = next(letters for letters, alarm in known.items() if alarm.state is AlarmState.UNACKNOWLEDGED)
        context.echo(f"I am on it: traywarden heard {first}   Not now: traywarden shelve {first} --for 4h --why ...")


@click.command(epilog="Example: traywarden heard K7QM   (or: traywarden heard all)")
@click.argument("keys", nargs=-1, required=True)
@common
@click.pass_obj
def heard(context: Context, keys: tuple[str, ...], at: str | None, by: str | None) -> None:
    """Say that you have heard of what is wrong, and are on it."""
    desk = Desk(context, by, at)
    known = _known(context)
    if len(keys) == 1 and keys[0].casefold() == "all":
        chosen = [alarm for alarm in known.values() if alarm.state in OPEN]
    else:
        chosen = [named(known, key) for key in keys]
    if not chosen:
        context.echo("Nothing waits for an answer.")
        return
    desk.note(heard_deed(desk, chosen))


@click.command(epilog="Example: traywarden shelve K7QM --for 4h --why 'door open for cleaning'")
@click.argument("key")
@click.option("--for", "span", metavar="SPAN", help="For how long: 90m, 4h, 2d, or until 'fri 17:00'; 7 days at most.")
@click.option("--why", default="", help="Why; needed.")
@click.option("--end", "ends", is_flag=True, help="Take it back: count it again.")
@common
@click.pass_obj
def shelve(context: Context, key: str, span: str | None, why: str, ends: bool, at: str | None, by: str | None) -> None:
    """Put an alarm aside for a time, with a reason; it comes back by itself if it is still wrong then."""
    desk = Desk(context, by, at)
    alarm = named(_known(context), key)
    desk.note(unshelve_deed(desk, alarm) if ends else shelve_deed(desk, alarm, span, why))


@click.command(epilog="Example: traywarden accept K7QM --until 2027-03-15 --why 'the cellar is cold in winter'")
@click.argument("key")
@click.option("--until", metavar="DATE", help="Until when: 2027-03-15, 60d; 200 days at most.")
@click.option("--why", default="", help="Why, if you like.")
@click.option("--end", "ends", is_flag=True, help="Take it back: tell it again.")
@common
@click.pass_obj
def accept(context: Context, key: str, until: str | None, why: str, ends: bool, at: str | None, by: str | None) -> None:
    """Live with a room that does not reach a band: not told again until a date, unless it gets worse."""
    desk = Desk(context, by, at)
    alarm = named(_known(context), key)
    desk.note(unaccept_deed(desk, alarm, key) if ends else accept_deed(desk, alarm, key, until, why))


@click.command(
    "out-of-service", epilog="Example: traywarden out-of-service air-2 --until 'fri 17:00' --why 'battery ordered'"
)
@click.argument("sensor")
@click.option("--until", metavar="WHEN", help="Until when: 2d, 'fri 17:00'; 7 days at most.")
@click.option("--why", default="", help="Why; needed.")
@click.option("--back", is_flag=True, help="It is back in service.")
@common
@click.pass_obj
def out_of_service(
    context: Context, sensor: str, until: str | None, why: str, back: bool, at: str | None, by: str | None
) -> None:
    """Take a sensor out of service for a time: what it shows raises nothing meanwhile."""
    desk = Desk(context, by, at)
    desk.note(back_in_service_deed(desk, sensor) if back else rest_deed(desk, sensor, until, why))
