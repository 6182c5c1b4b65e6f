"""What Racks shows: the room as it stands, rack by rack, shelf by shelf, each figure with its age; pure."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import datetime

from alerts.alarms import Alarm, AlarmState
from alerts.findings import Tick
from alerts.holding import held_batches, held_facts
from alerts.pours import dry_words
from alerts.reachable import judged_band
from alerts.rules.conditions import NAMES, asked, say_value
from alerts.standing import Stand, standing_parts
from alerts.watering import KNOWN_WORDS, PartWater, water_of
from dashboards.pages.ages import is_old, say_age
from dashboards.pages.boards import Board, Outside, RacksPage, RackView, TrayGroup, phase_words
from dashboards.pages.figures import ShownFigure, figure_of
from monitor.amounts import say_time, say_trays
from monitor.batches import Batch, Part
from monitor.clock import day_number
from monitor.ledger import EntryKind
from monitor.live import LiveState
from monitor.places import Spot, SpotKind
from monitor.readings import Quantity, Reading, from_ms


def build_racks(
    tick: Tick, latest: Mapping[str, Reading], live: LiveState, alarms: Iterable[Alarm], *, now: datetime
) -> RacksPage:
    """Return the room as it stands.

    Args:
        tick: The moment; what was worked out in it may be a minute old.
        latest: The newest reading of each sensor, whatever its flag.
        live: The last hours of each sensor.
        alarms: All alarms as they stand.
        now: The instant by which ages are reckoned.
    """
    desk = _Room(tick, latest, live, tuple(alarms), now)
    racks = tuple(desk.views())
    held = tuple((f"/batch/{batch.id}", held_facts(batch, tick)) for batch in held_batches(tick))
    return RacksPage(says=say_time(now, tick.farm.zone), holds=held, sums=_sums(racks), racks=racks)


def _sums(racks: Sequence[RackView]) -> str:
    """Return the room in one sentence."""
    groups = [group for rack in racks for board in rack.boards for group in board.groups]
    if not groups:
        return "No tray stands."
    outside = sum(bool(group.outside) for group in groups)
    batches = len({group.batch for group in groups})
    stand = f"{batches} batch{'es' if batches > 1 else ''} stand{'s' if batches == 1 else ''}"
    return f"{stand}; {outside or 'none'} outside {'their' if outside != 1 else 'its'} band."


class _Room:
    """Works out what stands where, for one look."""

    def __init__(
        self, tick: Tick, latest: Mapping[str, Reading], live: LiveState, alarms: tuple[Alarm, ...], now: datetime
    ) -> None:
        """Gather what every place is asked for."""
        self.tick, self.latest, self.live, self.now = tick, latest, live, now
        self.farm = tick.farm
        self.told = {
            alarm.finding.batch: alarm.finding.since
            for alarm in alarms
            if alarm.finding.batch and alarm.state in (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED)
        }
        self.outside = self._outside()
        self.standing = standing_parts(tick)
        self.unknown = [
            (batch, part)
            for batch in tick.batches.values()
            if batch.crop not in tick.profiles
            for part in batch.standing
        ]
        self.shown: set[int] = set()

    def views(self) -> Iterable[RackView]:
        """Yield racks, rooms and other places that hold something or are measured, in walking order."""
        spots = list(self.farm.places)
        racks = [spot for spot in spots if spot.kind is SpotKind.RACK]
        others = [spot for spot in spots if spot.kind not in (SpotKind.RACK, SpotKind.SHELF, SpotKind.POSITION)]
        views = []
        for rack in racks:
            shelves = [s for s in spots if s.kind is SpotKind.SHELF and self.farm.places.is_within(s.id, rack.id)]
            boards = [self._board(shelf, whole=True) for shelf in shelves]
            bare = self._board(rack, whole=True)
            if bare.groups:
                boards.append(bare)
            views.append(self._view(rack, tuple(boards)))
        for spot in others:
            board = self._board(spot, whole=spot.kind is not SpotKind.ROOM)
            view = self._view(spot, (board,) if board.groups else ())
            if view.boards or view.figures or view.lamp:
                views.append(view)
        lost = (*self._groups(lambda _part: True), *self._soaks())
        if lost:
            board = Board(id="", name="in soak, or nobody said where", figures=(), groups=lost, room="")
            views.append(RackView(id="", name="Not on a rack", figures=(), lamp="", boards=(board,)))
        order = self.farm.places.walking_order
        return sorted(views, key=lambda view: (view.id == "", order(view.id) if view.id else 0))

    def _view(self, spot: Spot, boards: tuple[Board, ...]) -> RackView:
        """Return one rack or place."""
        return RackView(
            id=spot.id,
            name=spot.name[:1].upper() + spot.name[1:],
            figures=tuple(self._figures(spot.id, exact=True)),
            lamp=self._lamp(spot) if spot.kind in (SpotKind.RACK, SpotKind.ROOM) else "",
            boards=boards,
        )

    def _lamp(self, spot: Spot) -> str:
        """Return when a place's lamp is on, and whether it should be now."""
        hours = spot.lamp
        if hours is None:
            return ""
        on = "on" if hours.is_on(self.now.astimezone(self.farm.zone).time()) else "off"
        return f"lamp {hours.on:%H:%M} to {hours.off:%H:%M}, should be {on} now"

    def _board(self, spot: Spot, *, whole: bool) -> Board:
        """Return a shelf with what stands on it, or (of a room) only what stands right in it."""

        def here(part: Part) -> bool:
            if part.spot is None:
                return False
            return self.farm.places.is_within(part.spot, spot.id) if whole else part.spot == spot.id

        groups = tuple(self._groups(here))
        standing = sum(
            part.trays
            for batch in self.tick.batches.values()
            for part in batch.standing
            if part.spot is not None and self.farm.places.is_within(part.spot, spot.id)
        )
        room = ""
        if spot.holds_trays is not None:
            room = f"{max(spot.holds_trays - standing, 0)} of {spot.holds_trays} places free"
        figures = tuple(self._figures(spot.id, exact=False)) if spot.kind is SpotKind.SHELF else ()
        rack = next((self.farm.places.name(each) for each in self.farm.places.chain(spot.id)[1:2]), "")
        name = spot.name.removeprefix(f"{rack} ") if rack else spot.name
        return Board(id=spot.id, name=name, figures=figures, groups=groups, room=room)

    def _groups(self, here: Callable[[Part], bool]) -> Iterable[TrayGroup]:
        """Yield what stands at a place and was not shown before, parts that are alike as one."""
        alike: dict[tuple[object, ...], list[tuple[Stand, Part]]] = {}
        for stand, part in self.standing:
            if id(part) in self.shown or not here(part):
                continue
            self.shown.add(id(part))
            key = (stand.batch.id, part.spot, part.stack, stand.span.kind, part.watered_at)
            alike.setdefault(key, []).append((stand, part))
        for rows in alike.values():
            stand, part = rows[0]
            yield self._group(stand, part, sum(each.trays for _, each in rows))
        for batch, part in self.unknown:
            if id(part) not in self.shown and here(part):
                self.shown.add(id(part))
                pile = f"pile {part.stack}" if part.stack else ""
                yield self._bare(batch, say_trays(part.trays), "no profile of this crop", pile)

    def _group(self, stand: Stand, part: Part, trays: int) -> TrayGroup:
        """Return one group of trays."""
        zone = self.farm.zone
        batch = stand.batch
        outside = tuple(self.outside.get(id(stand), ()))
        water, how, dry = self._water(stand, part)
        since = self.told.get(batch.id)
        return TrayGroup(
            batch=batch.id,
            opens=f"/batch/{batch.id}",
            crop=stand.profile.name,
            count=say_trays(trays),
            pile=f"pile {part.stack}" if part.stack else "",
            day=f"day {day_number(self.now, batch.sown_at, zone)}" if batch.sown_at else "in soak",
            phase=phase_words(stand.span),
            water=water,
            water_how=how,
            dry=dry,
            outside=outside,
            inside="" if outside else self.known.get(id(stand), "air not measured here"),
            told=f"told since {say_time(since, zone)}" if since and outside else "",
            is_held=bool(batch.holds),
        )

    def _soaks(self) -> Iterable[TrayGroup]:
        """Yield what soaks."""
        for batch in self.tick.batches.values():
            if batch.sown_at is None and batch.soaked_at is not None:
                count = f"for {say_trays(batch.trays_planned)}" if batch.trays_planned else "seed"
                yield self._bare(batch, count, f"in soak, {say_age(self.now - batch.soaked_at)}")

    def _bare(self, batch: Batch, count: str, phase: str, pile: str = "") -> TrayGroup:
        """Return trays or seed of which nothing more is known."""
        profile = self.tick.profiles.get(batch.crop)
        return TrayGroup(
            batch=batch.id,
            opens=f"/batch/{batch.id}",
            crop=profile.name if profile else batch.crop,
            count=count,
            pile=pile,
            day=f"day {day_number(self.now, batch.sown_at, self.farm.zone)}" if batch.sown_at else "",
            phase=phase,
            water="",
            water_how="",
            dry="",
            outside=(),
            inside="",
            told="",
            is_held=bool(batch.holds),
        )

    def _water(self, stand: Stand, part: Part) -> tuple[str, str, str]:
        """Return (water left, how it is known with its age, when it is dry)."""
        key = ("water on racks", stand.batch.id, part)
        if key not in self.tick.memo:
            self.tick.memo[key] = water_of(stand.batch, part, stand.span, stand.profile, self.tick)
        known: PartWater = self.tick.memo[key]
        if known.covered:
            return "", "under its cover: not to be lifted for water", ""
        water = known.water
        if water is None:
            doubt = known.scale.doubt if known.scale else None
            poured = f"poured {say_age(self.now - known.poured_at)}" if known.poured_at else "not poured yet"
            return "", doubt or f"water by days only; {poured}", ""
        seen_at = from_ms(known.scale.cell.last_ms) if known.scale else self._lifted_at(stand.batch)
        age = f", {say_age(self.now - seen_at)}" if seen_at else ""
        stands = f"stands in water since {say_time(known.stands_since, self.farm.zone)}" if known.stands_since else ""
        left = f"{max(water.left, 0):.0%}"
        return left, f"{KNOWN_WORDS[water.known]}{age}", stands or dry_words(water, self.tick)

    def _lifted_at(self, batch: Batch) -> datetime | None:
        """Return when somebody last lifted or weighed a tray of a batch."""
        kinds = (EntryKind.LIFTED, EntryKind.WEIGHED)
        return max((entry.at for entry in batch.entries if entry.kind in kinds), default=None)

    def _outside(self) -> dict[int, list[Outside]]:
        """Return by stand which bands its newest readings are outside of; note of which stands anything is known."""
        found: dict[int, list[Outside]] = {}
        self.known: dict[int, str] = {}
        for stand, quantity, band, sensors in asked(self.tick, Quantity.TEMPERATURE, Quantity.HUMIDITY):
            low, high = judged_band(quantity, band, sensors, self.tick)
            readings = [reading for name in sensors if (reading := self.live.latest(name)) is not None]
            fresh = [each for each in readings if not is_old(each.measured_at, self.now)]
            self.known.setdefault(id(stand), "not heard lately")
            if not fresh:
                continue
            self.known[id(stand)] = "in its band"
            value = max(fresh, key=lambda each: each.measured_at).value
            is_low = low is not None and value < low
            if not is_low and (high is None or value <= high):
                continue
            limit = low if is_low else high
            name = NAMES[(quantity, is_low)]
            if limit is None or any(each.name == name for each in found.get(id(stand), ())):
                continue
            end = "at least" if is_low else "at most"
            says = f"{say_value(quantity, value, self.tick)}, wants {end} {say_value(quantity, limit, self.tick)}"
            found.setdefault(id(stand), []).append(Outside(name=name, is_low=is_low, says=says))
        return found

    def _figures(self, spot: str, *, exact: bool) -> Iterable[ShownFigure]:
        """Yield what is measured at a place, right there or also inside it; scales tell by the water of their trays."""
        for sensor in self.farm.sensors.values():
            there = sensor.spot == spot if exact else self.farm.places.is_within(sensor.spot, spot)
            if there and sensor.quantity not in (Quantity.WEIGHT, Quantity.BATTERY):
                yield figure_of(sensor, self.latest.get(sensor.id), self.live, self.tick, self.now)
