"""``traywarden check``, ``keys`` and ``unit-file``: is everything as it should be, and what may stand in farm.toml."""

from __future__ import annotations

import shutil
import sys
from datetime import timedelta
from importlib.resources import files
from typing import Any

import click

from collectors.hints import Unclaimed, unclaimed
from monitor.cli.common import Context, json_option
from monitor.errors import BrokerError, ConfigError, Fault, NotFoundError, RefusedError, TraywardenError
from monitor.farm import Farm
from monitor.keys import KEYS

_LISTEN_S = 3.0


def _faults_of(context: Context) -> tuple[Farm | None, list[Fault]]:
    """Return the farm, if it can be read, and every fault of farm.toml and of the farm's own profiles."""
    faults: list[Fault] = []
    farm = None
    try:
        farm = context.farm()
    except ConfigError as exc:
        faults += exc.faults
    try:
        if farm is not None:
            context.profiles()
    except ConfigError as exc:
        faults += exc.faults
    return farm, faults


def _warnings(farm: Farm) -> list[str]:
    """Return what is allowed, but probably not meant."""
    found = []
    for person in farm.people.values():
        if person.quiet is not None and all(person.quiet.covers(each) for each in farm.rounds):
            found.append(f"person {person.id}: every round lies in the quiet hours, so nudges wait for their end")
    secret_files = [channel.url_file for channel in farm.channels.values()]
    secret_files.append(farm.broker.password_file)
    secret_files.append(farm.storage.influx.token_file if farm.storage.influx else None)
    for path in secret_files:
        if path is not None and not path.exists():
            found.append(f"{path} is named, but is not there")
        elif path is not None and path.stat().st_mode & 0o077:
            found.append(f"{path} holds a secret and can be read by others; chmod 600 it")
    if not farm.broker.embedded and not farm.broker.tls and farm.broker.user and farm.broker.host != "127.0.0.1":
        found.append("the broker's password goes over the network unencrypted; set tls = true if it can")
    return found


def _heard(farm: Farm, listen_s: float) -> tuple[str, list[Unclaimed]]:
    """Return what the broker says in one line, and the topics that no sensor claims.

    Raises:
        BrokerError: It does not answer.
    """
    from collectors.mqtt import listen
    from collectors.routes import Routes

    where = f"{farm.broker.host}:{farm.broker.port}"
    try:
        heard = listen(farm.broker, within=timedelta(seconds=listen_s))
    except BrokerError:
        if farm.broker.embedded:
            return f"broker: the embedded one runs within `traywarden run`; nothing answers at {where} now", []
        raise
    routes = Routes(farm.sensors.values())
    left = unclaimed(heard.payloads, routes, farm)
    return f"broker: {where} answers; {len(heard.payloads)} topics heard in {listen_s:g} s", left


@click.command(epilog="Example: traywarden check --listen 60")
@click.option(
    "--listen",
    "listen_s",
    type=click.FloatRange(0, 3600),
    default=_LISTEN_S,
    show_default=True,
    metavar="SECONDS",
    help="How long to listen to the broker.",
)
@json_option
@click.pass_obj
def check(context: Context, listen_s: float) -> None:
    """Look over farm.toml, crop profiles and broker; every fault at once, and topics that no sensor claims."""
    if not context.farm_path.exists():
        raise NotFoundError(f"no farm file at {context.farm_path}; make one with `traywarden init`")
    farm, faults = _faults_of(context)
    warnings = _warnings(farm) if farm is not None else []
    left: list[Unclaimed] = []
    broker, broken = "", ""
    if farm is not None and listen_s > 0:
        try:
            broker, left = _heard(farm, listen_s)
        except BrokerError as exc:
            broken = str(exc)
    missing = _missing_profiles(context, farm) if farm is not None and not faults else []
    if context.as_json:
        context.echo_json(_json(context, faults, [*warnings, *missing], broker, broken, left))
    else:
        _tell(context, farm, faults, [*warnings, *missing], broker, left)
    if faults or broken:
        raise RefusedError(
            broken or f"{len(faults)} fault{'s' if len(faults) > 1 else ''}; mend the file and check again"
        )


def _missing_profiles(context: Context, farm: Farm) -> list[str]:
    """Return the batches in the ledger whose crop has no profile any more."""
    from monitor.fold import fold

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
    context: Context, faults: list[Fault], warnings: list[str], broker: str, broken: str, left: list[Unclaimed]
) -> dict[str, Any]:
    """Return what was found as the documented JSON."""
    return {
        "schema": "traywarden.check/1",
        "farm_file": str(context.farm_path),
        "faults": [
            {"file": each.file, "line": each.line, "key": each.key, "found": each.found, "allowed": each.allowed}
            for each in faults
        ],
        "warnings": warnings,
        "broker": broken or broker,
        "broker_answers": not broken,
        "unclaimed": [{"topic": each.topic, "payload": each.payload, "lines": each.lines} for each in left],
    }


def _tell(
    context: Context, farm: Farm | None, faults: list[Fault], warnings: list[str], broker: str, left: list[Unclaimed]
) -> None:
    """Say what was found."""
    for fault in faults:
        context.echo(str(fault))
    for warning in warnings:
        context.echo(f"mind: {warning}")
    if farm is not None and not faults:
        context.echo(
            f"{context.farm_path.name}: {farm.name}, {len(list(farm.places))} places, {len(farm.sensors)} sensors, "
            f"{len(farm.people)} people; {len(context.profiles())} crop profiles. No fault."
        )
    if broker:
        context.echo(broker)
    for each in left:
        context.echo(f"\nheard, but no sensor claims it: {each.topic}")
        context.echo(f"  last payload: {each.payload}")
        context.echo("  to paste into farm.toml (mend id and spot):")
        for line in each.lines.splitlines():
            context.echo(f"    {line}")


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
            single = key.table in ("farm", "broker", "storage", "storage.influx")
            context.echo(f"\n[{key.table}]" if single else f"\n[[{key.table}]]")
            table = key.table
        context.echo(f"  {key.name:<17} {key.takes}  (without it: {key.default})\n{'':<20}{key.means}")


@click.command("unit-file", epilog="Example: traywarden unit-file | sudo tee /etc/systemd/system/traywarden.service")
@click.option("--user", default="traywarden", show_default=True, help="The user that it runs as.")
@click.pass_obj
def unit_file(context: Context, user: str) -> None:
    """Print a systemd unit for this farm."""
    farm = context.farm()
    text = (files("monitor") / "systemd" / "traywarden.service").read_text(encoding="utf-8")
    folders = [farm.storage.folder, *([farm.storage.ledger_copies] if farm.storage.ledger_copies else [])]
    path = context.farm_path.resolve()
    click.echo(
        text.format(
            farm_name=farm.name.replace("\n", " "),
            user=user,
            folder=path.parent,
            farm_path=path,
            command=shutil.which("traywarden") or f"{sys.executable} -m monitor.cli",
            storage=" ".join(str(folder) for folder in folders),
        ),
        nl=False,
    )
