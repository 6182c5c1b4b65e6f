"""``traywarden hold``, ``release`` and ``holds``: what must not be cut or delivered, and what has gone out of it."""

from __future__ import annotations

from pathlib import Path

import click

from dashboards.facts.holds import holds_facts, reach_json
from dashboards.trace import build_trace, render
from monitor.amounts import say_time
from monitor.cli.common import Context, json_option
from monitor.cli.desk import Desk, common
from monitor.cli.records import write_file
from monitor.holding import hold_deed, reach_lines, release_deed, seed_left_g
from monitor.holds import RECALL, holds_of
from monitor.ledger import effective


@click.command(epilog="Example: traywarden hold --lot R-77 --reason 'recalled by the supplier'")
@click.option("--lot", metavar="LOT", help="All that was or will be sown from this seed lot.")
@click.option("--batch", metavar="BATCH", help="This batch.")
@click.option("--reason", required=True, help="Why.")
@common
@click.pass_obj
def hold(context: Context, lot: str | None, batch: str | None, reason: str, at: str | None, by: str | None) -> None:
    """Put a seed lot or a batch on hold: nothing of it is to be cut or delivered until it is released."""
    desk = Desk(context, by, at)
    wanted, deed = hold_deed(desk, lot, batch, reason)
    desk.note(deed, facts={"hold": reach_json(wanted, desk.batches, desk.entries)})


@click.command(epilog="Example: traywarden release --lot R-77 --reason 'supplier: our lot was not concerned' --by ines")
@click.option("--lot", metavar="LOT", help="This seed lot.")
@click.option("--batch", metavar="BATCH", help="This batch.")
@click.option("--reason", required=True, help="Why it is free again.")
@common
@click.pass_obj
def release(context: Context, lot: str | None, batch: str | None, reason: str, at: str | None, by: str | None) -> None:
    """End a hold, with a reason and your name."""
    desk = Desk(context, by, at)
    desk.note(release_deed(desk, lot, batch, reason))


@click.command(epilog="Example: traywarden holds --html trace.html")
@click.option("--all", "everything", is_flag=True, help="Also those that were released.")
@click.option("--html", type=click.Path(path_type=Path, dir_okay=False), help="Write a page to print.")
@json_option
@click.pass_obj
def holds(context: Context, everything: bool, html: Path | None) -> None:
    """List what is on hold: what of it is still here, and what has gone out, to whom and when."""
    desk = Desk(context, None, None)
    shown = [each for each in holds_of(effective(desk.entries)) if everything or each.ended_at is None]
    if html is not None:
        left = {each.id: left_g for each in shown if (left_g := seed_left_g(each, desk.entries)) is not None}
        write_file(html, render(build_trace(desk.farm, desk.profiles, desk.batches, shown, left, now=desk.now)))
    if context.as_json:
        facts = holds_facts(shown, desk.batches, desk.entries)
        context.echo_json({**facts, "files": [str(html)]} if html else facts)
        return
    if html is not None:
        context.echo(f"Written: {html}. Print it; it has room to note who was rung.")
        return
    if not shown:
        context.echo("Nothing is on hold.")
    for each in shown:
        when = say_time(each.at, desk.farm.zone)
        head = "ON HOLD, do not cut, do not deliver" if each.ended_at is None else "Released"
        context.echo(f"{head}: {each.target}, since {when}: {each.why} ({each.by}, entry {each.id})")
        if each.ended_at is not None:
            ended = say_time(each.ended_at, desk.farm.zone)
            context.echo(f"  released {ended}: {each.ended_why} ({each.ended_by})")
        for line in reach_lines(each, desk):
            context.echo(f"  {line}")
    if shown:
        context.echo(RECALL)
