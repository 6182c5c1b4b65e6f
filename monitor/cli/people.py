"""``traywarden cover`` and ``covers``: whose rounds another walks, from which day to which."""

from __future__ import annotations

import click

from alerts.covering import summary_lines
from alerts.derive import open_tasks
from alerts.tasks import is_due
from dashboards.facts.covers import covers_facts
from monitor.amounts import say_day
from monitor.cli.common import Context, json_option
from monitor.cli.desk import Desk
from monitor.cli.rounds import tick_of
from monitor.clock import local_day
from monitor.covers import StandIn, covers_of
from monitor.errors import NotFoundError, RefusedError
from monitor.ledger import effective
from monitor.standins import cover_data, cover_deed, end_cover_deed


@click.command(epilog="Example: traywarden cover ines fri sun --by tomek --note 'blade in the left drawer'")
@click.argument("name")
@click.argument("first", metavar="FROM", required=False)
@click.argument("last", metavar="TO", required=False)
@click.option("--by", "standin", metavar="STANDIN", help="Who walks the rounds meanwhile; else the only other person.")
@click.option("--note", default="", help="Where things are, and what else the stand-in should know.")
@click.option("--end", is_flag=True, help="NAME is back: the cover that runs, or is to come, ends.")
@click.option("--entered-by", "entered_by", envvar="TRAYWARDEN_BY", metavar="WHO", help="Who enters this; else NAME.")
@json_option
@click.pass_obj
def cover(
    context: Context,
    name: str,
    first: str | None,
    last: str | None,
    standin: str | None,
    note: str,
    end: bool,
    entered_by: str | None,
) -> None:
    """Hand the rounds of NAME to a stand-in from one day to another, both included, in fuller words."""
    desk = Desk(context, entered_by or name, None)
    if end:
        desk.note(end_cover_deed(desk, name))
        return
    if first is None:
        raise RefusedError(f"from which day to which? E.g. traywarden cover {name} fri sun")
    desk.note(cover_deed(desk, name, first, last or first, standin=standin, note=note))


@click.command(epilog="Example: traywarden covers --summary ines")
@click.option("--all", "everything", is_flag=True, help="Also those that are over.")
@click.option("--summary", "summary", metavar="NAME", help="Who did what while NAME was away, and what was left open.")
@json_option
@click.pass_obj
def covers(context: Context, everything: bool, summary: str | None) -> None:
    """List who stands in for whom, now and later; or say what happened while somebody was away."""
    desk = Desk(context, None, None)
    today = local_day(desk.now, desk.farm.zone)
    known = covers_of(effective(desk.entries))
    if summary is not None:
        _summarise(context, desk, summary, [each for each in known if each.from_on <= today])
        return
    shown = [each for each in known if everything or each.to_on >= today]
    if context.as_json:
        context.echo_json(covers_facts(shown, today))
        return
    if not shown:
        context.echo("Nobody stands in for anybody, now or later.")
    for each in shown:
        when = "now" if each.is_on(today) else "over" if each.to_on < today else "to come"
        note = f": {each.note}" if each.note else ""
        days = f"{say_day(each.from_on)} to {say_day(each.to_on)}"
        context.echo(f"{each.standin} for {each.person}, {days} ({when}, entry {each.id}){note}")


def _summarise(context: Context, desk: Desk, name: str, known: list[StandIn]) -> None:
    """Say what happened while somebody was away the last time."""
    person = desk.person(name)
    mine = [each for each in known if each.person == person]
    if not mine:
        raise NotFoundError(f"nobody has stood in for {person} so far")
    tick = tick_of(context, desk.now)
    due = [task for task in open_tasks(tick) if is_due(task, desk.now)]
    lines = summary_lines(mine[-1], due, tick)
    if context.as_json:
        facts = {"schema": "traywarden.cover-summary/1", **cover_data(mine[-1]), "lines": lines}
        context.echo_json({**facts, "open": [task.key for task in due]})
        return
    for line in lines:
        context.echo(line)
