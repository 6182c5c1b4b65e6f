"""The air of a cold fortnight in the cellar, SIMULATED: made up by a few lines, the same at each run.

The stove keeps 21 °C until the cold comes in the night to 5 March, and about 16 from then on. The power is off for four
hours on the 4th; the lamps' clock stands still meanwhile, and runs four hours late until it is set on the 5th at 11:00.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from monitor.readings import Reading


@dataclass(frozen=True, slots=True)
class Span:
    """From one instant to another."""

    begin: datetime
    end: datetime


OFF = Span(datetime(2026, 3, 4, 14, 30, tzinfo=UTC), datetime(2026, 3, 4, 18, 30, tzinfo=UTC))
"""The power cut."""
LAMPS_SET_AT = datetime(2026, 3, 5, 11, tzinfo=UTC)
COLD_FROM = datetime(2026, 3, 5, tzinfo=UTC)


def is_lit(now: datetime, zone: ZoneInfo) -> bool:
    """Tell whether the lamps are on."""
    if OFF.begin <= now < OFF.end:
        return False
    shown = now - (OFF.end - OFF.begin) if OFF.end <= now < LAMPS_SET_AT else now
    return 6 <= shown.astimezone(zone).hour < 22


def readings_at(now: datetime, zone: ZoneInfo) -> list[Reading]:
    """Return what four sensors say at an instant."""
    local = now.astimezone(zone)
    hour = local.hour + local.minute / 60
    wave = math.sin((hour - 9) / 24 * 2 * math.pi)
    ripple = math.sin(now.timestamp() / 3600 * 2.7) + math.sin(now.timestamp() / 3600 * 7.3)
    fallen = min(max((now - COLD_FROM) / timedelta(hours=18), 0), 1)
    lit = is_lit(now, zone)
    air_c = 20.6 - 4.4 * fallen + 0.7 * wave + (0.6 if lit else 0) + 0.08 * ripple
    damp_pct = 61 - 4 * wave + 1.2 * ripple
    warmed_h = max((now - OFF.end) / timedelta(hours=1), 0)
    cold_c = 3.4 + 0.25 * ripple + (3.8 * math.exp(-warmed_h / 0.8) if now >= OFF.end else 0)
    lux = 8200 + 60 * ripple if lit else 0.4 + 0.1 * abs(ripple)
    values = {"air-1": air_c, "damp-1": damp_pct, "cold-1": cold_c, "lux-1": lux}
    return [Reading(sensor=name, measured_at=now, value=round(value, 2)) for name, value in values.items()]
