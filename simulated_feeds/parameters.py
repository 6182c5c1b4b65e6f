"""The simulated cellar's numbers, each with its range and source; nothing here is measured in a real room."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class RoomParameters:
    """A small vaulted room with lamps and a thermostat heater.

    Attributes:
        outside_mean_c: Mean outdoor temperature, 5 to 12. Common practice, no source. [degC]
        outside_swing_c: Half the daily swing outdoors, 2 to 6. Common practice, no source. [degC]
        heat_loss_w_per_k: Loss through the walls and by air, 30 to 120. Common practice, no source. [W/K]
        heat_capacity_j_per_k: Air, racks and inner wall layer, 5e5 to 5e6. Common practice, no source. [J/K]
        heater_w: Heater at full power, 500 to 2500. Common practice, no source. [W]
        set_point_c: What its thermostat keeps, 20 to 23. Common practice, no source. [degC]
        lamp_w: All lamps together, 300 to 1200. Common practice, no source. [W]
        lamp_lx: Light on a lit shelf, 5,000 to 15,000. Common practice, no source. [lx]
        usual_humidity_pct: Humidity that the room tends to, 50 to 65. Common practice, no source. [%RH]
    """

    outside_mean_c: float = 8.0
    outside_swing_c: float = 4.0
    heat_loss_w_per_k: float = 70.0
    heat_capacity_j_per_k: float = 1.5e6
    heater_w: float = 1600.0
    set_point_c: float = 21.5
    lamp_w: float = 400.0
    lamp_lx: float = 9000.0
    usual_humidity_pct: float = 57.0


@dataclass(frozen=True, slots=True, kw_only=True)
class TrayParameters:
    """One tray on a load cell.

    Attributes:
        dry_g: Tray, bottom tray, dry medium and seed, 900 to 1400. Common practice, no source. [g]
        holds_g: Water that drained coir in a tray holds for the roots, 500 to 1000 of the 1,380 to 1,510 that
            [COIR-EVANS] gives in all. [g]
        covered_g_per_h: Evaporation under a cover, 5 to 40 g a day. Common practice, no source. [g/h]
        lit_g_per_h_per_kpa: Evapotranspiration in the light, 130 to 400 g a day at about 1 kPa. Common practice,
            no source. [g/h/kPa]
        dark_share: Share of the lit rate at night, 0.2 to 0.5. Common practice, no source.
        noise_g: Standard deviation of the load cell, 1 to 10. Common practice, no source. [g]
    """

    dry_g: float = 1150.0
    holds_g: float = 700.0
    covered_g_per_h: float = 1.0
    lit_g_per_h_per_kpa: float = 13.0
    dark_share: float = 0.35
    noise_g: float = 2.0
