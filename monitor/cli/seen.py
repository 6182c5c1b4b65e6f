"""``traywarden seen``, ``confirm`` and ``refuse``: what the scales saw that nobody has entered, and the word on it."""

from __future__ import annotations

import click

from alerts.proposals import OFFERED_FOR, Proposal, confirm_deed, named, proposals, refuse_deed, seen_facts
from alerts.standing import standing_parts
from alerts.watering import scale_of
from monitor.amounts import say_g, say_time
from monitor.cli.common import Context, json_option
from monitor.cli.desk import Desk, common
from monitor.cli.rounds import tick_of
from monitor.desk import Deed
from monitor.readings import from_ms


def _open(context: Context) -> tuple[Proposal, ...]:
    """Return what waits for a word."""
    return proposals(tick_of(context, context.clock()), context.ledger().entries())


def _everything(context: Context) -> None:
    """Tell all that the scales saw in the last days, small steps and disturbances among them."""
    tick = tick_of(context, context.clock())
    farm = tick.farm
    lines = []
    for stand, part in standing_parts(tick):
        scale = scale_of(stand.batch, part, stand.profile, stand.span, tick)
        for event in scale.events if scale is not None else ():
            at = from_ms(event.at_ms)
            if tick.now - at <= OFFERED_FOR and scale is not None:
                row = (at, stand.batch.id, scale.sensor.id, event)
                lines.append(row)
    lines.sort(key=lambda row: row[0])
    if context.as_json:
        rows = [
            {
                "at": at.isoformat(),
                "batch": batch,
                "scale": sensor,
                "deed": event.deed.value,
                "grams": round(event.grams),
            }
            for at, batch, sensor, event in lines
        ]
        context.echo_json({"schema": "traywarden.seen-all/1", "seen": rows})
        return
    for at, batch, sensor, event in lines:
        grams = f"{'+' if event.grams > 0 else '-'}{say_g(abs(event.grams), farm.units)}"
        context.echo(f"{say_time(at, farm.zone)}  {sensor}, batch {batch}: {event.deed.value} ({grams})")
    if not lines:
        context.echo("The scales saw nothing in the last three days.")


@click.command(epilog="Example: traywarden seen")
@click.option("--all", "everything", is_flag=True, help="All of the last three days: lifts, bumps, small steps too.")
@json_option
@click.pass_obj
def seen(context: Context, everything: bool) -> None:
    """List what the scales saw being done that nobody has entered, each with its four letters."""
    if everything:
        _everything(context)
        return
    found = _open(context)
    if context.as_json:
        context.echo_json(seen_facts(found))
        return
    if not found:
        context.echo("The scales saw nothing that is not entered.")
    for each in found:
        context.echo(f"{each.key}  {each.says}")
    if found:
        context.echo(f"Right: traywarden confirm {found[0].key} (or all)   Wrong: traywarden refuse {found[0].key}")


@click.command(epilog="Example: traywarden confirm K7QM   (or: traywarden confirm all)")
@click.argument("keys", nargs=-1, required=True)
@common
@click.pass_obj
def confirm(context: Context, keys: tuple[str, ...], at: str | None, by: str | None) -> None:
    """Enter what the scales saw, with the time at which they saw it."""
    desk = Desk(context, by, at)
    _note(desk, confirm_deed(named(_open(context), keys), desk.by))


@click.command(epilog="Example: traywarden refuse K7QM --why 'the cat'")
@click.argument("keys", nargs=-1, required=True)
@click.option("--why", default="", help="What it was instead.")
@common
@click.pass_obj
def refuse(context: Context, keys: tuple[str, ...], why: str, at: str | None, by: str | None) -> None:
    """Say that what the scales saw was something else; it is not offered again."""
    desk = Desk(context, by, at)
    _note(desk, refuse_deed(named(_open(context), keys), desk.by, desk.at, why))


def _note(desk: Desk, deed: Deed) -> None:
    """Write the word down, where something waits for it."""
    if deed.entries:
        desk.note(deed)
    else:
        desk.context.echo("Nothing waits for a word.")
