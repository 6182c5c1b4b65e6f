"""Verbs that begin a batch: soak, sow, and an earlier day's whole sowing again."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from typing import Any

import click

from monitor.amounts import read_g, say_day, say_g, say_time, say_trays
from monitor.batches import Batch
from monitor.cli.common import Context
from monitor.cli.desk import Desk, common
from monitor.clock import local_day
from monitor.errors import RefusedError
from monitor.holds import holds_of
from monitor.ledger import EntryKind, NewEntry, effective
from monitor.lots import Lot, find_lot, lot_warnings, lots_of
from monitor.profilefile import find_profile
from monitor.profiles import Manner, Profile
from monitor.timewords import read_day
from monitor.verbs import TREATED, next_id, seed_words

_AFTER = {
    Manner.STACKED: "now stack it in the dark under a weight (traywarden stack {batch} --weight KG)",
    Manner.COVERED: "now cover it in the dark, no weight (traywarden stack {batch} --cover-only)",
    Manner.OPEN: "leave it open, lit",
}


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
    _mind_lot(desk, lot, profile.id, seed_g or 0.0)
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Sowing:
    """One line of a sowing.

    Attributes:
        crop: Profile id.
        trays: How many.
        spot: Where, or None.
        lot: Seed lot, or None.
        supplier: As entered, or None.
        treated: Whether the seed is treated; None: not said.
        tray_kind: Tray kind id.
        seed_g_per_tray: Sowing weight. [g per tray of its kind]
        medium: Which medium, or which bag of it; None: not said.
    """

    crop: str
    trays: int
    spot: str | None
    lot: str | None
    supplier: str | None
    treated: bool | None
    tray_kind: str
    seed_g_per_tray: float
    medium: str | None = None


def _entry(desk: Desk, sowing: Sowing, batch: str) -> NewEntry:
    """Return the entry of one sowing, and warn of what is odd about it."""
    profile = desk.profiles[sowing.crop]
    soaked = desk.batches.get(batch)
    is_counted = soaked is not None and any(each.data.get("seed_g") for each in soaked.entries)  # when it was soaked
    _mind_lot(desk, sowing.lot, sowing.crop, 0.0 if is_counted else sowing.seed_g_per_tray * sowing.trays)
    if sowing.treated:
        desk.warnings.append(TREATED)
    elif sowing.treated is None and TREATED_UNKNOWN not in desk.care:
        desk.care.append(TREATED_UNKNOWN)
    odd = seed_words(profile, sowing.seed_g_per_tray, desk.farm.tray_kinds[sowing.tray_kind].scale)
    if odd:
        desk.warnings.append(f"Batch {batch} {profile.name.lower()}: {odd}")
    data = {
        "crop": sowing.crop,
        "tray_kind": sowing.tray_kind,
        "seed_g_per_tray": sowing.seed_g_per_tray,
        "lot": sowing.lot,
        "supplier": sowing.supplier,
        "treated": sowing.treated,
        "misted": True,
        **({"medium": sowing.medium} if sowing.medium else {}),
    }
    return desk.entry_of(EntryKind.SOWN, batch, trays=sowing.trays, spot=sowing.spot, data=data)


def _lot(desk: Desk, said: str | None) -> Lot | None:
    """Return a seed lot of the book, if it is known."""
    return find_lot(lots_of(effective(desk.entries)), said)


def _mind_lot(desk: Desk, said: str | None, crop: str, grams: float) -> None:
    """Warn of what speaks against sowing a lot."""
    holds = holds_of(effective(desk.entries))
    today = local_day(desk.at, desk.farm.zone)
    desk.warnings += lot_warnings(_lot(desk, said), said, holds, crop=crop, grams=grams, today=today)


TREATED_UNKNOWN = "Sow only untreated seed meant for food or shoots; note it with --untreated, and its lot with --lot."


def _said(desk: Desk, sowing: Sowing, batch: str) -> str:
    """Return what was noted of one sowing, and what to do right after it."""
    profile = desk.profiles[sowing.crop]
    where = f", {desk.farm.places.name(sowing.spot)}" if sowing.spot else ""
    lot = f", lot {sowing.lot}" if sowing.lot else ""
    seed = say_g(sowing.seed_g_per_tray, desk.farm.units)
    after = _AFTER[profile.manner].format(batch=batch)
    return (
        f"Noted: batch {batch}, {say_trays(sowing.trays)} of {profile.name.lower()} sown with {seed} each{lot}{where}; "
        f"mist it, {after}."
    )


def _soaking(desk: Desk, crop: str, said: str | None) -> Batch | None:
    """Return the soak that a sowing ends: the one named, or the only one of its crop; None: there is none."""
    soaking = [batch for batch in desk.batches.values() if batch.sown_at is None and batch.crop == crop]
    if said is not None:
        batch = desk.batches.get(said)
        if batch is None or batch.crop != crop:
            raise RefusedError(f"batch {said!r} is no batch of {crop}; `traywarden batches` lists them")
        return batch
    if len(soaking) > 1:
        numbers = ", ".join(batch.id for batch in soaking)
        raise RefusedError(f"several soaks of {crop} could be meant: {numbers}; say which with --batch")
    return soaking[0] if soaking else None


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
    if crop is None or (trays is None and batch is None and not _planned(desk, crop)):
        raise RefusedError("say what was sown, and how many trays: traywarden sow radish --trays 8")
    profile = find_profile(desk.profiles, crop)
    soaked = _soaking(desk, profile.id, batch)
    kind = _tray_kind(desk, tray_kind)
    count = trays or (soaked.trays_planned if soaked else None)
    if count is None:
        raise RefusedError("say how many trays were sown: --trays N")
    lot = lot or (soaked.lot if soaked else None)
    known = _lot(desk, lot)
    told = [each for each in (treated, soaked.treated if soaked else None, known.treated if known else None)]
    sowing = Sowing(
        crop=profile.id,
        trays=count,
        spot=desk.spot(spot),
        lot=known.id if known else lot,
        supplier=supplier or (soaked.supplier if soaked else None) or (known.supplier if known else None),
        treated=next((each for each in told if each is not None), None),
        tray_kind=kind,
        seed_g_per_tray=_seed(desk, profile, kind, grams),
        medium=medium,
    )
    number = soaked.id if soaked else next_id(desk.batches)
    desk.write([_entry(desk, sowing, number)], [_said(desk, sowing, number)])


def _planned(desk: Desk, crop: str) -> bool:
    """Tell whether a soak of this crop says how many trays it is for."""
    profile = find_profile(desk.profiles, crop)
    return any(
        each.sown_at is None and each.crop == profile.id and each.trays_planned for each in desk.batches.values()
    )


def _tray_kind(desk: Desk, said: str | None) -> str:
    """Return a tray kind of the farm: the one named, or the first."""
    if said is None:
        return next(iter(desk.farm.tray_kinds))
    if said not in desk.farm.tray_kinds:
        raise RefusedError(f"no tray kind {said!r} in farm.toml; there are: {', '.join(desk.farm.tray_kinds)}")
    return said


def _seed(desk: Desk, profile: Profile, kind: str, grams: str | None) -> float:
    """Return the sowing weight of one tray: as said, or the profile's usual, scaled by area."""
    if grams is not None:
        return read_g(grams, desk.farm.units)
    return round(profile.seed_g_per_tray.usual * desk.farm.tray_kinds[kind].scale, 1)


def _sown_on(desk: Desk, day: date) -> list[Sowing]:
    """Return every sowing of a local day, in the order of the deeds."""
    lines = []
    for batch in desk.batches.values():
        for entry in batch.entries:
            if entry.kind is EntryKind.SOWN and local_day(entry.at, desk.farm.zone) == day:
                kind = str(entry.data.get("tray_kind") or "")
                known = kind if kind in desk.farm.tray_kinds else _tray_kind(desk, None)
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
                        seed_g_per_tray=_seed(desk, profile, known, None) if grams is None else float(grams),
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
    numbered = [(str(first + place), line) for place, (_, line) in enumerate(kept)]
    entries = [_entry(desk, line, batch) for batch, line in numbered]
    desk.write(entries, [_said(desk, line, batch) for batch, line in numbered])
