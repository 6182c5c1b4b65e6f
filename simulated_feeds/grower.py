"""A simulated grower: sows by a plan, answers what is asked after a while, forgets a thing once; pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from monitor.clock import at_local, local_day
from monitor.ledger import EntryKind, NewEntry


@dataclass(frozen=True, slots=True, kw_only=True)
class Request:
    """What is asked of the grower, freed from who asks.

    Attributes:
        key: Identity of the task.
        kind: ``drain``, ``look``, ``uncover``, ``end blackout``, ``water``, ``harvest`` or ``clear and wash``.
        batch: Batch id.
        crop: Crop id.
        trays: How many trays it means.
        water_ml: What is to be poured in all. [ml]
        yield_g_per_tray: What a tray of the crop usually gives. [g]
    """

    key: str
    kind: str
    batch: str
    crop: str
    trays: int
    water_ml: float
    yield_g_per_tray: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Planned:
    """One sowing of the plan.

    Attributes:
        day: Days after the first day.
        wall: Local time.
        crop: Crop id.
        trays: How many.
        spot: Where they stand.
        seed_g: Sowing weight. [g per tray]
        lot: Invented seed lot.
        soak_before_h: Hours of soak before; 0: none. [h]
        weight_kg: Weight on the stack; None: a cover only. [kg]
    """

    day: int
    wall: time
    crop: str
    trays: int
    spot: str
    seed_g: float
    lot: str
    soak_before_h: int = 0
    weight_kg: float | None = 3.0


PLAN = (
    Planned(day=0, wall=time(9), crop="radish", trays=6, spot="cellar/1/1", seed_g=35, lot="R-31"),
    Planned(day=0, wall=time(9, 20), crop="basil", trays=4, spot="cellar/1/2", seed_g=10, lot="B-12"),
    Planned(
        day=0,
        wall=time(17, 30),
        crop="pea",
        trays=6,
        spot="cellar/2/1",
        seed_g=220,
        lot="P-07",
        soak_before_h=8,
        weight_kg=6,
    ),
    Planned(day=1, wall=time(9), crop="red-cabbage", trays=5, spot="cellar/2/2", seed_g=18, lot="K-20"),
    Planned(
        day=1,
        wall=time(18),
        crop="sunflower",
        trays=4,
        spot="cellar/1/3",
        seed_g=120,
        lot="S-03",
        soak_before_h=9,
        weight_kg=6,
    ),
    Planned(day=2, wall=time(9), crop="rocket", trays=3, spot="cellar/2/3", seed_g=10, lot="A-44", weight_kg=None),
)
"""What Saltcellar Farm sows in the demo: six crops, two of them sticky-seeded. Invented."""


def plan_entries(first_day: datetime, zone: ZoneInfo, by: str) -> list[NewEntry]:
    """Return the entries of the whole plan, in the order of the deeds."""
    entries: list[NewEntry] = []
    start = local_day(first_day, zone)
    for number, line in enumerate(PLAN, start=1):
        batch = str(number)
        sown_at = at_local(start + timedelta(days=line.day), line.wall, zone)
        seed: dict[str, Any] = {"crop": line.crop, "lot": line.lot, "supplier": None, "treated": False}
        if line.soak_before_h:
            soaked = {**seed, "seed_g": line.seed_g * line.trays, "trays_planned": line.trays}
            at = sown_at - timedelta(hours=line.soak_before_h, minutes=30)
            entries.append(NewEntry(kind=EntryKind.SOAKED, at=at, by=by, batch=batch, data=soaked))
        sown = {**seed, "tray_kind": "1020", "seed_g_per_tray": line.seed_g, "misted": True}
        entries.append(
            NewEntry(kind=EntryKind.SOWN, at=sown_at, by=by, batch=batch, trays=line.trays, spot=line.spot, data=sown)
        )
        only = line.weight_kg is None
        stacked = {"weight_kg": line.weight_kg, "order": 1, "covered_only": only}
        entries.append(
            NewEntry(
                kind=EntryKind.STACKED,
                at=sown_at + timedelta(minutes=15),
                by=by,
                batch=batch,
                spot=line.spot,
                stack=None if only else f"S{number}",
                data=stacked,
            )
        )
    return sorted(entries, key=lambda entry: entry.at)


_DONE = {
    "drain": EntryKind.DRAINED,
    "look": EntryKind.LOOKED,
    "uncover": EntryKind.UNCOVERED,
    "end blackout": EntryKind.LIGHTS_ON,
    "water": EntryKind.WATERED,
    "harvest": EntryKind.HARVESTED,
    "clear and wash": EntryKind.CLEANED,
}
_AFTER = {"drain": timedelta(minutes=10), "clear and wash": timedelta(minutes=70), "harvest": timedelta(minutes=50)}


class Grower:
    """Answers requests, mostly at once on the walk: one "not yet", one part, and one thing that is forgotten."""

    def __init__(self, by: str) -> None:
        """Take the name that entries carry."""
        self._by = by
        self._answered: set[str] = set()
        self._put_off: set[str] = set()
        self._part_done: set[str] = set()

    def answer(self, requests: Sequence[Request], asked_at: datetime) -> list[NewEntry]:
        """Return what the grower does about what was asked, each request answered once."""
        entries = []
        for place, request in enumerate(requests):
            if request.key in self._answered:
                continue
            at = asked_at + _AFTER.get(request.kind, timedelta(minutes=8)) + timedelta(minutes=3 * place)
            entries += self._about(request, at)
        return sorted(entries, key=lambda entry: entry.at)

    def _about(self, request: Request, at: datetime) -> list[NewEntry]:
        """Return the entries about one request."""
        if request.kind == "end blackout" and request.crop == "pea" and request.batch not in self._put_off:
            self._put_off.add(request.batch)  # too short still: asked again at the next round
            data: dict[str, Any] = {"task": request.kind, "until": None, "text": "stems still short"}
            return [self._entry(EntryKind.NOT_YET, request, at, data=data)]
        self._answered.add(request.key)
        if request.kind == "look" and request.crop == "sunflower":
            return []  # forgotten
        if request.kind == "harvest" and request.crop == "radish" and request.batch not in self._part_done:
            self._part_done.add(request.batch)
            self._answered.discard(request.key)
            share = max(1, request.trays // 2)
            return [self._cut(replace(request, trays=share), at)]
        if request.kind == "harvest" and request.crop == "basil":
            data = {"whom": "the corner table (invented)", "living": True}
            return [self._entry(EntryKind.DELIVERED, request, at, trays=request.trays, data=data)]
        if request.kind == "harvest":
            return [self._cut(request, at)]
        return [self._entry(_DONE[request.kind], request, at, data=self._data(request))]

    def _cut(self, request: Request, at: datetime) -> NewEntry:
        """Return the entry of cutting some trays."""
        grams = round(request.trays * request.yield_g_per_tray)
        return self._entry(EntryKind.HARVESTED, request, at, trays=request.trays, data={"grams": grams})

    def _data(self, request: Request) -> Mapping[str, Any]:
        """Return what an entry of a kind carries."""
        if request.kind == "water" and request.trays:
            return {"ml_per_tray": round(request.water_ml / request.trays)}
        return {"with": "hot water and soap"} if request.kind == "clear and wash" else {}

    def _entry(self, kind: EntryKind, request: Request, at: datetime, **more: Any) -> NewEntry:
        """Return one entry of this grower."""
        return NewEntry(kind=kind, at=at, by=self._by, batch=request.batch, **more)
