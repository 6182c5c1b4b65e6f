"""``traywarden record`` and ``records``: what others ask to see, written down, and printed for some days."""

from __future__ import annotations

from pathlib import Path

import click

from dashboards.records import (
    COLD_STORE,
    HAND_OVER,
    WATER_TEST,
    build_records,
    page_lines,
    records_facts,
    render,
    to_csv,
)
from monitor.amounts import read_temp, say_list, say_temp
from monitor.cli.common import Context, json_option
from monitor.cli.desk import Desk, common
from monitor.clock import local_day
from monitor.errors import RefusedError
from monitor.ledger import EntryKind
from monitor.places import SpotKind
from monitor.readings import Quantity
from monitor.timewords import read_day

_WHAT = {"cold-store": COLD_STORE, "water-test": WATER_TEST, "hand-over": HAND_OVER}


@click.command(
    context_settings={"ignore_unknown_options": True},  # so that a temperature under nought is no option
    epilog="Example: traywarden record cold-store 3.4 --spot cold\n\n"
    "Example: traywarden record water-test 'no E. coli in 100 ml, slip 17'\n\n"
    "Example: traywarden record hand-over 'cold store door sticks' --by tomek",
)
@click.argument("what", type=click.Choice(tuple(_WHAT)))
@click.argument("value")
@click.option("--spot", metavar="PLACE", help="Where; a cold store need not be named where there is one only.")
@common
@click.pass_obj
def record(context: Context, what: str, value: str, spot: str | None, at: str | None, by: str | None) -> None:
    """Write down a cold-store temperature, a water test, or a line for whoever comes next."""
    desk = Desk(context, by, at)
    if what != "cold-store":
        if not value.strip():
            raise RefusedError("what is to be written down? E.g. traywarden record hand-over 'door sticks'")
        place = desk.spot(spot)
        entry = desk.entry(EntryKind.RECORDED, None, spot=place, data={"what": _WHAT[what], "text": value.strip()})
        desk.write([entry], [f"Noted by {desk.by}, {_WHAT[what]}: {value.strip()}"])
        return
    place = _cold_store(desk, spot)
    celsius = read_temp(value, desk.farm.units)
    limits = desk.farm.places[place].limits.get(Quantity.TEMPERATURE) if place in desk.farm.places else None
    name = desk.farm.places.name(place)
    if limits is not None and not limits.holds(celsius):
        low = f"{limits.low:g}" if limits.low is not None else "..."
        high = f"{limits.high:g}" if limits.high is not None else "..."
        desk.warnings.append(
            f"{name} should keep {low} to {high} °C. Look at door, setting and thermometer; what lay too warm is yours "
            "to judge by your food-safety rules."
        )
    data = {"what": COLD_STORE, "temp_c": round(celsius, 2)}
    entry = desk.entry(EntryKind.RECORDED, None, spot=place, data=data)
    shown = f"{celsius:.1f} °C" if desk.farm.units == "metric" else say_temp(celsius, desk.farm.units)
    desk.write([entry], [f"Noted by {desk.by}: {name}, {shown}."])


def _cold_store(desk: Desk, said: str | None) -> str:
    """Return the id of the cold store that is meant.

    Raises:
        RefusedError: None is named, and there is none or more than one.
    """
    if said is not None:
        return desk.farm.places.find(said).id
    stores = [spot.id for spot in desk.farm.places if spot.kind is SpotKind.COLD_STORE]
    if len(stores) != 1:
        there = f"there are: {say_list(stores)}" if stores else "farm.toml has none: add a [[place]], or name a place"
        raise RefusedError(f"which cold store? Say it with --spot; {there}")
    return stores[0]


@click.command(epilog="Example: traywarden records 2026-03-01 2026-03-31 --html march.html --csv march.csv")
@click.argument("first", metavar="FROM")
@click.argument("last", metavar="TO", required=False)
@click.option("--html", type=click.Path(path_type=Path, dir_okay=False), help="Write a page to print.")
@click.option("--csv", "csv_file", type=click.Path(path_type=Path, dir_okay=False), help="Write a table.")
@json_option
@click.pass_obj
def records(context: Context, first: str, last: str | None, html: Path | None, csv_file: Path | None) -> None:
    """Print what others ask to see, for some days: cleaning, cold store, water, seed, harvests, deliveries."""
    desk = Desk(context, None, None)
    today = local_day(desk.now, desk.farm.zone)
    from_on = read_day(first, today=today, ahead=False)
    to_on = today if last is None else read_day(last, today=today, ahead=False)
    if to_on < from_on:
        raise RefusedError(f"{to_on.isoformat()} lies before {from_on.isoformat()}; give the first day, then the last")
    page = build_records(
        desk.farm, desk.profiles, desk.batches, desk.entries, from_on=from_on, to_on=to_on, now=desk.now
    )
    wanted = ((html, render), (csv_file, to_csv))
    written = [write_file(path, make(page)) for path, make in wanted if path is not None]
    if context.as_json:
        context.echo_json(records_facts(page, written))
        return
    if not written:
        for line in page_lines(page):
            context.echo(line)
    for path in written:
        context.echo(f"Written: {path}. It is no certificate, and says so.")


def write_file(path: Path, text: str) -> str:
    """Write a file, and return its name.

    Raises:
        RefusedError: It cannot be written.
    """
    try:
        path.write_text(text, encoding="utf-8", newline="")
    except OSError as exc:
        raise RefusedError(f"{path} cannot be written: {exc}; name another file") from exc
    return str(path)
