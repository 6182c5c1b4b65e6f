"""The places of farm.toml: rooms with their racks, shelves and tray places, then cold stores and the like; pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any, NamedTuple

from monitor.errors import NotFoundError
from monitor.farmvalues import FarmValues
from monitor.places import Places, Spot, SpotKind

_KINDS = {"cold store": SpotKind.COLD_STORE, "seed cupboard": SpotKind.CUPBOARD, "other": SpotKind.OTHER}
MOST_SHELVES, MOST_TRAYS = 20, 60


class _Table(NamedTuple):
    """One table of the file, with the path that faults name."""

    values: Mapping[str, Any]
    path: str


class PlaceReader(FarmValues):
    """Reads [[room]], [[rack]], [[shelf]] and [[place]]; the spots come in walking order."""

    def __init__(self, text: str, file: str, folder: Path) -> None:
        """Take the file's text, its name for messages, and the folder that paths start from."""
        super().__init__(text, file, folder)
        self.spots: dict[str, Spot] = {}
        self.called: dict[str, str] = {}  # what a spot is called, in small letters, to its id

    def add_spot(self, spot: Spot, path: str) -> None:
        """Keep a spot; its id and what it is called are its own."""
        if spot.id in self.spots:
            self.fault(f"{path}id", spot.id, "this place stands twice; give one of them another id")
            return
        for said, key in ((spot.id, "id"), (spot.name, "name")):
            other = self.called.setdefault(said.casefold(), spot.id)
            if other != spot.id:
                self.fault(f"{path}{key}", said, f"place {other} is called so already; each needs a name of its own")
        self.spots[spot.id] = spot

    def places(self, document: Mapping[str, Any]) -> Places:
        """Return all spots in walking order: the rooms with their racks in file order, then other places."""
        rooms = self.rooms(document)
        racks = [_Table(*each) for each in self.tables(document, "rack")]
        of_racks = [f"{rack.values.get('room')}/{rack.values.get('id')}" for rack in racks]
        changes = self.shelf_changes(document, of_racks)
        for room, table in rooms.items():
            name = self.text_or(table.values, "name", table.path, room)
            self.add_spot(self._spot(table, room, SpotKind.ROOM, name), table.path)
            prefix = f"{name}, " if len(rooms) > 1 else ""
            for rack in racks:
                if str(rack.values.get("room")) == room:
                    self.rack(rack, room, prefix, changes)
        self.lost_racks(racks, rooms, changes)
        for (rack_id, number), table in changes.items():
            self.fault(f"{table.path}number", f"shelf {number} of rack {rack_id}", "a shelf that the rack has")
        for place in self.tables(document, "place"):
            self.place(_Table(*place))
        return Places(tuple(self.spots.values()))

    def rooms(self, document: Mapping[str, Any]) -> dict[str, _Table]:
        """Return the rooms by id; one at least."""
        rooms: dict[str, _Table] = {}
        for values, path in self.tables(document, "room"):
            rooms[self.id_of(values, path, rooms)] = _Table(values, path)
        if not rooms:
            self.fault("room", None, "one [[room]] at least is needed, where the racks stand")
        return rooms

    def lost_racks(
        self, racks: Iterable[_Table], rooms: Mapping[str, _Table], changes: dict[tuple[str, int], _Table]
    ) -> None:
        """Note racks that stand in no room, and what else is wrong with them."""
        for rack in racks:
            room = rack.values.get("room")
            if str(room) not in rooms:
                self.fault(f"{rack.path}room", room, f"one of the rooms: {', '.join(rooms) or 'none yet'}")
                self.rack(rack, str(room), f"{room}, ", changes)

    def shelf_changes(self, document: Mapping[str, Any], of_racks: list[str]) -> dict[tuple[str, int], _Table]:
        """Return what [[shelf]] tables say, by rack and number."""
        found: dict[tuple[str, int], _Table] = {}
        for values, path in self.tables(document, "shelf"):
            rack_id = self.rack_of(values, path, of_racks)
            number = self.count_or(values, "number", path, None, 1, MOST_SHELVES)
            if number is None:
                self.fault(f"{path}number", None, "the number of the shelf is needed")
            if rack_id is None or number is None:
                continue
            if (rack_id, number) in found:
                self.fault(f"{path}number", f"shelf {number} of rack {rack_id}", "this shelf stands twice; make it one")
            found[(rack_id, number)] = _Table(values, path)
        return found

    def rack_of(self, shelf: Mapping[str, Any], path: str, of_racks: list[str]) -> str | None:
        """Return the whole id of the rack that a [[shelf]] is in; its number is enough where it is the only one."""
        said = str(shelf.get("rack", "")).strip("/")
        fits = [each for each in of_racks if said and (each == said or each.endswith(f"/{said}"))]
        if len(set(fits)) != 1:
            why = "there are several: say which room" if fits else "none of the racks"
            known = ", ".join(dict.fromkeys(fits or of_racks)) or "none yet"
            self.fault(f"{path}rack", said or None, f"{why}; a rack as room/rack: {known}")
            return None
        return fits[0]

    def _spot(self, table: _Table, spot_id: str, kind: SpotKind, name: str, *, holds_trays: int | None = None) -> Spot:
        """Return a spot with the limits and lamp hours that its table gives it."""
        return Spot(
            id=spot_id,
            kind=kind,
            name=name,
            limits=self.limits(table.values, table.path),
            lamp=self.lamp(table.values, table.path) if kind in _LIT else None,
            holds_trays=holds_trays,
        )

    def rack(self, table: _Table, room: str, prefix: str, changes: dict[tuple[str, int], _Table]) -> None:
        """Add a rack, its shelves and their places."""
        values, path = table
        rack = self.id_of(values, path, {})
        rack_id = f"{room}/{rack}"
        name = prefix + self.text_or(values, "name", path, f"rack {rack}")
        shelves = self.count_or(values, "shelves", path, None, 1, MOST_SHELVES)
        if shelves is None:
            self.fault(f"{path}shelves", None, "how many shelves the rack has is needed")
        trays = self.count_or(values, "trays_per_shelf", path, 4, 1, MOST_TRAYS)
        spot = self._spot(table, rack_id, SpotKind.RACK, name)
        is_new = rack_id not in self.spots
        self.add_spot(spot, path)
        usable = shelves if not self.has_fault(f"{path}shelves") else MOST_SHELVES
        for number in range(1, (usable or 1) + 1):
            own = changes.pop((rack_id, number), _Table({}, path))
            if is_new:
                self.shelf(own, f"{rack_id}/{number}", f"{name} shelf {number}", trays)

    def shelf(self, own: _Table, shelf_id: str, name: str, usual_trays: int) -> None:
        """Add a shelf and the places of its trays."""
        trays = self.count_or(own.values, "trays", own.path, usual_trays, 1, MOST_TRAYS)
        self.called.setdefault(name.casefold(), shelf_id)
        self.spots[shelf_id] = self._spot(own, shelf_id, SpotKind.SHELF, name, holds_trays=trays)
        for place in range(1, trays + 1):
            place_id = f"{shelf_id}/{place}"
            self.spots[place_id] = Spot(
                id=place_id, kind=SpotKind.POSITION, name=f"{name} place {place}", holds_trays=1
            )

    def place(self, table: _Table) -> None:
        """Add a place without racks."""
        values, path = table
        place = self.id_of(values, path, {})
        kind = _KINDS[self.one_of(values, "kind", path, tuple(_KINDS), "other")]
        self.add_spot(self._spot(table, place, kind, self.text_or(values, "name", path, place)), path)

    def spot_at(self, table: Mapping[str, Any], path: str) -> str:
        """Return the id of a place that must be there."""
        said = str(table.get("spot", "")).strip("/ ")
        try:
            return self.spots[said].id if said in self.spots else Places(tuple(self.spots.values())).find(said).id
        except NotFoundError as exc:
            why = str(exc) if said else f"one place of the farm, like {next(iter(self.spots), 'cellar')}"
            self.fault(f"{path}spot", said or None, why)
        return said


_LIT = (SpotKind.ROOM, SpotKind.RACK, SpotKind.SHELF)
