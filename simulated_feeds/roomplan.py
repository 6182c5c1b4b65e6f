"""What a simulated room is: walls, devices, racks, lamps and sensors, drawn once, and its farm.toml; pure, seeded."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from monitor.farm import Farm
from monitor.farmfile import parse_farm
from monitor.profiles import PhaseKind, Profile
from monitor.readings import Quantity
from simulated_feeds.lifeparameters import RANGES as OF_TRAYS
from simulated_feeds.weather import Climate, vapour_g_m3
from simulated_feeds.weekparameters import BUILDINGS, COOL, ROUNDS, TENDER, draw, happens, pick, within

ROOM = "cellar"
STORE = "cold"


@dataclass(frozen=True, slots=True, kw_only=True)
class Building:
    """The room without what stands in it; losses in W/K, heat stores in J/K."""

    kind: str
    volume_m3: float
    weather_w_k: float
    still_w_k: float
    still_c: float
    air_changes_h: float
    air_j_k: float
    goods_j_k: float
    goods_w_k: float
    wall_j_k: float
    wall_w_k: float
    wall_m3_h: float
    damp_m3: float
    daylight_lx: float
    hall_c: float
    door_outside_share: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Device:
    """Something with a thermostat or hygrostat; ``power`` in W or g/h, 0 where the room has none."""

    power: float
    on_at: float
    off_at: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Lamp:
    """The lamp circuit of one rack: wall-clock minutes of the day, and those before they were changed."""

    on_min: int
    off_min: int
    earlier_on_min: int
    earlier_off_min: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Shelf:
    """One shelf: how it differs from the room, and what shines on it."""

    id: str
    rack: int
    number: int
    offset_c: float
    lamp_lx: float
    lamp_w: float
    lamp_warms_c: float
    fan_m3_h: float
    lanes: int
    trays: int


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorModel:
    """How one sensor shows what is there: lag, scale, offset, noise, lamp on it, resolution."""

    id: str
    quantity: Quantity
    spot: str
    shelf: int
    under_cover: bool
    offset: float
    scale: float
    noise: float
    step: float
    lag_min: float
    lamp_error: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Node:
    """A radio with sensors on it that speak in one message."""

    id: str
    spot: str
    shelf: int
    interval_s: float
    jitter_s: float
    sensors: tuple[SensorModel, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ColdStore:
    """A cold store with its own thermostat, limits and goods."""

    set_c: float
    hysteresis_c: float
    low_c: float
    high_c: float
    lag_h: float
    pull_c_h: float
    door_c: float
    door_lag_min: float
    doors_a_day: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Leaves:
    """What open trays give to the air: g/h a tray, for each kPa, share at night; and covered ones."""

    lamp_g_h: float
    air_g_h_kpa: float
    night_share: float
    covered_g_h: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RoomPlan:
    """One simulated room.

    Attributes:
        zone, rounds: Of its farm.
        crops: Profiles that are grown there.
        heater, cooler, humidifier, dryer: Devices; power 0: there is none. [W, g/h]
        lamps: By rack.
        dark_shelf: Index of the shelf without a lamp, or None.
        lanes: Batches stand side by side on a shelf so many.
        is_cold: Its thermostat is set under what the crops ask.
        leaf_under_c: A leaf in the dark lies so far under its air. [degC]
        still_share, still_warms: What is left of a dead fan's air, and how much warmer a lit shelf gets.
    """

    zone: str
    rounds: tuple[str, ...]
    crops: tuple[str, ...]
    building: Building
    heater: Device
    cooler: Device
    humidifier: Device
    dryer: Device
    dryer_w_h_g: float
    cooler_dries_share: float
    lamps: tuple[Lamp, ...]
    lamps_changed: bool
    shelves: tuple[Shelf, ...]
    dark_shelf: int | None
    nodes: tuple[Node, ...]
    store: ColdStore | None
    leaves: Leaves
    is_cold: bool
    leaf_under_c: float
    still_share: float
    still_warms: float
    lamp_lag_min: float
    canopy_lag_min: float
    cover_lag_h: float
    cover_warms_c: float
    cover_humidity_pct: float
    cover_lx: float
    spill_share: float
    lux_per_umol: float | None
    writes_interval: bool

    @property
    def sensors(self) -> Iterator[SensorModel]:
        """Go through all sensors."""
        return (sensor for node in self.nodes for sensor in node.sensors)

    @property
    def trays(self) -> int:
        """Return how many trays it holds."""
        return sum(shelf.trays for shelf in self.shelves)


def draw_plan(rng: np.random.Generator, profiles: Mapping[str, Profile], climate: Climate) -> RoomPlan:
    """Return one room for a climate and season."""
    crops = _crops(rng, profiles)
    lamps, changed = _lamps(rng, racks := int(pick(rng, "racks")))
    shelves, dark = _shelves(rng, racks)
    trays = sum(shelf.trays for shelf in shelves)
    building = _building(rng, racks, trays, climate)
    leaves = Leaves(
        lamp_g_h=within(rng, OF_TRAYS["lamp_g_h"]),
        air_g_h_kpa=within(rng, OF_TRAYS["air_g_h_kpa"]),
        night_share=within(rng, OF_TRAYS["night_share"]),
        covered_g_h=within(rng, OF_TRAYS["covered_g_h"]),
    )
    is_cold = happens(rng, "cold room")
    hours = (lamps[0].off_min - lamps[0].on_min) % 1440 / 60
    sizes = _Sizes(building, climate, shelves, leaves, hours / 24, _needs(crops, profiles))
    heater, cooler = sizes.temperature(rng, is_cold=is_cold)
    humidifier, dryer = sizes.humidity(rng, heater, cooler)
    store = _store(rng) if happens(rng, "a cold store") else None
    return RoomPlan(
        zone=climate.zone,
        rounds=ROUNDS[int(rng.integers(len(ROUNDS)))],
        crops=crops,
        building=building,
        heater=heater,
        cooler=cooler,
        humidifier=humidifier,
        dryer=dryer,
        dryer_w_h_g=draw(rng, "dryer_w_h_g"),
        cooler_dries_share=draw(rng, "cooler_dries_share"),
        lamps=lamps,
        lamps_changed=changed,
        shelves=shelves,
        dark_shelf=dark,
        nodes=_nodes(rng, shelves, dark, store),
        store=store,
        leaves=leaves,
        is_cold=is_cold,
        leaf_under_c=draw(rng, "leaf_under_c"),
        still_share=draw(rng, "still_m3_h_share"),
        still_warms=draw(rng, "still_warms"),
        lamp_lag_min=draw(rng, "lamp_lag_min"),
        canopy_lag_min=draw(rng, "canopy_lag_min"),
        cover_lag_h=draw(rng, "cover_lag_h"),
        cover_warms_c=draw(rng, "cover_warms_c"),
        cover_humidity_pct=draw(rng, "cover_humidity_pct"),
        cover_lx=draw(rng, "cover_lx"),
        spill_share=draw(rng, "spill_share"),
        lux_per_umol=round(draw(rng, "lux_per_umol"), 1) if happens(rng, "factor of the lamp known") else None,
        writes_interval=happens(rng, "interval written down"),
    )


def _crops(rng: np.random.Generator, profiles: Mapping[str, Profile]) -> tuple[str, ...]:
    """Return what is grown; a crop that is cut out of the dark is left out, since no open tray of it stands."""
    open_ones = [name for name, each in profiles.items() if each.plan(PhaseKind.LIGHT) is not None]
    is_warm = happens(rng, "warm crops")
    fits = [name for name in open_ones if name not in (COOL if is_warm else TENDER)]
    count = round(draw(rng, "crops"))
    chosen = [str(name) for name in rng.choice(sorted(fits), size=count, replace=False)]
    if is_warm and not set(chosen) & set(TENDER):
        chosen[0] = str(rng.choice([name for name in TENDER if name in open_ones]))
    return tuple(chosen)


def _needs(crops: tuple[str, ...], profiles: Mapping[str, Profile]) -> tuple[float, float]:
    """Return the span of temperatures that every phase of every crop is content with. [degC]."""
    bands = [
        band
        for crop in crops
        for plan in profiles[crop].phases
        for band in plan.bands.get(Quantity.TEMPERATURE, ())
    ]  # fmt: skip
    lows = [band.low for band in bands if band.low is not None]
    highs = [band.high for band in bands if band.high is not None]
    return max(lows), min(highs)


def _lamps(rng: np.random.Generator, racks: int) -> tuple[tuple[Lamp, ...], bool]:
    """Return the lamp circuits, one a rack, and whether their hours were changed just before the week."""
    at_night = happens(rng, "lamps over midnight")
    own = happens(rng, "racks with lamp hours of their own")
    changed = happens(rng, "lamp hours changed before the week")
    lamps: list[Lamp] = []
    for rack in range(racks):
        if rack and not own:
            lamps.append(lamps[0])
            continue
        on = int(pick(rng, "lamps on at, over midnight" if at_night else "lamps on at") * 60)
        off = (on + round(draw(rng, "lamp_hours") * 2) * 30) % 1440
        by = int(pick(rng, "lamps moved by_min")) if changed else 0
        lamps.append(
            Lamp(on_min=on, off_min=off, earlier_on_min=(on + by) % 1440, earlier_off_min=(off + by // 2) % 1440)
        )
    return tuple(lamps), changed


def _shelves(rng: np.random.Generator, racks: int) -> tuple[tuple[Shelf, ...], int | None]:
    """Return the shelves, rack by rack, and which of them is kept dark."""
    spacing, gradient = draw(rng, "shelf_spacing_m"), draw(rng, "gradient_c_m")
    spread, light_spread = draw(rng, "shelf_spread_c"), draw(rng, "lamp_spread")
    lux, watts = draw(rng, "lamp_lx"), draw(rng, "lamp_w_per_shelf")
    warms, fan = draw(rng, "lamp_warms_c"), draw(rng, "fan_m3_h")
    lanes = 2 if happens(rng, "two batches on a shelf") else 1
    trays = int(pick(rng, "trays a shelf"))
    found: list[Shelf] = []
    for rack in range(racks):
        count = int(pick(rng, "shelves"))
        for number in range(1, count + 1):
            found.append(
                Shelf(
                    id=f"{ROOM}/{rack + 1}/{number}",
                    rack=rack,
                    number=number,
                    offset_c=gradient * spacing * (number - (count + 1) / 2) + float(rng.normal(0, spread)),
                    lamp_lx=lux * float(np.exp(rng.normal(0, light_spread))),
                    lamp_w=watts,
                    lamp_warms_c=warms * draw(rng, "place_share"),
                    fan_m3_h=fan * draw(rng, "place_share"),
                    lanes=lanes,
                    trays=trays,
                )
            )
    if not happens(rng, "a shelf kept dark") or len(found) < 3:
        return tuple(found), None
    found[0] = replace(found[0], lamp_lx=0.0, lamp_w=0.0, lamp_warms_c=0.0)
    return tuple(found), 0


def _building(rng: np.random.Generator, racks: int, trays: int, climate: Climate) -> Building:
    """Return the walls and what they hold."""
    kind = str(rng.choice(list(BUILDINGS)))
    ranges = BUILDINGS[kind]
    volume = racks * draw(rng, "room_m3_per_rack")
    area = 6.3 * volume ** (2 / 3)
    loss = within(rng, ranges.loss_w_m2k) * area
    share = within(rng, ranges.still_share)
    return Building(
        kind=kind,
        volume_m3=volume,
        weather_w_k=loss * (1 - share),
        still_w_k=loss * share,
        still_c=climate.mean_c if ranges.still_c is None else within(rng, ranges.still_c),
        air_changes_h=within(rng, ranges.air_changes_h),
        air_j_k=1.2 * 1005 * volume * draw(rng, "air_c_share"),
        goods_j_k=1000 * trays * draw(rng, "goods_kj_k_per_tray"),
        goods_w_k=trays * draw(rng, "goods_w_k_per_tray"),
        wall_j_k=1000 * area * within(rng, ranges.mass_kj_m2k),
        wall_w_k=area * draw(rng, "wall_w_m2k"),
        wall_m3_h=area * draw(rng, "wall_m_h"),
        damp_m3=volume * draw(rng, "damp_store"),
        daylight_lx=within(rng, ranges.daylight_lx),
        hall_c=draw(rng, "hall_c"),
        door_outside_share=draw(rng, "door_outside_share"),
    )


@dataclass(frozen=True, slots=True)
class _Sizes:
    """How large devices are taken for a room: by its coldest, hottest, driest and dampest ordinary day."""

    building: Building
    climate: Climate
    shelves: tuple[Shelf, ...]
    leaves: Leaves
    lit_share: float
    needs: tuple[float, float]

    @property
    def vent_w_k(self) -> float:
        """Return what changing air carries off. [W/K]."""
        return 1.2 * 1005 * self.building.volume_m3 * self.building.air_changes_h / 3600

    def free_c(self, outside_c: float, watts: float) -> float:
        """Return where the room would come to rest without heater and cooler."""
        b = self.building
        weather = b.weather_w_k + self.vent_w_k
        return (weather * outside_c + b.still_w_k * b.still_c + watts) / (weather + b.still_w_k)

    def temperature(self, rng: np.random.Generator, *, is_cold: bool) -> tuple[Device, Device]:
        """Return heater and cooler."""
        b, c = self.building, self.climate
        offsets = [shelf.offset_c for shelf in self.shelves]
        lamps_w = sum(shelf.lamp_w for shelf in self.shelves)
        low, high = self.needs
        wanted = low - min(offsets) + draw(rng, "heater_over_need_c")
        if is_cold:
            wanted = low - draw(rng, "cold_room_under_c")
        ceiling = high - max(shelf.offset_c + shelf.lamp_warms_c for shelf in self.shelves)
        heat_set = min(wanted, ceiling - 2.0)
        total = b.weather_w_k + b.still_w_k + self.vent_w_k
        cold_c = c.season_c - 1.5 * c.front_c - 0.6 * c.swing_c
        hot_c = c.season_c + 1.5 * c.front_c + 0.6 * c.swing_c
        need_w = total * (heat_set - self.free_c(cold_c, 0.0))
        hysteresis = draw(rng, "heater_hysteresis_c")
        heats = happens(rng, "heater though not needed") or self.free_c(cold_c, 0.7 * self.lit_share * lamps_w) < (
            low + 2.0 if not is_cold else heat_set
        )
        heater = Device(
            power=max(draw(rng, "heater_spare") * need_w, 250.0) if heats else 0.0,
            on_at=heat_set - hysteresis / 2,
            off_at=heat_set + hysteresis / 2,
        )
        cool_set = min(heat_set + draw(rng, "cooler_gap_c"), ceiling - 1.0)
        cool_set = max(cool_set, heat_set + 1.5)
        hottest = self.free_c(hot_c, lamps_w)
        cools = happens(rng, "cooler though not needed") or hottest > ceiling - 1.5
        width = draw(rng, "cooler_hysteresis_c")
        cooler = Device(
            power=max(draw(rng, "cooler_spare") * total * (hottest - cool_set), 300.0) if cools else 0.0,
            on_at=cool_set + width / 2,
            off_at=cool_set - width / 2,
        )
        return heater, cooler

    def humidity(self, rng: np.random.Generator, heater: Device, cooler: Device) -> tuple[Device, Device]:
        """Return humidifier and dryer; a room has one of them at most."""
        b, c, leaves = self.building, self.climate, self.leaves
        trays = sum(shelf.trays for shelf in self.shelves)
        lamps_w = sum(shelf.lamp_w for shelf in self.shelves)
        lit = self.lit_share
        by_day = leaves.lamp_g_h * lit + 0.95 * leaves.air_g_h_kpa * (lit + leaves.night_share * (1 - lit))
        gives = trays * 0.6 * 0.65 * by_day
        rests = self.free_c(c.season_c, lit * lamps_w)
        if heater.power:
            rests = max(rests, heater.off_at)
        if cooler.power:
            rests = min(rests, cooler.on_at)
        full = vapour_g_m3(rests)
        changes = b.volume_m3 * b.air_changes_h
        outside = vapour_g_m3(c.season_c - c.dew_under_c)
        free_pct = 100 * (outside + gives / changes) / full
        low_set, high_set = draw(rng, "humidifier_set_pct"), draw(rng, "dryer_set_pct")
        width = draw(rng, "hygrostat_hysteresis_pct")
        damp_spare, dry_spare = draw(rng, "humidifier_spare"), draw(rng, "dryer_spare")
        where_dry, anyway = happens(rng, "humidifier where dry"), happens(rng, "humidifier though not needed")
        mists = (free_pct < 52 and where_dry) or (free_pct < 64 and anyway)
        driest = vapour_g_m3(c.season_c - c.dew_under_c - 1.2 * c.front_c) + 0.5 * gives / changes
        dampest = vapour_g_m3(c.season_c - c.dew_under_c + 1.2 * c.front_c) + 1.4 * gives / changes
        mist_g = max(damp_spare * changes * (full * low_set / 100 - driest), 60.0)
        dry_g = max(dry_spare * changes * (dampest - full * high_set / 100), 60.0)
        return (
            Device(power=mist_g if mists else 0.0, on_at=low_set - width / 2, off_at=low_set + width / 2),
            Device(
                power=dry_g if free_pct > 64 and not mists else 0.0,
                on_at=high_set + width / 2,
                off_at=high_set - width / 2,
            ),
        )


def _store(rng: np.random.Generator) -> ColdStore:
    """Return a cold store."""
    set_c = draw(rng, "store_set_c")
    return ColdStore(
        set_c=set_c,
        hysteresis_c=draw(rng, "store_hysteresis_c"),
        low_c=round(set_c - draw(rng, "store_limit_under_c"), 1),
        high_c=round(set_c + draw(rng, "store_limit_over_c"), 1),
        lag_h=draw(rng, "store_lag_h"),
        pull_c_h=draw(rng, "store_pull_c_h"),
        door_c=draw(rng, "store_door_c"),
        door_lag_min=draw(rng, "store_door_lag_min"),
        doors_a_day=draw(rng, "store_doors_a_day"),
    )


def _nodes(
    rng: np.random.Generator, shelves: tuple[Shelf, ...], dark: int | None, store: ColdStore | None
) -> tuple[Node, ...]:
    """Return the nodes with their sensors."""
    interval = pick(rng, "interval_s")
    air = (Quantity.TEMPERATURE, Quantity.HUMIDITY)
    wanted: list[tuple[str, str, int, bool, tuple[Quantity, ...]]] = [("room", ROOM, -1, False, air)]
    if not happens(rng, "room sensors only"):
        lit = [place for place in range(len(shelves)) if place != dark]
        count = len(lit) if happens(rng, "a sensor on every shelf") else min(int(pick(rng, "shelf sensors")), len(lit))
        for place in sorted(rng.choice(lit, size=count, replace=False).tolist()):
            more = (Quantity.LIGHT,) if happens(rng, "light sensor with a shelf's") else ()
            wanted.append((f"shelf{place + 1}", shelves[place].id, place, False, (*air, *more)))
    if happens(rng, "a sensor under the cover"):
        place = dark if dark is not None else int(rng.integers(len(shelves)))
        wanted.append((f"cover{place + 1}", shelves[place].id, place, True, (*air, Quantity.LIGHT)))
    if store is not None:
        wanted.append(("store", STORE, -2, False, (Quantity.TEMPERATURE,)))
    spreads = {Quantity.TEMPERATURE: draw(rng, "temp_offset_c"), Quantity.HUMIDITY: draw(rng, "humidity_offset_pct")}
    return tuple(
        Node(
            id=name,
            spot=spot,
            shelf=shelf,
            interval_s=interval,
            jitter_s=draw(rng, "jitter_s"),
            sensors=tuple(_sensor(rng, name, spot, shelf, covered, each, spreads) for each in quantities),
        )
        for name, spot, shelf, covered, quantities in wanted
    )


def _sensor(
    rng: np.random.Generator,
    node: str,
    spot: str,
    shelf: int,
    covered: bool,
    quantity: Quantity,
    spreads: Mapping[Quantity, float],
) -> SensorModel:
    """Return one sensor."""
    is_temp, is_light = quantity is Quantity.TEMPERATURE, quantity is Quantity.LIGHT
    kind = "light" if is_light else "temp" if is_temp else "humidity"
    unit = "share" if is_light else "c" if is_temp else "pct"
    step = "light_step_lx" if is_light else "temp_step_c" if is_temp else "humidity_step_pct"
    return SensorModel(
        id=f"{node}-{quantity.value}",
        quantity=quantity,
        spot=spot,
        shelf=shelf,
        under_cover=covered,
        offset=0.0 if is_light else float(rng.normal(0, spreads[quantity])),
        scale=float(np.exp(rng.normal(0, draw(rng, "light_scale_spread")))) if is_light else 1.0,
        noise=draw(rng, f"{kind}_noise_{unit}"),
        step=pick(rng, step),
        lag_min=0.0 if is_light else draw(rng, f"{kind}_lag_min"),
        lamp_error=draw(rng, "lamp_error_c") if is_temp and shelf >= 0 and not covered else 0.0,
    )


def _hours(on_min: int, off_min: int) -> str:
    """Return lamp hours as farm.toml has them."""
    return f"{on_min // 60:02d}:{on_min % 60:02d}-{off_min // 60:02d}:{off_min % 60:02d}"


def farm_text(plan: RoomPlan) -> str:
    """Return the farm.toml that a grower of this room would have written."""
    rounds = ", ".join(f'"{each}"' for each in plan.rounds)
    lines = ["[farm]", 'name = "Saltcellar Farm, simulated"', f'time_zone = "{plan.zone}"', f"rounds = [{rounds}]"]
    lines += ["[[room]]", f'id = "{ROOM}"']
    for rack, lamp in enumerate(plan.lamps):
        here = [shelf for shelf in plan.shelves if shelf.rack == rack]
        hours = _hours(lamp.on_min, lamp.off_min)
        lines += ["[[rack]]", f'id = "{rack + 1}"', f'room = "{ROOM}"', f"shelves = {len(here)}"]
        lines += [f"trays_per_shelf = {here[0].trays}"]
        if all(shelf.lamp_lx > 0 for shelf in here):
            lines += [f'lamp = "{hours}"']
            continue
        for shelf in here:
            if shelf.lamp_lx > 0:
                lines += ["[[shelf]]", f'rack = "{ROOM}/{rack + 1}"', f"number = {shelf.number}", f'lamp = "{hours}"']
    if plan.store is not None:
        span = f"{{ low = {plan.store.low_c}, high = {plan.store.high_c} }}"
        lines += ["[[place]]", f'id = "{STORE}"', 'name = "the cold store"', 'kind = "cold store"']
        lines += [f"limits = {{ temperature = {span} }}"]
    for node in plan.nodes:
        for sensor in node.sensors:
            lines += ["[[sensor]]", f'id = "{sensor.id}"', f'quantity = "{sensor.quantity.value}"']
            lines += [f'spot = "{sensor.spot}"', f'topic = "{ROOM}/{node.id}/{sensor.quantity.value}"']
            if sensor.under_cover:
                lines += ["under_cover = true"]
            if plan.writes_interval:
                lines += [f'every = "{round(node.interval_s / 60)}m"']
            if sensor.quantity is Quantity.LIGHT and plan.lux_per_umol is not None and not sensor.under_cover:
                lines += [f"lux_per_umol = {plan.lux_per_umol}"]
    lines += ["[[person]]", 'id = "ines"', 'channels = ["console"]']
    return "\n".join(lines) + "\n"


def farm_of(plan: RoomPlan) -> Farm:
    """Return the farm that the rules are given."""
    return parse_farm(farm_text(plan), file="farm.toml", folder=Path())
