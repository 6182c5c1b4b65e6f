"""A simulated tray's water: poured in, held, lost to the air; its weight closes to the gram; pure."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import timedelta

from simulated_feeds.parameters import TrayParameters


@dataclass(slots=True)
class Tray:
    """The true state of one simulated tray; a load cell sees its weight with noise.

    Attributes:
        parameters: Its numbers.
        water_g: Water that the roots can still draw. [g]
        lost_g: Water given to the air so far. [g]
        poured_g: Water poured in so far, at sowing too. [g]
        spilled_g: Water poured in beyond what it holds. [g]
    """

    parameters: TrayParameters
    water_g: float = field(default=0.0)
    lost_g: float = 0.0
    poured_g: float = 0.0
    spilled_g: float = 0.0

    def pour(self, grams: float) -> None:
        """Pour water in; what it cannot hold runs off."""
        taken = min(grams, self.parameters.holds_g - self.water_g)
        self.water_g += taken
        self.poured_g += grams
        self.spilled_g += grams - taken

    def step(self, by: timedelta, *, deficit_kpa: float, is_covered: bool, is_lit: bool, canopy: float) -> None:
        """Lose water for a while; ``canopy`` is the share of full growth, 0 to 1."""
        p, hours = self.parameters, by.total_seconds() / 3600
        if is_covered:
            rate = p.covered_g_per_h
        else:
            rate = p.lit_g_per_h_per_kpa * deficit_kpa * (0.35 + 0.65 * canopy) * (1.0 if is_lit else p.dark_share)
        lost = min(rate * hours, self.water_g)
        self.water_g -= lost
        self.lost_g += lost

    @property
    def weight_g(self) -> float:
        """Return what it weighs: dry parts and water; what grows comes out of its own water. [g]."""
        return self.parameters.dry_g + self.water_g
