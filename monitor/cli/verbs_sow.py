"""Verbs that begin a batch: soak, sow, and an earlier day's whole sowing again."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import Any

import click

from monitor.amounts import read_g, say_day, say_g, say_time, say_trays
from monitor.cli.common import Context
from monitor.cli.desk import Desk, common
from monitor.clock import local_day
from monitor.errors import RefusedError
from monitor.ledger import EntryKind, NewEntry
from monitor.profilefile import find_profile
from monitor.sowing import (
    Sowing,
    SowWish,
    is_planned,
    mind_lot,
    seed_per_tray,
    sow_deed,
    sowing_of,
    tray_kind_of,
)
from monitor.timewords import read_day
from monitor.verbs import TREATED, next_id


@click.command(epilog="Example: traywarden soak pea --grams 1760 --trays 8 --lot P-114")
@click.argument("crop")
@click.option("--grams", metavar="WEIGHT", help="Seed soaked, in all.")
@click.option("--trays", type=click.IntRange(min=1), help="How many trays it is meant for.")
@click.option("--lot", help="Seed lot.")
@click.option("--supplier", help="Who the seed came from.")
@click.option("--treated/--untreated", "treated", default=None, help="Whether the seed is treated.")
@common
@click.pass_obj
def soak(
    context: Context,
    crop: str,
    grams: str | None,
    trays: int | None,
    lot: str | None,
    supplier: str | None,
    treated: bool | None,
    at: str | None,
    by: str | None,
) -> None:
    """Note that seed was put to soak: a batch begins."""
    desk = Desk(context, by, at)
    profile = find_profile(desk.profiles, crop)
    if profile.sticky:
        desk.warnings.append(f"{profile.name} is sticky seed: it is sown dry, never soaked.")
    if treated:
        desk.warnings.append(TREATED)
    batch = next_id(desk.batches)
    seed_g = None if grams is None else read_g(grams, desk.farm.units)
    mind_lot(desk, lot, profile.id, seed_g or 0.0)
    data = {
        "crop": profile.id,
        "seed_g": seed_g,
        "lot": lot,
        "supplier": supplier,
        "treated": treated,
        "trays_planned": trays,
    }
    entry = NewEntry(kind=EntryKind.SOAKED, at=desk.at, by=desk.by, batch=batch, data=data)
    desk.care.append("Drinking-quality water only; throw soak water away.")
    for_trays = f" for {say_trays(trays)}" if trays else ""
    desk.write([entry], [f"Noted: batch {batch} {profile.name.lower()} is soaking{for_trays}."])


@click.command(
    epilog="Example: traywarden sow radish --trays 8 --spot 1/2 --lot R-77 --untreated\n\n"
    "Example: traywarden sow --like tue --change '2: --trays 6 --lot B-12' --leave-out 3"
)
@click.argument("crop", required=False)
@click.option("--trays", type=click.IntRange(min=1), help="How many trays.")
@click.option("--spot", metavar="PLACE", help="Where they stand, e.g. 1/2.")
@click.option("--lot", help="Seed lot.")
@click.option("--supplier", help="Who the seed came from.")
@click.option("--treated/--untreated", "treated", default=None, help="Whether the seed is treated.")
@click.option("--tray-kind", help="Tray kind of farm.toml, if not the first.")
@click.option("--grams", metavar="WEIGHT", help="Seed in each tray; else the profile's usual.")
@click.option("--medium", metavar="WHAT", help="Which medium, or which bag of it, e.g. 'coir C-4'.")
@click.option("--batch", help="The soak that is sown, or the batch that this adds trays to.")
@click.option("--like", metavar="DAY", help="Everything that was sown on this day, again.")
@click.option("--change", multiple=True, metavar="'LINE: OPTIONS'", help="With --like: change a line.")
@click.option("--leave-out", multiple=True, type=int, metavar="LINE", help="With --like: leave a line out.")
@click.option("--yes", is_flag=True, help="With --like: do not ask first.")
@common
@click.pass_obj
def sow(
    context: Context,
    crop: str | None,
    trays: int | None,
    spot: str | None,
    lot: str | None,
    supplier: str | None,
    treated: bool | None,
    tray_kind: str | None,
    grams: str | None,
    medium: str | None,
    batch: str | None,
    like: str | None,
    change: tuple[str, ...],
    leave_out: tuple[int, ...],
    yes: bool,
    at: str | None,
    by: str | None,
) -> None:
    """Note that trays were sown: a batch begins, or a soak becomes one."""
    desk = Desk(context, by, at)
    if like is not None:
        _sow_like(desk, like, change, leave_out, yes=yes)
        return
    if crop is None or (trays is None and batch is None and not is_planned(desk, crop)):
        raise RefusedError("say what was sown, and how many trays: traywarden sow radish --trays 8")
    wish = SowWish(
        crop=crop,
        trays=trays,
        spot=spot,
        lot=lot,
        supplier=supplier,
        treated=treated,
        tray_kind=tray_kind,
        grams=grams,
        medium=medium,
        batch=batch,
    )
    desk.note(sow_deed(desk, [sowing_of(desk, wish)]))


def _sown_on(desk: Desk, day: date) -> list[Sowing]:
    """Return every sowing of a local day, in the order of the deeds."""
    lines = []
    for batch in desk.batches.values():
        for entry in batch.entries:
            if entry.kind is EntryKind.SOWN and local_day(entry.at, desk.farm.zone) == day:
                kind = str(entry.data.get("tray_kind") or "")
                known = kind if kind in desk.farm.tray_kinds else tray_kind_of(desk, None)
                grams = entry.data.get("seed_g_per_tray")
                profile = desk.profiles[batch.crop]
                lines.append(
                    Sowing(
                        crop=batch.crop,
                        trays=entry.trays or 1,
                        spot=entry.spot,
                        lot=batch.lot,
                        supplier=batch.supplier,
                        treated=batch.treated,
                        tray_kind=known,
                        seed_g_per_tray=seed_per_tray(desk, profile, known, None) if grams is None else float(grams),
                    )
                )
    return lines


class _ChangeParser(click.Command):
    """Reads the options of one --change."""

    def __init__(self) -> None:
        """Take the options that a line of a sowing has."""
        options = [
            click.Option(["--trays"], type=click.IntRange(min=1)),
            click.Option(["--spot"]),
            click.Option(["--lot"]),
            click.Option(["--supplier"]),
            click.Option(["--grams"]),
            click.Option(["--medium"]),
            click.Option(["--treated/--untreated", "treated"], default=None),
        ]
        super().__init__("--change", params=list(options), add_help_option=False)

    def read(self, words: str) -> dict[str, Any]:
        """Return the options that are given."""
        import shlex

        with self.make_context("--change", shlex.split(words)) as context:
            return {name: value for name, value in context.params.items() if value is not None}


def _changed(desk: Desk, lines: list[Sowing], change: tuple[str, ...]) -> list[Sowing]:
    """Return the lines with the changes of --change."""
    lines = list(lines)
    for said in change:
        number, colon, words = said.partition(":")
        if not colon or not number.strip().isdigit() or not 1 <= int(number) <= len(lines):
            raise RefusedError(f"--change {said!r}: say a line from 1 to {len(lines)}, as '2: --trays 6 --lot B'")
        given = _ChangeParser().read(words)
        if "spot" in given:
            given["spot"] = desk.spot(given["spot"])
        if "grams" in given:
            given["seed_g_per_tray"] = read_g(given.pop("grams"), desk.farm.units)
        lines[int(number) - 1] = replace(lines[int(number) - 1], **given)
    return lines


def _sow_like(desk: Desk, like: str, change: tuple[str, ...], leave_out: tuple[int, ...], *, yes: bool) -> None:
    """Sow an earlier day's whole sowing again."""
    day = read_day(like, today=local_day(desk.now, desk.farm.zone), ahead=False)
    lines = _sown_on(desk, day)
    if not lines:
        raise RefusedError(f"nothing was sown on {say_day(day)}; `traywarden batches --all` lists what was")
    wrong = [number for number in leave_out if not 1 <= number <= len(lines)]
    if wrong:
        raise RefusedError(f"--leave-out {wrong[0]}: there are lines 1 to {len(lines)}")
    kept = [
        (number, line) for number, line in enumerate(_changed(desk, lines, change), start=1) if number not in leave_out
    ]
    if not kept:
        raise RefusedError("every line is left out; nothing to sow")
    desk.context.echo(f"As on {say_day(day)}, sown {say_time(desk.at, desk.farm.zone)}:")
    for number, line in kept:
        lot = f", lot {line.lot}" if line.lot else ""
        place = desk.farm.places.name(line.spot)
        seed = say_g(line.seed_g_per_tray, desk.farm.units)
        crop = desk.profiles[line.crop].name.lower()
        desk.context.echo(f"  {number}: {crop}, {say_trays(line.trays)}, {seed} each{lot}, {place}")
    if not yes and not desk.context.as_json and not click.confirm("Note all of this as sown?", default=True):
        raise RefusedError("nothing was noted")
    first = int(next_id(desk.batches))
    numbered = [(line, str(first + place)) for place, (_, line) in enumerate(kept)]
    desk.note(sow_deed(desk, numbered))
