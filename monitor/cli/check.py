"""``traywarden check`` and ``keys``: is everything as it should be, and what may stand in farm.toml."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import click

from monitor.cli.common import Context, json_option
from monitor.errors import Fault, NotFoundError, RefusedError, TraywardenError
from monitor.farm import Farm
from monitor.keys import KEYS, SINGLE_TABLES

if TYPE_CHECKING:
    from monitor.cli.lookatstores import Server
    from monitor.cli.lookover import Heard

_LISTEN_S = 3.0


@click.command(epilog="Example: traywarden check --listen 60")
@click.option(
    "--listen",
    "listen_s",
    type=click.FloatRange(0, 3600),
    default=_LISTEN_S,
    show_default=True,
    metavar="SECONDS",
    help="How long to listen to the broker; 0: not at all.",
)
@json_option
@click.pass_obj
def check(context: Context, listen_s: float) -> None:
    """Look over farm.toml, crop profiles, servers and broker; every fault at once, and topics that no sensor claims."""
    from monitor.cli.lookatstores import look_at_servers, without_sharing
    from monitor.cli.lookover import look_over, warnings

    if not context.farm_path.exists():
        raise NotFoundError(f"no farm file at {context.farm_path}; make one with `traywarden init`")
    farm, faults = look_over(context.farm_path, now=context.clock())
    mind = warnings(farm) if farm is not None else []
    servers = list(look_at_servers(farm)) if farm is not None and not faults else []
    broken = [each.name for each in servers if each.broken]
    if farm is not None and not faults and "PostgreSQL" not in broken:
        mind += _missing_profiles(context, farm)
    heard = _listen(context, farm, faults, listen_s)
    if farm is not None and not faults and listen_s > 0 and not heard.broken:
        mind += [why for why in [without_sharing(farm)] if why]
    if context.as_json:
        context.echo_json(_json(context, faults, mind, servers, heard))
    else:
        _tell(context, farm, faults, mind)
        for each in servers:
            context.echo(f"{each.name}: {each.says}")
        _tell_heard(context, heard, listen_s)
    wrong = len(faults) + len(broken) + heard.broken
    if wrong:
        raise RefusedError(
            f"{wrong} fault{'s' if wrong > 1 else ''}; mend {'them' if wrong > 1 else 'it'} and check again"
        )


def _listen(context: Context, farm: Farm | None, faults: Sequence[Fault], listen_s: float) -> Heard:
    """Listen to the broker, unless its own settings are at fault or nobody wants to."""
    from monitor.cli.lookover import Heard, listen_over

    if listen_s == 0:
        return Heard(says="broker: not listened to")
    if farm is None or any(fault.key.startswith("broker.") for fault in faults):
        return Heard(says="broker: not tried, since its settings have faults")
    context.echo(f"Listening to the broker for {listen_s:g} s ...")
    return listen_over(farm, listen_s=listen_s, now=context.clock())


def _missing_profiles(context: Context, farm: Farm) -> list[str]:
    """Return the batches in the ledger whose crop has no profile any more; no ledger is begun for it."""
    from monitor.fold import fold
    from monitor.stores.engine import LEDGER_FILE

    if farm.storage.postgres is None and not (farm.storage.folder / LEDGER_FILE).exists():
        return []
    try:
        batches = fold(context.ledger().entries())
    except TraywardenError as exc:
        return [f"the ledger: {exc}"]
    known = context.profiles()
    return [
        f"batch {batch.id}: no profile for crop {batch.crop!r}, so nothing is nudged for it"
        for batch in batches.values()
        if batch.crop not in known and not batch.is_over
    ]


def _json(
    context: Context, faults: Sequence[Fault], mind: list[str], servers: Sequence[Server], heard: Heard
) -> dict[str, Any]:
    """Return what was found as the documented JSON."""
    return {
        "schema": "traywarden.check/1",
        "farm_file": str(context.farm_path),
        "faults": [
            {"file": each.file, "line": each.line, "key": each.key, "found": each.found, "allowed": each.allowed}
            for each in faults
        ],
        "warnings": mind,
        "servers": [{"name": each.name, "says": each.says, "broken": each.broken} for each in servers],
        "broker": heard.says,
        "broker_broken": heard.broken,
        "unclaimed": [
            {"topic": each.topic, "payload": each.payload, "retained": each.retained, "lines": each.lines}
            for each in heard.unclaimed
        ],
        "unreadable": [{"topic": topic, "why": why} for topic, why in heard.unreadable],
        "silent": list(heard.silent),
    }


def _count(number: int, one: str, many: str) -> str:
    """Return a number with its noun."""
    return f"{number} {one if number == 1 else many}"


def _tell(context: Context, farm: Farm | None, faults: Sequence[Fault], mind: list[str]) -> None:
    """Say what is wrong with the files, and what to mind."""
    for fault in faults:
        context.echo(str(fault))
    for warning in mind:
        context.echo(f"mind: {warning}")
    if farm is not None and not faults:
        parts = (
            _count(len(list(farm.places)), "place", "places"),
            _count(len(farm.sensors), "sensor", "sensors"),
            _count(len(farm.people), "person", "people"),
            f"{_count(len(context.profiles()), 'crop profile', 'crop profiles')}. No fault.",
        )
        context.echo(f"{context.farm_path.name}: {farm.name}, {', '.join(parts)}")


def _tell_heard(context: Context, heard: Heard, listen_s: float) -> None:
    """Say how the broker is, what cannot be read, who is silent, and what nobody claims."""
    context.echo(heard.says)
    for _, why in heard.unreadable:
        context.echo(f"heard, but cannot be read: {why}")
    if heard.silent and not heard.broken:
        context.echo(f"nothing came in {listen_s:g} s for: {', '.join(heard.silent)}")
    for each in heard.unclaimed:
        context.echo(f"\nheard, but no sensor claims it: {each.topic}")
        context.echo(f"  last payload{' (kept by the broker; may be old)' if each.retained else ''}: {each.payload}")
        context.echo("  to paste into farm.toml (mend id and spot):")
        for line in each.lines.splitlines():
            context.echo(f"    {line}".rstrip())


@click.command(epilog="Example: traywarden keys")
@json_option
@click.pass_obj
def keys(context: Context) -> None:
    """List every key that farm.toml may hold: what it takes, what holds without it, what it means."""
    if context.as_json:
        context.echo_json({"schema": "traywarden.keys/1", "keys": [key._asdict() for key in KEYS]})
        return
    table = None
    for key in KEYS:
        if key.table != table:
            single = key.table in SINGLE_TABLES
            context.echo(f"\n[{key.table}]" if single else f"\n[[{key.table}]]")
            table = key.table
        context.echo(f"  {key.name:<17} {key.takes}  (without it: {key.default})\n{'':<20}{key.means}")
