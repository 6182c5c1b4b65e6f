"""Verbs for what leaves the room, and for the place it leaves: harvest, deliver, discard, clean."""

from __future__ import annotations

import click

from monitor.cli.common import Context
from monitor.cli.desk import Desk, common, part
from monitor.ledger import EntryKind
from monitor.traydeeds import Which, deliver_deed, discard_deed, harvest_deed
from monitor.verbs import CLEANERS


@click.command(epilog="Example: traywarden harvest 12 --grams 1480   (of all trays cut)")
@click.argument("batch", required=False)
@click.option("--grams", metavar="WEIGHT", help="Of all trays cut: 1480, '3.2 lb'.")
@click.option("--against-hold", is_flag=True, help="It was done although the batch is on hold: keep it for tracing.")
@part
@common
@click.pass_obj
def harvest(
    context: Context,
    batch: str | None,
    grams: str | None,
    against_hold: bool,
    trays: int | None,
    spot: str | None,
    at: str | None,
    by: str | None,
) -> None:
    """Note that trays were cut."""
    desk = Desk(context, by, at)
    desk.note(harvest_deed(desk, batch, grams, Which(trays=trays, spot=spot), against_hold=against_hold))


@click.command(epilog="Example: traywarden deliver 12 --trays 4 --living --whom 'the corner table'")
@click.argument("batch", required=False)
@click.option("--whom", metavar="NAME", help="Who took them.")
@click.option("--living/--cut", "living", default=None, help="As living trays, or what was cut.")
@click.option("--grams", metavar="WEIGHT", help="How much went out: 800, '1.7 lb'.")
@click.option("--against-hold", is_flag=True, help="It went out although the batch is on hold: keep it for tracing.")
@part
@common
@click.pass_obj
def deliver(
    context: Context,
    batch: str | None,
    whom: str | None,
    living: bool | None,
    grams: str | None,
    against_hold: bool,
    trays: int | None,
    spot: str | None,
    at: str | None,
    by: str | None,
) -> None:
    """Note that trays, or what was cut from them, went out."""
    desk = Desk(context, by, at)
    which = Which(trays=trays, spot=spot)
    desk.note(deliver_deed(desk, batch, which, whom=whom, living=living, grams=grams, against_hold=against_hold))


@click.command(epilog="Example: traywarden discard 12 --trays 1 --why 'grey fuzz'")
@click.argument("batch", required=False)
@click.option("--why", required=True, help="What was wrong with them.")
@part
@common
@click.pass_obj
def discard(
    context: Context,
    batch: str | None,
    why: str,
    trays: int | None,
    spot: str | None,
    at: str | None,
    by: str | None,
) -> None:
    """Note that trays were thrown away."""
    desk = Desk(context, by, at)
    desk.note(discard_deed(desk, batch, why, Which(trays=trays, spot=spot)))


@click.command(epilog="Example: traywarden clean 1/2, or traywarden clean --batch 12")
@click.argument("place", required=False)
@click.option("--batch", metavar="BATCH", help="Where this batch stood.")
@click.option("--with", "cleaner", default=None, metavar="WHAT", help="What it was cleaned with.")
@common
@click.pass_obj
def clean(
    context: Context, place: str | None, batch: str | None, cleaner: str | None, at: str | None, by: str | None
) -> None:
    """Note that a place, with trays and covers, was cleared and washed."""
    desk = Desk(context, by, at)
    desk.care.append(CLEANERS)
    if place is not None and batch is None:
        spot = desk.farm.places.find(place)
        entry = desk.entry(EntryKind.CLEANED, None, spot=spot.id, data={"with": cleaner})
        desk.write([entry], [f"Noted: {spot.name} is cleared and washed."])
        return
    found = desk.batch(batch, EntryKind.CLEANED)
    entry = desk.entry(EntryKind.CLEANED, found, spot=desk.spot(place), data={"with": cleaner})
    desk.write([entry], [f"Noted: where {desk.name(found)} stood is cleared and washed."])
