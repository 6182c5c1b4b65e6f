"""A room that does not reach what a batch needs, day after day: told once, with what it costs, and to be accepted."""

from __future__ import annotations

from alerts.answers import short_key
from alerts.findings import Finding, Priority, Tick, finding_key
from alerts.reachable import OVER, OutOfReach, out_of_reach
from alerts.rules.conditions import NAMES, STAYS, asked, say_value
from alerts.standing import Stand
from monitor.phases import days_longer
from monitor.readings import Quantity


def stays(tick: Tick) -> tuple[Finding, ...]:
    """Return every batch whose band its room has not reached for two days."""
    found = []
    for stand, quantity, band, sensors in asked(tick, Quantity.TEMPERATURE, Quantity.HUMIDITY):
        missed = out_of_reach(quantity, band, sensors, tick)
        if missed is not None:
            found.append(_finding(stand, quantity, missed, sensors[0], tick))
    return tuple(found)


def _cost(stand: Stand, quantity: Quantity, missed: OutOfReach) -> str:
    """Return what it costs, in days where the heat sum can tell."""
    if quantity is Quantity.HUMIDITY:
        return "Edges dry out between rounds." if missed.is_low else "Leaves dry slowly; mould is nearer all the time."
    if not missed.is_low:
        return "It grows fast and soft, and is past its best sooner."
    days = days_longer(stand.profile, missed.usual)
    if days is None:
        return "So cold it hardly grows at all."
    return f"It will take about {days} day{'' if days == 1 else 's'} longer." if days else "It will hardly take longer."


def _finding(stand: Stand, quantity: Quantity, missed: OutOfReach, sensor: str, tick: Tick) -> Finding:
    """Return a finding in words."""
    rule = f"{STAYS} {NAMES[(quantity, missed.is_low)]}"
    place, end = tick.farm.places.name(stand.spot), "at least" if missed.is_low else "at most"
    spot = stand.spot or ""
    accept = f"To live with it: traywarden accept {short_key(finding_key(rule, spot, stand.batch.id))} --until DATE"
    mend = "Warm a shelf for it, or choose a crop that likes it so. "
    return Finding(
        rule=rule,
        spot=spot,
        batch=stand.batch.id,
        sensor=sensor,
        priority=Priority.MEDIUM,
        since=tick.now - OVER,
        value=missed.usual,
        limit=missed.limit,
        cause=(
            f"{place[0].upper()}{place[1:]} has had {say_value(quantity, missed.usual, tick)} for two days and hardly "
            f"ever came to the {end} {say_value(quantity, missed.limit, tick)} that batch {stand.batch.id} "
            f"{stand.profile.name.lower()} wants."
        ),
        consequence=_cost(stand, quantity, missed),
        action=mend + accept if missed.is_low and quantity is Quantity.TEMPERATURE else accept,
    )
