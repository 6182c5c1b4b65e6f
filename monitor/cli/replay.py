"""``traywarden replay``: which news last month's readings would have brought, by the rules and limits of today."""

from __future__ import annotations

from collections import Counter
from datetime import datetime, time, timedelta
from pathlib import Path

import click

from monitor.amounts import say_time
from monitor.cli.common import Context, json_option
from monitor.clock import at_local, local_day
from monitor.errors import ConfigError, Fault, RefusedError, TimeError
from monitor.live import HELD
from monitor.profiles import Profile
from monitor.timewords import read_day, read_instant

_PIECE = timedelta(days=1)
_LONGEST = timedelta(days=92)


def _profiles(context: Context, files: tuple[Path, ...]) -> dict[str, Profile]:
    """Return the farm's profiles, with those of some files over them.

    Raises:
        ConfigError: A file has faults; all of them are said.
    """
    from monitor.profilefile import parse_profile

    profiles = dict(context.profiles())
    for path in files:
        try:
            own = parse_profile(path.read_text(encoding="utf-8"), file=path.name, origin=path.name)
        except (OSError, UnicodeDecodeError) as exc:
            fault = Fault(file=path.name, line=None, key="file", found=str(exc), allowed="a readable UTF-8 file")
            raise ConfigError([fault]) from exc
        profiles[own.id] = own
    return profiles


def _mark(said: str, context: Context, *, closes: bool) -> datetime:
    """Return an instant that a person means; of a day alone its begin, or its end where it closes a span.

    Raises:
        TimeError: It cannot be read.
    """
    zone, now = context.farm().zone, context.clock()
    try:
        day = read_day(said, today=local_day(now, zone), ahead=False)
    except TimeError:
        return read_instant(said, now=now, zone=zone)
    return at_local(day + timedelta(days=1) if closes else day, time(0), zone)


@click.command(epilog="Example: traywarden replay 2026-03-01 2026-03-14 --profile basil-warmer.toml")
@click.argument("start", metavar="FROM")
@click.argument("end", metavar="TO")
@click.option(
    "--profile",
    "files",
    type=click.Path(path_type=Path, dir_okay=False),
    multiple=True,
    help="Judge a crop by this file instead of its profile; may be given again.",
)
@click.option("--every", type=click.IntRange(1, 60), default=5, show_default=True, help="Minutes between looks.")
@json_option
@click.pass_obj
def replay(context: Context, start: str, end: str, files: tuple[Path, ...], every: int) -> None:
    """Run recorded readings through the rules as they are now, and list what would have been told. Writes nothing."""
    from alerts.replay import Came, Replay, in_order, through
    from monitor.stores.opening import open_readings

    farm, now = context.farm(), context.clock()
    begin_at, end_at = _mark(start, context, closes=False), min(_mark(end, context, closes=True), now)
    if not begin_at < end_at <= begin_at + _LONGEST:
        raise RefusedError(f"from {start!r} to {end!r} is no span of up to 92 days; give e.g. 2026-03-01 2026-03-14")
    run = Replay(farm, _profiles(context, files), context.ledger().entries(), start=begin_at)
    sensors = list(farm.sensors)
    came: list[Came] = []
    store = open_readings(farm)
    try:
        run.feed(in_order(store.read(sensors, begin_at - HELD, begin_at)))
        at = begin_at
        while at < end_at:
            upto = min(at + _PIECE, end_at)
            block = in_order(store.read(sensors, at, upto))
            came += through(run, block, at, upto, timedelta(minutes=every))
            at = upto
            context.warn(f"   replayed to {say_time(at, farm.zone)}")
        came += run.rest(end_at)
    finally:
        store.close()
    if context.as_json:
        rows = [
            {
                "at": each.at.isoformat(),
                "told_at": each.told_at.isoformat(),
                "title": each.news.title,
                "text": each.news.text,
                "priority": each.news.priority.name.lower(),
            }
            for each in came
        ]
        context.echo_json({"schema": "traywarden.replay/1", "came": rows})
        return
    for each in came:
        later = "" if each.told_at == each.at else f" (told {say_time(each.told_at, farm.zone)})"
        context.echo(f"{say_time(each.at, farm.zone)}  {each.news.priority.name.lower()}: {each.news.title}{later}")
        context.echo(f"      {each.news.text}")
    days = (end_at - begin_at) / timedelta(days=1)
    kinds = Counter(each.news.title.split(":")[0] for each in came)
    listed = ", ".join(f"{kind.lower()} {count}" for kind, count in kinds.most_common())
    context.echo(f"{len(came)} in {days:.0f} days, by the rules of today{': ' + listed if listed else ''}.")
    if files:
        context.echo(f"Judged by {', '.join(path.name for path in files)} in place of the profile.")
