"""``traywarden plan``: all promises laid out backwards into sowing days, with seed, medium, trays and shelf places."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from itertools import groupby
from typing import TYPE_CHECKING

import click

from alerts.findings import Tick
from alerts.planning import days_words, medium_l, plan_at, plan_json, seed_of_lots, unmet_words
from alerts.promised import covers_at, supplies_at
from monitor.ahead import Cover
from monitor.amounts import read_g, say_day, say_g, say_list, say_ml, say_time, say_trays
from monitor.cli.common import Context, json_option
from monitor.cli.rounds import tick_of
from monitor.clock import local_day
from monitor.errors import RefusedError
from monitor.profilefile import find_profile
from monitor.sowby import sow_day

if TYPE_CHECKING:
    from monitor.shelfplan import Berth
    from monitor.sowneeds import DayNeed
    from monitor.sowplan import Plan, Sown

PHASES = ("soak", "germination", "blackout", "light", "harvest window")
_HEADS = ("soak", "germ", "dark", "lit", "ready")


def _seed_left(context: Context, said: tuple[str, ...]) -> dict[str, float]:
    """Return the seed that a person says is left, by crop."""
    found: dict[str, float] = {}
    for each in said:
        crop, sign, amount = each.partition("=")
        if not sign:
            raise RefusedError(f"{each!r} is no seed: give crop and weight, e.g. --seed 'radish=1.2 kg'")
        found[find_profile(context.profiles(), crop).id] = read_g(amount, context.farm().units)
    return found


@click.command(epilog="Example: traywarden plan --weeks 2 --seed 'radish=1.2 kg'")
@click.option("--weeks", type=click.IntRange(1, 12), default=4, show_default=True, help="How far ahead.")
@click.option(
    "--seed", multiple=True, metavar="CROP=WEIGHT", help="Seed that is left of a crop, where no `traywarden lot` tells."
)
@click.option("--days", "by_day", is_flag=True, help="Also what each day needs: trays by phase, places.")
@json_option
@click.pass_obj
def plan(context: Context, weeks: int, seed: tuple[str, ...], by_day: bool) -> None:
    """Lay out what to sow on which day for all that is promised, and say what cannot be met and why.

    Nothing is entered: it is worked out afresh each time, from what stands, what is promised, and what your shelves
    hold. It meets as many trays as it can, and then keeps near to the usual days.
    """
    tick = tick_of(context, context.clock())
    today = local_day(tick.now, tick.farm.zone)
    until = today + timedelta(days=7 * weeks)
    left = {**seed_of_lots(tick), **_seed_left(context, seed)}
    covers = covers_at(tick, until)
    made = plan_at(tick, until, seed_g=left)
    from monitor.shelfplan import berths
    from monitor.sowneeds import days_of, lots_of

    needs = days_of(made, supplies_at(tick))
    stands = berths(made)
    lots = lots_of(tick.batches.values())
    if context.as_json:
        context.echo_json(plan_json(made, covers, needs, stands, lots, tick, until))
        return
    _tell(context, made, covers, needs, stands, lots, tick, until, by_day=by_day)


def _tell(
    context: Context,
    made: Plan,
    covers: Sequence[Cover],
    needs: Sequence[DayNeed],
    stands: Sequence[Berth],
    lots: Mapping[str, str],
    tick: Tick,
    until: date,
    *,
    by_day: bool,
) -> None:
    """Say it in words."""
    promised = sum(each.owed.open for each in covers)
    kept = sum(each.kept for each in covers)
    unmet = sum(each.trays for each in made.unmet)
    context.echo(f"Plan for {tick.farm.name}, {say_day(made.room.first)} to {say_day(until)}")
    if not promised:
        context.echo("Nothing is promised in that time. traywarden promise TRAYS CROP --for DAY --whom NAME")
    else:
        context.echo(
            f"Promised: {say_trays(promised)}; {kept} stand or are sown for it, {made.met} to be sown, "
            + (f"{unmet} cannot be met." if unmet else "all can be met.")
        )
    if made.unmet:
        context.echo("\nCannot be met: ring the buyer, or make room")
        for each in made.unmet:
            context.echo(f" * {unmet_words(each, tick)}")
    for day, group in groupby(made.sown, key=lambda each: each.on):
        context.echo(f"\n{say_day(day)}")
        for crop, lines in groupby(group, key=lambda each: each.want.crop):
            for line in _sowing_lines(day, crop, list(lines), made, stands, lots, tick):
                context.echo(line)
    if made.sown:
        context.echo("\nFor all of it")
        for line in _totals(made, lots, tick):
            context.echo(f"   {line}")
    context.echo("")
    for line in _room_lines(made, needs):
        context.echo(line)
    if by_day:
        context.echo("\n" + f"{'trays by day':<12}" + "".join(f"{head:>6}" for head in _HEADS) + "   places taken")
        for need in needs:
            of = "" if made.room.places is None else f" of {made.room.places}"
            counts = "".join(f"{need.trays.get(phase, 0) or '-':>6}" for phase in PHASES)
            context.echo(f"{say_day(need.on):<12}{counts}   {need.places}{of}")


def _sowing_lines(
    day: date,
    crop: str,
    lines: Sequence[Sown],
    made: Plan,
    stands: Sequence[Berth],
    lots: Mapping[str, str],
    tick: Tick,
) -> list[str]:
    """Return one crop's sowing of a day: how many for whom, its seed, its soak, its shelves."""
    profile, units = tick.profiles[crop], tick.farm.units
    trays, spare = sum(each.trays for each in lines), sum(each.spare for each in lines)
    for_whom = [
        f"{each.trays - each.spare} for {each.want.promise} {each.want.whom} {say_day(each.want.on)}"
        for each in lines
        if each.trays > each.spare
    ]
    for_whom += [f"{spare} spare"] if spare else []
    seed = say_g(lines[0].want.seed_g * trays, units)
    lot = f", last lot {lots[crop]}" if crop in lots else ""
    found = [f" * {profile.name}: sow {say_trays(trays)} ({say_list(for_whom)}); seed {seed}{lot}."]
    hours = sow_day(tick.farm, profile, day)
    if hours.soak_at is not None:
        start = max(hours.soak_at, tick.now)
        found.append(f"   Soak {say_time(start, tick.farm.zone)}, sow {say_time(hours.sow_at, tick.farm.zone)}.")
    moved = [f"{_off(each)} for {each.want.promise}" for each in lines if each.on != each.want.usual]
    if moved:
        found.append(f"   Not on its usual day: {say_list(list(dict.fromkeys(moved)))}.")
    where = _where(crop, day, stands, tick)
    if where:
        found.append(f"   {where}")
    return found


def _off(each: Sown) -> str:
    """Return by how much a sowing is off its usual day."""
    days = (each.on - each.want.usual).days
    count = "a day" if abs(days) == 1 else f"{abs(days)} days"
    return f"{count} {'late' if days > 0 else 'early'}"


def _where(crop: str, day: date, stands: Sequence[Berth], tick: Tick) -> str:
    """Return on which shelves a sowing has room: its piles first, then its trays."""
    mine = [each for each in stands if each.crop == crop and each.sown_on == day]
    places = tick.farm.places
    words = []
    piles: Counter[str] = Counter()
    for each in mine:
        if each.piled:
            piles[each.shelf] += each.places
    if piles:
        several = len(piles) > 1
        named = say_list([places.name(shelf) + (f" ({n})" if several else "") for shelf, n in piles.items()])
        count = piles.total()
        words.append(f"{count} pile{'' if count == 1 else 's'} on {named}")
    opened: dict[date, Counter[str]] = defaultdict(Counter)
    for each in mine:
        if not each.piled:
            opened[each.first][each.shelf] += each.places
    for first, shelves in sorted(opened.items()):
        since = f", from {say_day(first)} " if piles else ""
        words.append(f"{since}{say_list([f'{count} on {places.name(shelf)}' for shelf, count in shelves.items()])}")
    return f"Room: {''.join(words)}." if words else ""


def _totals(made: Plan, lots: Mapping[str, str], tick: Tick) -> list[str]:
    """Return seed by crop and lot, and medium, for all sowings."""
    trays: Counter[str] = Counter()
    grams: Counter[str] = Counter()
    for each in made.sown:
        trays[each.want.crop] += each.trays
        grams[each.want.crop] += round(each.trays * each.want.seed_g)
    units = tick.farm.units
    lines = []
    for crop, mass in sorted(grams.items()):
        lot = f", last lot {lots[crop]}" if crop in lots else ""
        left = f", {say_g(made.room.seed_g[crop], units)} left" if crop in made.room.seed_g else ""
        name = tick.profiles[crop].name.lower()
        lines.append(f"{name}: {say_trays(trays[crop])}, seed {say_g(mass, units)}{lot}{left}")
    kind = next(iter(tick.farm.tray_kinds.values()))
    litres = medium_l(made, tick)
    amount = "" if litres is None else f", {say_ml(litres * 1000, units)}"
    return [*lines, f"medium: {kind.medium} for {say_trays(trays.total())}{amount}"]


def _room_lines(made: Plan, needs: Sequence[DayNeed]) -> list[str]:
    """Return how full it gets, what stands in the way, and what the plan takes for granted."""
    room = made.room
    lines = []
    fullest = max(needs, key=lambda need: need.places)
    if room.places is None:
        lines.append("Shelves are not counted: farm.toml says nowhere how many trays they hold.")
    else:
        lines.append(f"Fullest: {fullest.places} of {room.places} places on {say_day(fullest.on)}.")
        over = [need.on for need in needs if need.free is not None and need.free < 0]
        if over:
            lines.append(f"What stands already takes more places than there are on {days_words(over)}.")
    most = max(needs, key=lambda need: need.in_use)
    owned = f" of your {room.trays_owned}" if room.trays_owned is not None else ""
    lines.append(f"Most trays in use: {most.in_use}{owned} on {say_day(most.on)}.")
    lines.append(
        f"Taken for granted: piles of {room.in_pile} trays of one crop, each in one place; trays that are not promised "
        "stay to their last harvest day; each move on its usual day."
    )
    return lines
