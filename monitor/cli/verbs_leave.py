"""Verbs for what leaves the room, and for the place it leaves: harvest, deliver, discard, clean."""

from __future__ import annotations

import shlex
from typing import Any

import click

from monitor.amounts import read_g, say_g, say_trays
from monitor.batches import Batch, Fate
from monitor.cli.common import Context
from monitor.cli.counted import counted
from monitor.cli.desk import Desk, common, part, simple
from monitor.ledger import EntryKind
from monitor.profiles import Profile
from monitor.verbs import (
    CLEANERS,
    CUTTING,
    LIVING,
    SPOILT_CARE,
    is_spoilt,
)


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
    found = desk.batch(batch, EntryKind.HARVESTED)
    mass = None if grams is None else read_g(grams, desk.farm.units)
    desk.care += _harvest_care(desk.profiles.get(found.crop))
    what = "cut" if mass is None else f"cut, {say_g(mass, desk.farm.units)} in all"
    data = {"grams": mass, **_against(desk, found, against_hold)}
    simple(desk, EntryKind.HARVESTED, found.id, what, trays, spot, data)


def _against(desk: Desk, batch: Batch, against_hold: bool) -> dict[str, bool]:
    """Return what is kept of a deed done against a hold, and warn of it."""
    if not against_hold:
        return {}
    if batch.holds:
        desk.warnings.append(
            f"{desk.name(batch)} is on hold ({batch.holds[0].why}). Kept so that it can be traced; now ask your "
            "food-safety authority and the seed's supplier what to do with what went out."
        )
    return {"against_hold": True}


def _harvest_care(profile: Profile | None) -> list[str]:
    """Return the cautions of a harvest: those of all crops, and the crop's own."""
    if profile is None:
        return [CUTTING]
    allergens = [f"Declare: {profile.allergens}"] if profile.allergens else []
    return [CUTTING, profile.storage["text"], *allergens, *profile.cautions]


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
    found = desk.batch(batch, EntryKind.DELIVERED)
    if living:
        desk.care.append(LIVING)
    data: dict[str, Any] = {"whom": whom, "living": living, **_against(desk, found, against_hold)}
    if grams is not None:
        data["grams"] = read_g(grams, desk.farm.units)
    entry = desk.entry(EntryKind.DELIVERED, found, trays=trays, spot=desk.spot(spot), data=data)
    count = f"{say_trays(trays)}" if trays else "the trays"
    to = f" to {whom}" if whom else ""
    said = [f"Noted: {count} of {desk.name(found)} delivered{' living' if living else ''}{to}."]
    desk.write([entry], [*said, *counted(desk, found, entry)])


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
    found = desk.batch(batch, EntryKind.DISCARDED)
    if is_spoilt(why):
        desk.care += [SPOILT_CARE, *_hold_rest(desk, found, trays, why)]
    simple(desk, EntryKind.DISCARDED, found.id, f"thrown away ({why})", trays, spot, {"why": why})


def _hold_rest(desk: Desk, batch: Batch, trays: int | None, why: str) -> list[str]:
    """Return the question whether the rest of a spoilt batch may be cut; it is the grower's to answer."""
    left = batch.trays(Fate.STANDING) + batch.trays(Fate.CUT) - (trays or batch.trays(Fate.STANDING))
    if left <= 0 or batch.holds:
        return []
    reason = shlex.quote(why)
    return [
        f"May the other {say_trays(left)} of {desk.name(batch)} still be cut and sold? You decide. Until you know, "
        f"hold them: traywarden hold --batch {batch.id} --reason {reason}",
        "The next round asks for a look at the neighbours and a wash of the shelf.",
    ]


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
