"""The warmth that trays have had since sowing, as far as a sensor could tell, and the words for what it moved; pure."""

from __future__ import annotations

from datetime import date, timedelta

from alerts.findings import Tick
from monitor.amounts import say_temp
from monitor.batches import Batch, Part
from monitor.clock import local_day
from monitor.loadcell import BIN_MS
from monitor.phases import HeatSoFar, PhaseSpan, phase_now
from monitor.profiles import Profile
from monitor.reach import names_for
from monitor.readings import Quantity, to_ms


def heat_of(batch: Batch, part: Part, profile: Profile, tick: Tick) -> HeatSoFar | None:
    """Return the warmth of a part since sowing; None where no sensor could tell for a day at least."""
    if batch.sown_at is None or part.spot is None or profile.base_temp_c is None:
        return None
    key = ("heat", batch.id, part.spot)
    if key not in tick.memo:
        tick.memo[key] = _heat_of(batch, part, profile, tick)
    found: HeatSoFar | None = tick.memo[key]
    return found


def _heat_of(batch: Batch, part: Part, profile: Profile, tick: Tick) -> HeatSoFar | None:
    """Return the warmth of a part, found anew."""
    if batch.sown_at is None:
        return None
    plain = phase_now(batch, part, profile, now=tick.now, zone=tick.farm.zone)
    sensors = names_for(tick.farm, part.spot, plain, Quantity.TEMPERATURE)
    mean_c = tick.scales.mean_temp_c(sensors, to_ms(batch.sown_at)) if sensors else None
    if mean_c is None:
        return None
    return HeatSoFar(mean_temp_c=mean_c, hours=(tick.now - batch.sown_at) / timedelta(hours=1))


def span_of(batch: Batch, part: Part, profile: Profile, tick: Tick) -> PhaseSpan:
    """Return the phase that a part is in, its usual days moved by the warmth that it has had."""
    key = ("span", batch.id, batch.crop, batch.sown_at, part, _this_half_hour(tick))
    if key not in tick.memo:
        tick.memo[key] = tick.scales.once(key, lambda: _span_of(batch, part, profile, tick))
    found: PhaseSpan = tick.memo[key]
    return found


def _this_half_hour(tick: Tick) -> tuple[date, int]:
    """Return what a phase found in this half hour holds for: the local day too, since phases change at midnight."""
    key = "this half hour"
    if key not in tick.memo:
        tick.memo[key] = (local_day(tick.now, tick.farm.zone), to_ms(tick.now) // BIN_MS)
    found: tuple[date, int] = tick.memo[key]
    return found


def _span_of(batch: Batch, part: Part, profile: Profile, tick: Tick) -> PhaseSpan:
    """Return the phase of a part, found anew."""
    heat = heat_of(batch, part, profile, tick)
    return phase_now(batch, part, profile, now=tick.now, zone=tick.farm.zone, heat=heat)


def moved_words(batch: Batch, part: Part, profile: Profile, tick: Tick) -> str:
    """Return by how many days the warmth moved the usual day of the coming move, and why; empty where it did not."""
    heat = heat_of(batch, part, profile, tick)
    if heat is None:
        return ""
    warm = span_of(batch, part, profile, tick)
    plain = phase_now(batch, part, profile, now=tick.now, zone=tick.farm.zone)
    if warm.window is None or plain.window is None:
        return ""
    days = (warm.window.usual - plain.window.usual).days
    if days == 0:
        return ""
    how = "Warm" if days < 0 else "Cool"
    side = "earlier" if days < 0 else "later"
    count = "a day" if abs(days) == 1 else f"{abs(days)} days"
    mean = say_temp(heat.mean_temp_c, tick.farm.units)
    return f" {how} here, {mean} on average since sowing: {count} {side} than usual."
