"""A plan of sowings in words: each sowing with its seed, soak and shelves; what is needed in all; how full it gets."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from datetime import date
from typing import TYPE_CHECKING

from alerts.findings import Tick
from alerts.planning import days_words, medium_l
from monitor.amounts import say_day, say_g, say_list, say_ml, say_time, say_trays
from monitor.sowby import sow_day

if TYPE_CHECKING:
    from monitor.shelfplan import Berth
    from monitor.sowneeds import DayNeed
    from monitor.sowplan import Plan, Sown


def sowing_lines(
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


def totals_lines(made: Plan, lots: Mapping[str, str], tick: Tick) -> list[str]:
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


def room_lines(made: Plan, needs: Sequence[DayNeed]) -> list[str]:
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
