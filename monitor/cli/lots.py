"""``traywarden lot``, ``lots`` and ``germination``: the seed on the shelf, what is left of it, and how it comes up."""

from __future__ import annotations

from datetime import date
from typing import Any

import click

from dashboards.facts.lots import judged_test, lots_facts, lots_shown
from monitor.amounts import read_g, say_g, say_list, say_time
from monitor.cli.common import Context, json_option
from monitor.cli.desk import Desk, common
from monitor.clock import local_day
from monitor.errors import NotFoundError, RefusedError
from monitor.germination import FULL_TEST, Germination, judge
from monitor.ledger import EntryKind, NewEntry, effective
from monitor.lots import GerminationTest, Lot, find_lot, lots_of
from monitor.profilefile import find_profile
from monitor.timewords import read_day
from monitor.verbs import TREATED


def _date(desk: Desk, said: str | None, *, ahead: bool) -> str | None:
    """Return a day as the ledger keeps it."""
    if said is None:
        return None
    return read_day(said, today=local_day(desk.now, desk.farm.zone), ahead=ahead).isoformat()


@click.command(
    epilog="Example: traywarden lot R-77 --crop radish --supplier 'the seed shed' --bought 2500 "
    "--packed 2025-11-03 --use-by 2027-11-30 --untreated"
)
@click.argument("lot_id", metavar="LOT")
@click.option("--crop", help="What it is.")
@click.option("--supplier", help="Who the seed came from.")
@click.option("--bought", metavar="WEIGHT", help="How much: 2500, '5 lb'. The same lot again is another bag.")
@click.option("--packed", metavar="DAY", help="Day on which it was packed, by its label.")
@click.option("--use-by", "use_by", metavar="DAY", help="Last day by its label.")
@click.option("--treated/--untreated", "treated", default=None, help="Whether the seed is treated.")
@common
@click.pass_obj
def lot(
    context: Context,
    lot_id: str,
    crop: str | None,
    supplier: str | None,
    bought: str | None,
    packed: str | None,
    use_by: str | None,
    treated: bool | None,
    at: str | None,
    by: str | None,
) -> None:
    """Enter a seed lot: a bag that was bought, as its label has it."""
    desk = Desk(context, by, at)
    known = find_lot(lots_of(effective(desk.entries)), lot_id)
    profile = None if crop is None else find_profile(desk.profiles, crop)
    if profile is None and (known is None or known.crop is None):
        raise RefusedError("say what it is: --crop radish (`traywarden profiles` lists the crops)")
    if profile is not None and known is not None and known.crop not in (None, profile.id):
        raise RefusedError(f"lot {known.id} is {known.crop} in the book, not {profile.id}; look at the bag again")
    data: dict[str, Any] = {
        "lot": known.id if known else lot_id.strip(),
        "crop": profile.id if profile else None,
        "supplier": supplier,
        "grams": None if bought is None else read_g(bought, desk.farm.units),
        "packed_on": _date(desk, packed, ahead=False),
        "use_by": _date(desk, use_by, ahead=True),
        "treated": treated,
    }
    if treated:
        desk.warnings.append(TREATED)
    elif treated is None and (known is None or known.treated is None):
        desk.care.append("Treated or not? The bag says it; enter it with --untreated: treated seed is not for eating.")
    entry = NewEntry(kind=EntryKind.LOT, at=desk.at, by=desk.by, data=data)
    again = "another bag of " if known is not None and known.bought_g is not None and bought is not None else ""
    crop_name = desk.profiles[profile.id].name.lower() if profile else _crop(desk, known) if known else ""
    desk.write([entry], [f"Noted: {again}lot {data['lot']}, {crop_name}{_left(desk, known, data['grams'])}."])


def _left(desk: Desk, known: Lot | None, more_g: float | None) -> str:
    """Return what is left of a lot with what is bought now, in words."""
    had = known.bought_g if known else None
    if had is None and more_g is None:
        return ""
    left = (had or 0.0) + (more_g or 0.0) - (known.sown_g if known else 0.0)
    return f", {say_g(max(left, 0.0), desk.farm.units)} left"


def _crop(desk: Desk, found: Lot) -> str:
    """Return what a lot is, as a grower says it."""
    profile = desk.profiles.get(found.crop or "")
    return profile.name.lower() if profile else found.crop or "crop not said"


@click.command(epilog="Example: traywarden lots")
@click.option("--all", "everything", is_flag=True, help="Also those of which nothing is left.")
@json_option
@click.pass_obj
def lots(context: Context, everything: bool) -> None:
    """List the seed lots: whose, how old, treated or not, grams left, and how they germinated."""
    desk = Desk(context, None, None)
    rows = effective(desk.entries)
    shown = lots_shown(rows, everything=everything)
    if context.as_json:
        context.echo_json(lots_facts(shown))
        return
    if not shown:
        context.echo("No seed lot is entered. Begin with: traywarden lot LOT --crop CROP --bought GRAMS --untreated")
    for each, on_hold in shown:
        for line in _lot_lines(desk, each, on_hold):
            context.echo(line)


def _lot_lines(desk: Desk, found: Lot, on_hold: str | None) -> list[str]:
    """Return a lot in a few lines."""
    units, today = desk.farm.units, local_day(desk.now, desk.farm.zone)
    if found.left_g is None:
        amount = f"{say_g(found.sown_g, units)} sown; how much was bought was never entered"
    elif found.left_g < 0:
        bought, sown = say_g(found.bought_g or 0, units), say_g(found.sown_g, units)
        amount = f"NOTHING LEFT by the book: {bought} bought, {sown} sown"
    else:
        amount = f"{say_g(found.left_g, units)} left of {say_g(found.bought_g or 0, units)}"
    lines = [f"{found.id}  {_crop(desk, found)}: {amount}"]
    if on_hold is not None:
        lines.append(f"      ON HOLD ({on_hold}): do not sow, do not cut, do not deliver")
    treated = {True: "TREATED SEED, not for eating", False: "untreated", None: "treated or not: not said"}
    words = [f"from {found.supplier}" if found.supplier else "supplier not said", treated[found.treated]]
    words += [f"packed {found.packed_on.isoformat()}"] if found.packed_on else []
    words += [_use_by(found.use_by, today)] if found.use_by else []
    lines.append(f"      {', '.join(words)}")
    if found.batches:
        lines.append(f"      sown as batch {say_list(list(found.batches))}")
    lines += [f"      {_test_words(test, desk)}" for test in found.tests]
    return lines


def _use_by(day: date, today: date) -> str:
    """Return the last day of a lot in words."""
    return f"PAST its last day {day.isoformat()}" if today > day else f"use by {day.isoformat()}"


def _test_words(test: GerminationTest, desk: Desk) -> str:
    """Return a germination test in one line."""
    judged = judged_test(test)
    when = say_time(test.at, desk.farm.zone)
    label = f", label {test.label_pct:g} %" if test.label_pct is not None else ""
    differs = " DIFFERS" if judged.differs else ""
    return (
        f"germination {test.germinated} of {test.seeds}, {judged.share_pct:.0f} % (95 %: {judged.low_pct:.0f} to "
        f"{judged.high_pct:.0f} %){label}{differs}, {when}, {test.by}"
    )


def _count(said: str) -> tuple[int, int]:
    """Return (germinated, laid out) of a text like 88/100.

    Raises:
        RefusedError: It cannot be read, or cannot be.
    """
    head, slash, tail = said.replace(" ", "").partition("/")
    if not slash or not head.isdigit() or not tail.isdigit() or not 0 <= int(head) <= int(tail) or int(tail) == 0:
        raise RefusedError(f"{said!r} is no count; say how many came up of how many, e.g. 88/100")
    return int(head), int(tail)


@click.command(epilog="Example: traywarden germination R-77 88/100 --label 92")
@click.argument("lot_id", metavar="LOT")
@click.argument("count", metavar="CAME-UP/LAID-OUT")
@click.option("--label", type=click.FloatRange(0, 100), metavar="PERCENT", help="What the label says.")
@common
@click.pass_obj
def germination(context: Context, lot_id: str, count: str, label: float | None, at: str | None, by: str | None) -> None:
    """Enter a germination test at home: how sure it is, and whether it really differs from the label."""
    desk = Desk(context, by, at)
    known = find_lot(lots_of(effective(desk.entries)), lot_id)
    if known is None:
        there = [each.id for each in lots_of(effective(desk.entries))]
        listed = f"there are: {', '.join(there)}" if there else "none is entered so far"
        raise NotFoundError(f"no seed lot is called {lot_id!r}; {listed}. Enter it first: traywarden lot {lot_id} ...")
    germinated, seeds = _count(count)
    earlier = [test.label_pct for test in known.tests if test.label_pct is not None]
    label_pct = label if label is not None else (earlier[-1] if earlier else None)
    data = {"lot": known.id, "germinated": germinated, "seeds": seeds, "label_pct": label_pct}
    judged = judge(germinated, seeds, label_pct)
    entry = NewEntry(kind=EntryKind.GERMINATED, at=desk.at, by=desk.by, data=data)
    said = [
        f"Noted: {germinated} of {seeds} seeds of lot {known.id} came up, {judged.share_pct:.0f} %. A count of {seeds} "
        f"tells no more than this: the whole lot lies between {judged.low_pct:.0f} and {judged.high_pct:.0f} % (19 "
        "times of 20).",
        *_verdict(judged, seeds),
    ]
    facts = {
        "germination": {
            "share_pct": round(judged.share_pct, 1),
            "share_95_pct": [round(judged.low_pct, 1), round(judged.high_pct, 1)],
            "label_pct": label_pct,
            "tolerance_points": judged.tolerance_pct,
            "differs_from_label": judged.differs,
        }
    }
    desk.write([entry], said, facts=facts)


def _verdict(judged: Germination, seeds: int) -> list[str]:
    """Return what a test says of the label, and what to do about it."""
    if judged.label_pct is None:
        return ["What does the label say? With --label 92 both are compared."]
    apart = abs(judged.share_pct - judged.label_pct)
    rule = (
        f"The label says {judged.label_pct:g} %: {apart:.0f} points apart; {judged.tolerance_pct:g} points are allowed "
        "between two full tests (7 CFR 201.63)."
    )
    if not judged.differs:
        if judged.tolerance_pct is not None and apart > judged.tolerance_pct:
            return [f"{rule} {seeds} seeds are too few to tell: test {FULL_TEST}, four times 100, before you complain."]
        return [f"{rule} It does not differ from its label."]
    if judged.share_pct > judged.label_pct:
        return [f"{rule} It comes up better than its label."]
    fuller = judged.label_pct / judged.share_pct if judged.share_pct else 0.0
    sow = f" Until then sow {fuller:.2f} times as much for the same stand." if 0 < fuller <= 1.5 else ""
    return [f"{rule} IT COMES UP WORSE THAN ITS LABEL: test again, and ask the supplier.{sow}"]
