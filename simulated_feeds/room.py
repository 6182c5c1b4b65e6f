"""A simulated room: heat balance with lamps and a thermostat heater, humidity that follows; pure, seeded."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from simulated_feeds.parameters import RoomParameters

_OPEN_AIR_TIME_S = 5_400.0  # how fast humidity returns to what the room tends to


def saturation_kpa(temp_c: float) -> float:
    """Return saturation vapour pressure. Source: [FAO56] eq. 11. [kPa]."""
    return 0.6108 * math.exp(17.27 * temp_c / (temp_c + 237.3))


@dataclass(slots=True)
class Room:
    """The true state of the simulated room; sensors see it with noise.

    Attributes:
        parameters: Its numbers.
        temp_c: Air temperature. [degC]
        humidity_pct: Relative humidity. [%RH]
        heater_works: False: the heater is dead.
    """

    parameters: RoomParameters
    temp_c: float = 21.5
    humidity_pct: float = 57.0
    heater_works: bool = True

    def outside_c(self, local: datetime) -> float:
        """Return the outdoor temperature, warmest at 15:00. [degC]."""
        hour = local.hour + local.minute / 60
        p = self.parameters
        return p.outside_mean_c + p.outside_swing_c * math.cos((hour - 15) / 24 * 2 * math.pi)

    def step(self, local: datetime, by: timedelta, *, lamp_on: bool, noise: np.random.Generator) -> None:
        """Move the room on by one step; ``local`` is its wall-clock time."""
        p, seconds = self.parameters, by.total_seconds()
        lamps_w = p.lamp_w if lamp_on else 0.0
        loss_w = p.heat_loss_w_per_k * (self.temp_c - self.outside_c(local))
        wanted_w = loss_w - lamps_w + (p.set_point_c - self.temp_c) * p.heat_capacity_j_per_k / 1800
        heater_w = min(max(wanted_w, 0.0), p.heater_w) if self.heater_works else 0.0
        self.temp_c += (lamps_w + heater_w - loss_w) * seconds / p.heat_capacity_j_per_k
        drier = 3.0 if lamp_on else 0.0
        pull = (p.usual_humidity_pct - drier - self.humidity_pct) * seconds / _OPEN_AIR_TIME_S
        self.humidity_pct = min(max(self.humidity_pct + pull + noise.normal(0, 0.15), 25.0), 98.0)

    @property
    def deficit_kpa(self) -> float:
        """Return the vapour pressure deficit of the air. [kPa]."""
        return saturation_kpa(self.temp_c) * (1 - self.humidity_pct / 100)
