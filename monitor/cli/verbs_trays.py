"""Verbs for trays in the room: drain, stack, look, uncover, lights, water, weigh, lift, move, note."""

from __future__ import annotations

from typing import Any

import click

from monitor.amounts import read_g, read_ml, say_g, say_ml, say_trays
from monitor.cli.common import Context
from monitor.cli.desk import Desk, common, lifted, part, simple
from monitor.errors import NotFoundError
from monitor.ledger import EntryKind
from monitor.verbs import (
    HEAVY,
    next_stack,
    pile_warnings,
    say_deed,
    trays_of,
)


@click.command(epilog="Example: traywarden drain 12")
@click.argument("batch", required=False)
@common
@click.pass_obj
def drain(context: Context, batch: str | None, at: str | None, by: str | None) -> None:
    """Note that a soak was drained and rinsed."""
    desk = Desk(context, by, at)
    found = desk.batch(batch, EntryKind.DRAINED)
    desk.care.append("Throw soak water away; sow today.")
    desk.write([desk.entry(EntryKind.DRAINED, found)], [f"Noted: the soak of {desk.name(found)} is drained."])


@click.command(epilog="Example: traywarden stack 12 13 --weight 5 --spot 2/1   (12 lies on top)")
@click.argument("batches", nargs=-1, required=True)
@click.option("--spot", metavar="PLACE", help="Where the pile stands.")
@click.option("--weight", type=click.FloatRange(min=0), metavar="KG", help="Weight put on top. [kg]")
@click.option("--trays", type=click.IntRange(min=1), help="How many of each batch, if not all.")
@click.option("--cover-only", is_flag=True, help="A cover without weight.")
@common
@click.pass_obj
def stack(
    context: Context,
    batches: tuple[str, ...],
    spot: str | None,
    weight: float | None,
    trays: int | None,
    cover_only: bool,
    at: str | None,
    by: str | None,
) -> None:
    """Note that trays were piled up, or covered, in the dark; batches are named from the top down."""
    desk = Desk(context, by, at)
    found = [desk.batch(each, EntryKind.STACKED) for each in batches]
    pile = None if cover_only else next_stack(desk.batches)
    place = desk.spot(spot)
    desk.warnings += pile_warnings(found, desk.profiles, now=desk.at, zone=desk.farm.zone) if pile else ()
    if weight is not None and pile:
        desk.warnings += [
            f"The profile of {desk.name(each)} takes at most {profile.stack_weight_kg.high:g} kg."
            for each in found
            if (profile := desk.profiles.get(each.crop)) and profile.stack_weight_kg is not None
            and weight > profile.stack_weight_kg.high
        ]  # fmt: skip
    entries = [
        desk.entry(
            EntryKind.STACKED,
            each,
            trays=trays,
            spot=place,
            stack=pile,
            data={"weight_kg": weight, "order": order, "covered_only": cover_only},
        )
        for order, each in enumerate(found, start=1)
    ]
    counts = [say_trays(trays_of(entry, each)) for entry, each in zip(entries, found, strict=True)]
    named = ", ".join(f"{count} of {desk.name(each)}" for count, each in zip(counts, found, strict=True))
    where = f", {desk.farm.places.name(place)}" if place else ""
    what = "covered" if cover_only else f"stacked as pile {pile}, named from the top"
    if not cover_only:
        desk.care.append(HEAVY)
    desk.write(entries, [f"Noted: {named} {what}{where}."])


@click.command(epilog="Example: traywarden look 12 --text 'white hairs, even'")
@click.argument("batch", required=False)
@click.option("--text", default="", help="What was seen.")
@part
@common
@click.pass_obj
def look(
    context: Context,
    batch: str | None,
    text: str,
    trays: int | None,
    spot: str | None,
    at: str | None,
    by: str | None,
) -> None:
    """Note that a stack was looked into."""
    desk = Desk(context, by, at)
    found = desk.batch(batch, EntryKind.LOOKED)
    data = {"text": text, **lifted(desk, found, EntryKind.LOOKED)}
    simple(desk, EntryKind.LOOKED, found.id, "looked at", trays, spot, data)


@click.command(epilog="Example: traywarden uncover 12 --trays 4 --to 1/2")
@click.argument("batch", required=False)
@click.option("--to", metavar="PLACE", help="Where they stand now, if not where they were.")
@click.option("--stack", "pile", metavar="PILE", help="Every batch of this pile, e.g. S3.")
@part
@common
@click.pass_obj
def uncover(
    context: Context,
    batch: str | None,
    to: str | None,
    pile: str | None,
    trays: int | None,
    spot: str | None,
    at: str | None,
    by: str | None,
) -> None:
    """Note that the weight or cover came off for good: the blackout begins."""
    desk = Desk(context, by, at)
    place, target = desk.spot(spot), desk.spot(to)
    if pile is not None:
        found = [each for each in desk.batches.values() if any(p.stack == pile for p in each.standing)]
        if not found:
            raise NotFoundError(f"no trays lie in a pile {pile!r}; `traywarden batches` shows the piles")
    else:
        found = [desk.batch(batch, EntryKind.UNCOVERED)]
    entries, said = [], []
    for each in found:
        data: dict[str, Any] = {"to": target} if target else {}
        data |= lifted(desk, each, EntryKind.UNCOVERED)
        entry = desk.entry(EntryKind.UNCOVERED, each, trays=trays, spot=place, stack=pile, data=data)
        entries.append(entry)
        profile = desk.profiles.get(each.crop)
        said.append(say_deed("uncovered", each, trays_of(entry, each), profile, desk.farm.places, target or place))
    desk.write(entries, said)


@click.command(epilog="Example: traywarden lights 12 --to 1/3")
@click.argument("batch", required=False)
@click.option("--to", metavar="PLACE", help="Where they stand now, if not where they were.")
@part
@common
@click.pass_obj
def lights(
    context: Context,
    batch: str | None,
    to: str | None,
    trays: int | None,
    spot: str | None,
    at: str | None,
    by: str | None,
) -> None:
    """Note that the blackout ended: trays stand in the light."""
    desk = Desk(context, by, at)
    found = desk.batch(batch, EntryKind.LIGHTS_ON)
    target = desk.spot(to)
    data: dict[str, Any] = {"to": target} if target else {}
    data |= lifted(desk, found, EntryKind.UNCOVERED)
    simple(desk, EntryKind.LIGHTS_ON, found.id, "brought into the light", trays, spot, data)


@click.command(epilog="Example: traywarden water 12 --ml 250   (each tray)")
@click.argument("batch", required=False)
@click.option("--ml", metavar="AMOUNT", help="Into each tray: 250, '1.5 cups'.")
@part
@common
@click.pass_obj
def water(
    context: Context,
    batch: str | None,
    ml: str | None,
    trays: int | None,
    spot: str | None,
    at: str | None,
    by: str | None,
) -> None:
    """Note that trays were watered from below."""
    desk = Desk(context, by, at)
    amount = None if ml is None else read_ml(ml, desk.farm.units)
    what = "watered" if amount is None else f"watered with {say_ml(amount, desk.farm.units)} each"
    simple(desk, EntryKind.WATERED, batch, what, trays, spot, {"ml_per_tray": amount})


@click.command(epilog="Example: traywarden weigh 12 2140 --mark full")
@click.argument("batch")
@click.argument("weight", metavar="WEIGHT")
@click.option("--mark", type=click.Choice(["full", "dry"]), help="It was just drained, or just limp.")
@part
@common
@click.pass_obj
def weigh(
    context: Context,
    batch: str,
    weight: str,
    mark: str | None,
    trays: int | None,
    spot: str | None,
    at: str | None,
    by: str | None,
) -> None:
    """Note the weight of a tray from a kitchen scale, with its tray and all."""
    desk = Desk(context, by, at)
    grams = read_g(weight, desk.farm.units)
    what = f"weighed at {say_g(grams, desk.farm.units)} each{f', {mark}' if mark else ''}"
    simple(desk, EntryKind.WEIGHED, batch, what, trays, spot, {"grams": grams, "mark": mark})


@click.command(epilog="Example: traywarden lift 12 light")
@click.argument("batch")
@click.argument("feel", type=click.Choice(["heavy", "right", "light"]))
@part
@common
@click.pass_obj
def lift(
    context: Context,
    batch: str,
    feel: str,
    trays: int | None,
    spot: str | None,
    at: str | None,
    by: str | None,
) -> None:
    """Note how a tray feels in the hand: it moves the next watering."""
    desk = Desk(context, by, at)
    simple(desk, EntryKind.LIFTED, batch, f"lifted: {feel}", trays, spot, {"feel": feel})


@click.command(epilog="Example: traywarden move 12 2/3 --trays 4")
@click.argument("batch")
@click.argument("to", metavar="PLACE")
@part
@common
@click.pass_obj
def move(
    context: Context, batch: str, to: str, trays: int | None, spot: str | None, at: str | None, by: str | None
) -> None:
    """Note that trays stand somewhere else now."""
    desk = Desk(context, by, at)
    target = desk.farm.places.find(to)
    simple(desk, EntryKind.MOVED, batch, f"moved to {target.name}", trays, spot, {"to": target.id})


@click.command(epilog="Example: traywarden note 12 'edges dry on the left'")
@click.argument("batch")
@click.argument("text")
@part
@common
@click.pass_obj
def note(
    context: Context, batch: str, text: str, trays: int | None, spot: str | None, at: str | None, by: str | None
) -> None:
    """Write something down about a batch."""
    desk = Desk(context, by, at)
    found = desk.batch(batch, EntryKind.NOTED)
    entry = desk.entry(EntryKind.NOTED, found, trays=trays, spot=desk.spot(spot), data={"text": text})
    desk.write([entry], [f"Noted for {desk.name(found)}: {text}"])
