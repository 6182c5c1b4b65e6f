"""Verbs for trays in the room: drain, stack, look, uncover, lights, water, weigh, lift, move, note."""

from __future__ import annotations

from pathlib import Path

import click

from monitor.cli.common import Context
from monitor.cli.desk import Desk, common, part
from monitor.ledger import EntryKind
from monitor.traydeeds import (
    Which,
    drain_deed,
    lift_deed,
    lights_deed,
    look_deed,
    move_deed,
    note_deed,
    stack_deed,
    uncover_deed,
    water_deed,
    weigh_deed,
)


@click.command(epilog="Example: traywarden drain 12")
@click.argument("batch", required=False)
@common
@click.pass_obj
def drain(context: Context, batch: str | None, at: str | None, by: str | None) -> None:
    """Note that a soak was drained and rinsed."""
    desk = Desk(context, by, at)
    desk.note(drain_deed(desk, batch))


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
    desk.note(stack_deed(desk, batches, spot=spot, weight_kg=weight, trays=trays, cover_only=cover_only))


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
    desk.note(look_deed(desk, batch, text, Which(trays=trays, spot=spot)))


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
    desk.note(uncover_deed(desk, batch, to=to, pile=pile, which=Which(trays=trays, spot=spot)))


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
    desk.note(lights_deed(desk, batch, to=to, which=Which(trays=trays, spot=spot)))


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
    desk.note(water_deed(desk, batch, ml, Which(trays=trays, spot=spot)))


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
    desk.note(weigh_deed(desk, batch, weight, mark, Which(trays=trays, spot=spot)))


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
    desk.note(lift_deed(desk, batch, feel, Which(trays=trays, spot=spot)))


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
    desk.note(move_deed(desk, batch, to, Which(trays=trays, spot=spot)))


@click.command(epilog="Example: traywarden note 12 'edges dry on the left'")
@click.argument("batch")
@click.argument("text", default="")
@click.option(
    "--photo", type=click.Path(exists=True, dir_okay=False, path_type=Path), help="A picture to keep with it."
)
@part
@common
@click.pass_obj
def note(
    context: Context,
    batch: str,
    text: str,
    photo: Path | None,
    trays: int | None,
    spot: str | None,
    at: str | None,
    by: str | None,
) -> None:
    """Write something down about a batch."""
    from monitor.stores.photos import keep_photo

    desk = Desk(context, by, at)
    desk.batch(batch, EntryKind.NOTED)  # a photo of no batch is not kept
    kept = None if photo is None else keep_photo(photo.read_bytes(), desk.farm.storage.folder)
    desk.note(note_deed(desk, batch, text, Which(trays=trays, spot=spot), photo=kept))
