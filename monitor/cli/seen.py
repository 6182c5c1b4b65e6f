"""``traywarden seen``, ``confirm`` and ``refuse``: what the scales saw that nobody has entered, and the word on it."""

from __future__ import annotations

import click

from alerts.proposals import Proposal, proposals
from monitor.cli.common import Context, json_option
from monitor.cli.desk import Desk, common
from monitor.cli.rounds import tick_of
from monitor.errors import NotFoundError
from monitor.ledger import EntryKind, NewEntry


def _open(context: Context) -> tuple[Proposal, ...]:
    """Return what waits for a word."""
    return proposals(tick_of(context, context.clock()), context.ledger().entries())


def _named(found: tuple[Proposal, ...], keys: tuple[str, ...]) -> list[Proposal]:
    """Return the proposals that a person named.

    Raises:
        NotFoundError: One of the keys is none of them.
    """
    if len(keys) == 1 and keys[0].casefold() == "all":
        return list(found)
    by_key = {proposal.key.casefold(): proposal for proposal in found}
    for key in keys:
        if key.casefold() not in by_key:
            waiting = f"there are: {', '.join(proposal.key for proposal in found)}" if found else "nothing waits"
            raise NotFoundError(f"the scales saw nothing called {key!r} that waits for a word; {waiting}")
    return [by_key[key.casefold()] for key in keys]


@click.command(epilog="Example: traywarden seen")
@json_option
@click.pass_obj
def seen(context: Context) -> None:
    """List what the scales saw being done that nobody has entered, each with its four letters."""
    found = _open(context)
    if context.as_json:
        context.echo_json(
            {
                "schema": "traywarden.seen/1",
                "seen": [
                    {
                        "key": each.key,
                        "deed": each.deed.value,
                        "at": each.at.isoformat(),
                        "batch": each.batch,
                        "scale": each.sensor,
                        "would_be": each.kind.value,
                        "data": each.data,
                    }
                    for each in found
                ],
            }
        )
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
    chosen = _named(_open(context), keys)
    entries = [
        NewEntry(
            kind=each.kind,
            at=each.at,
            by=desk.by,
            batch=each.batch,
            trays=each.trays,
            spot=each.spot,
            data={**each.data, "proposal": each.key},
        )
        for each in chosen
    ]
    if not entries:
        context.echo("Nothing waits for a word.")
        return
    desk.write(entries, [f"Noted: {each.says}." for each in chosen])


@click.command(epilog="Example: traywarden refuse K7QM --why 'the cat'")
@click.argument("keys", nargs=-1, required=True)
@click.option("--why", default="", help="What it was instead.")
@common
@click.pass_obj
def refuse(context: Context, keys: tuple[str, ...], why: str, at: str | None, by: str | None) -> None:
    """Say that what the scales saw was something else; it is not offered again."""
    desk = Desk(context, by, at)
    chosen = _named(_open(context), keys)
    entries = [
        NewEntry(
            kind=EntryKind.REFUSED, at=desk.at, by=desk.by, batch=each.batch, data={"proposal": each.key, "why": why}
        )
        for each in chosen
    ]
    if not entries:
        context.echo("Nothing waits for a word.")
        return
    desk.write(entries, [f"Noted: not so: {each.says}." for each in chosen])
