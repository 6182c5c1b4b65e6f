"""``traywarden hold``, ``release`` and ``holds``: what must not be cut or delivered, and what has gone out of it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from dashboards.trace import build_trace, render
from monitor.amounts import say_g, say_list, say_time, say_trays
from monitor.cli.common import Context, json_option
from monitor.cli.desk import Desk, common
from monitor.cli.records import write_file
from monitor.cli.rounds import hold_json
from monitor.errors import NotFoundError, RefusedError
from monitor.holds import (
    RECALL,
    GoneOut,
    Hold,
    StillHere,
    ThrownAway,
    gone_out,
    holds_of,
    lots_sown,
    reaches,
    same_lot,
    still_here,
    thrown_away,
)
from monitor.ledger import EntryKind, NewEntry, effective
from monitor.lots import find_lot, lots_of


def _target(desk: Desk, lot: str | None, batch: str | None) -> tuple[str | None, str | None]:
    """Return (lot, batch) that are named, one of them None.

    Raises:
        RefusedError: Neither or both are named.
        NotFoundError: There is no such batch.
    """
    if (lot is None) == (batch is None):
        raise RefusedError("say what: --lot X for all that was sown from a seed lot, or --batch Y for one batch")
    if batch is not None and batch not in desk.batches:
        raise NotFoundError(f"there is no batch {batch!r}; `traywarden batches --all` lists them")
    spelled = [known for each in desk.batches.values() for known in lots_sown(each) if same_lot(known, lot)]
    return (spelled[0] if spelled else lot), batch


def _standing(desk: Desk, lot: str | None, batch: str | None) -> list[Hold]:
    """Return the holds that stand on a lot or on a batch by its own name."""
    holds = [hold for hold in holds_of(effective(desk.entries)) if hold.ended_at is None]
    return [
        hold for hold in holds if (same_lot(hold.lot, lot) if lot else hold.batch is not None and hold.batch == batch)
    ]


def _gone_json(gone: GoneOut) -> dict[str, Any]:
    """Return a delivery as the documented JSON."""
    return {
        "batch": gone.batch,
        "crop": gone.crop,
        "at": gone.at.isoformat(),
        "whom": gone.whom or None,
        "trays": gone.trays,
        "grams": gone.grams,
        "living": gone.living,
        "entry": gone.entry,
    }


def _thrown_json(each: ThrownAway) -> dict[str, Any]:
    """Return a discard as the documented JSON."""
    return {
        "batch": each.batch,
        "crop": each.crop,
        "at": each.at.isoformat(),
        "trays": each.trays,
        "why": each.why,
        "by": each.by,
        "entry": each.entry,
    }


def _seed_left_g(hold: Hold, desk: Desk) -> float | None:
    """Return what is left of a held lot's seed; None: no lot is held, or nobody said how much was bought. In g."""
    found = find_lot(lots_of(effective(desk.entries)), hold.lot)
    return None if found is None or found.left_g is None else round(max(found.left_g, 0.0), 1)


def _here_json(here: StillHere) -> dict[str, Any]:
    """Return trays that have not left as the documented JSON."""
    return {"batch": here.batch, "crop": here.crop, "trays": here.trays, "spot": here.spot, "cut": here.is_cut}


def facts_of(hold: Hold, desk: Desk) -> dict[str, Any]:
    """Return a hold with all that it reaches as the documented JSON."""
    return {
        **hold_json(hold),
        "batches": [batch.id for batch in desk.batches.values() if reaches(hold, batch)],
        "gone_out": [_gone_json(gone) for gone in gone_out(hold, desk.batches)],
        "thrown_away": [_thrown_json(each) for each in thrown_away(hold, desk.batches)],
        "still_here": [_here_json(here) for here in still_here(hold, desk.batches)],
        "seed_left_g": _seed_left_g(hold, desk),
    }


def reach_lines(hold: Hold, desk: Desk) -> list[str]:
    """Return what a hold reaches: what is still here, and what has gone out with buyer, day and amount."""
    farm = desk.farm
    named = [desk.name(batch) for batch in desk.batches.values() if reaches(hold, batch)]
    lines = [f"It concerns {say_list(named)}." if named else f"No batch was sown from {hold.target} so far."]
    here = still_here(hold, desk.batches)
    if here:
        lines.append("Still here:")
    for each in here:
        what = "cut, not delivered" if each.is_cut else farm.places.name(each.spot)
        lines.append(f"  {say_trays(each.trays)} of batch {each.batch} {each.crop}: {what}")
    out = gone_out(hold, desk.batches)
    lines.append("Already gone out:" if out else "Nothing of it has gone out, as far as it was entered.")
    for gone in out:
        amount = say_trays(gone.trays) + (" living" if gone.living else "")
        grams = f", {say_g(gone.grams, farm.units)}" if gone.grams is not None else ""
        whom = gone.whom or "nobody wrote down to whom"
        when = say_time(gone.at, farm.zone)
        lines.append(f"  {when}  {whom}: {amount}{grams} of batch {gone.batch} {gone.crop} (entry {gone.entry})")
    for away in thrown_away(hold, desk.batches):
        when = say_time(away.at, farm.zone)
        what = f"{say_trays(away.trays)} of batch {away.batch} {away.crop}"
        lines.append(f"Thrown away: {when}  {what}: {away.why} (entry {away.entry})")
    left_g = _seed_left_g(hold, desk)
    if left_g:
        lines.append(f"Seed of it left: {say_g(left_g, farm.units)}. Do not sow it.")
    return lines


@click.command(epilog="Example: traywarden hold --lot R-77 --reason 'recalled by the supplier'")
@click.option("--lot", metavar="LOT", help="All that was or will be sown from this seed lot.")
@click.option("--batch", metavar="BATCH", help="This batch.")
@click.option("--reason", required=True, help="Why.")
@common
@click.pass_obj
def hold(context: Context, lot: str | None, batch: str | None, reason: str, at: str | None, by: str | None) -> None:
    """Put a seed lot or a batch on hold: nothing of it is to be cut or delivered until it is released."""
    desk = Desk(context, by, at)
    lot, batch = _target(desk, lot, batch)
    known = _standing(desk, lot, batch)
    if known:
        raise RefusedError(
            f"{known[0].target} is on hold already: {known[0].why} ({known[0].by}, "
            f"{say_time(known[0].at, desk.farm.zone)}); `traywarden holds` shows all"
        )
    data = {"lot": lot.strip(), "why": reason} if lot else {"why": reason}
    entry = NewEntry(kind=EntryKind.HELD, at=desk.at, by=desk.by, batch=batch, data=data)
    wanted = Hold(id=0, lot=lot, batch=batch, why=reason, by=desk.by, at=desk.at)
    desk.care.append(RECALL)
    said = [f"ON HOLD from now on: {wanted.target} ({reason}). Do not cut, do not deliver."]
    ends = f"It ends with: traywarden release {wanted.option} --reason '...'"
    desk.write([entry], [*said, *reach_lines(wanted, desk), ends], facts={"hold": facts_of(wanted, desk)})


@click.command(epilog="Example: traywarden release --lot R-77 --reason 'supplier: our lot was not concerned' --by ines")
@click.option("--lot", metavar="LOT", help="This seed lot.")
@click.option("--batch", metavar="BATCH", help="This batch.")
@click.option("--reason", required=True, help="Why it is free again.")
@common
@click.pass_obj
def release(context: Context, lot: str | None, batch: str | None, reason: str, at: str | None, by: str | None) -> None:
    """End a hold, with a reason and your name."""
    desk = Desk(context, by, at)
    lot, batch = _target(desk, lot, batch)
    if not _standing(desk, lot, batch):
        through = desk.batches[batch].holds if batch else ()
        if through:
            raise RefusedError(
                f"batch {batch} is on hold through its {through[0].target}: release that, with {through[0].option}; "
                "or discard the batch"
            )
        names = [hold.target for hold in holds_of(effective(desk.entries)) if hold.ended_at is None]
        listed = f"on hold are: {say_list(names)}" if names else "nothing is on hold"
        raise NotFoundError(f"{f'lot {lot}' if lot else f'batch {batch}'} is not on hold; {listed}")
    data = {"lot": lot.strip(), "why": reason} if lot else {"why": reason}
    entry = NewEntry(kind=EntryKind.RELEASED, at=desk.at, by=desk.by, batch=batch, data=data)
    if lot:
        desk.care.append(RECALL)
    what = f"Lot {lot}" if lot else f"Batch {batch}"
    desk.write([entry], [f"{what} is released by {desk.by}: {reason}.", *_after(desk, lot, batch)])


def _after(desk: Desk, lot: str | None, batch: str | None) -> list[str]:
    """Return what a release sets free, and what stays on hold for another reason."""
    freed = [
        each for each in desk.batches.values() if each.id == batch or any(same_lot(h.lot, lot) for h in each.holds)
    ]
    lines = []
    for each in freed:
        other = [hold for hold in each.holds if not (same_lot(hold.lot, lot) if lot else hold.batch == batch)]
        if other:
            lines.append(f"{desk.name(each).capitalize()} STAYS ON HOLD through its {other[0].target}: {other[0].why}.")
        else:
            lines.append(f"{desk.name(each).capitalize()} may be cut and delivered again.")
    return lines


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
        left = {each.id: left_g for each in shown if (left_g := _seed_left_g(each, desk)) is not None}
        write_file(html, render(build_trace(desk.farm, desk.profiles, desk.batches, shown, left, now=desk.now)))
    if context.as_json:
        facts = {"schema": "traywarden.holds/1", "holds": [facts_of(each, desk) for each in shown]}
        context.echo_json({**facts, "files": [str(html)] if html else []})
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
