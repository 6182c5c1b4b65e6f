"""What was written down and measured of simulated batches, with what is forgotten and what sensors miss; SIMULATED."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray

from monitor.ledger import Entry, EntryKind, NewEntry
from monitor.readings import to_ms
from simulated_feeds import badparameters as ranges
from simulated_feeds.badair import PER_HOUR, Room
from simulated_feeds.badlife import DRY_G, FULL_G, ON_TOP_KG, Life, steps_of, weight_of

Array = NDArray[np.float64]
Instants = NDArray[np.int64]
_OF_SENSOR = {
    "t": {"cold germination", "hot germination", "mould weather"},
    "h": {"mould weather"},
    "p": {"too little light"},
    "l": {"light leak"},
    "w": {"dried out while covered", "dried out later", "waterlogged"},
}
_STEP_MS = ranges.STEP_MIN * 60_000


def sensed(
    rng: np.random.Generator, room: Room, lives: Sequence[Life], first_day: date
) -> tuple[dict[str, tuple[Instants, Array]], set[str]]:
    """Return what the sensors say, and the causes that nothing measured at the place of the last of the batches."""
    origin = to_ms(datetime.combine(first_day, time(0), tzinfo=UTC))
    instants = origin + np.arange(room.temp_c.shape[1], dtype=np.int64) * _STEP_MS
    target = lives[-1]
    found: dict[str, tuple[Instants, Array]] = {}
    missing: set[str] = set()
    for shelf in range(ranges.SHELVES):
        for name, values in (("t", room.temp_c), ("h", room.humidity_pct), ("p", room.ppfd)):
            if rng.random() < ranges.SENSOR_MISSING:
                missing |= _OF_SENSOR[name] if shelf == target.shelf else set()
            else:
                found[f"{name}{shelf}"] = _reported(rng, name, instants, values[shelf])
    for life in lives:
        for name, made in (("l", _under_cover), ("w", _weight)):
            if rng.random() < ranges.SENSOR_MISSING:
                missing |= _OF_SENSOR[name] if life is target else set()
                continue
            at_ms, values = _reported(rng, name, *made(rng, life, first_day, instants))
            before = found.get(f"{name}{life.shelf}-{life.position}", (np.empty(0, dtype=np.int64), np.empty(0)))
            both = np.concatenate((before[0], at_ms)), np.concatenate((before[1], values))
            order = np.argsort(both[0], kind="stable")
            found[f"{name}{life.shelf}-{life.position}"] = (both[0][order], both[1][order])
    return found, missing


def _reported(rng: np.random.Generator, name: str, at_ms: Instants, true: Array) -> tuple[Instants, Array]:
    """Return a true series as a sensor reports it: off by a little, noisy, and silent at times."""
    quantity = {"t": "temperature", "h": "humidity", "p": "ppfd", "l": "light", "w": "weight"}[name]
    off = rng.normal(0, ranges.OFFSET.get(quantity, 0.0) / 2)
    values = true * (1 + off) if name == "p" else true + off if name != "l" else true
    noise = rng.normal(0, ranges.NOISE[quantity], len(true))
    values = values + (noise if name != "l" else np.abs(noise) * 0.5)
    if name == "p":
        values = np.where(true > 0, np.maximum(values, 0), np.abs(noise) * 0.1)
    if name == "h":
        values = np.clip(values, 0, 100)
    keep = np.ones(len(true), dtype=bool)
    silent = rng.uniform(*ranges.GAPS) * rng.random() * len(true)
    while (~keep).sum() < silent:
        count = int(rng.uniform(*ranges.GAP_HOURS) * PER_HOUR)
        begin = int(rng.integers(0, max(len(true) - count, 1)))
        keep[begin : begin + count] = False
    return at_ms[keep], np.round(values[keep], 2)


def _weight(rng: np.random.Generator, life: Life, first_day: date, instants: Instants) -> tuple[Instants, Array]:
    """Return the true weight of a batch's tray from sowing to the cut."""
    sown, _, _, cut = steps_of(life, first_day)
    hours = np.arange(cut - sown) / PER_HOUR
    return instants[sown:cut], weight_of(life, rng, hours)


def _under_cover(rng: np.random.Generator, life: Life, first_day: date, instants: Instants) -> tuple[Instants, Array]:
    """Return the true light under a batch's cover, from sowing until it comes into the light. [lx]."""
    sown, _, lights, _ = steps_of(life, first_day)
    light = np.zeros(lights - sown)
    left = life.dose["light leak"] * PER_HOUR
    while left > 1:
        count = int(min(left, rng.uniform(2, 14) * PER_HOUR, len(light)))
        begin = int(rng.integers(0, max(len(light) - count, 1)))
        dark = light[begin : begin + count] == 0
        light[begin : begin + count] = rng.uniform(15, 300)
        left -= int(dark.sum())
        if (light > 0).all():
            break
    life.dose["light leak"] = float((light > 0).sum()) / PER_HOUR
    return instants[sown:lights], light


def book_of(rng: np.random.Generator, lives: Sequence[Life]) -> tuple[tuple[Entry, ...], set[str]]:
    """Return the ledger, and the causes of which it lacks the entries for the last of the batches."""
    entries: list[NewEntry] = []
    forgotten: set[str] = set()
    signs = _farm_signs(rng)
    noted = float(rng.uniform(*ranges.SIGN_NOTED))
    first_at = min(life.sown_at for life in lives) - timedelta(days=1)
    for shelf in range(ranges.SHELVES):
        for position in range(ranges.POSITIONS):
            data = {"sensor": f"w{shelf}-{position}", "what": "scale", "dry_g": DRY_G, "full_g": FULL_G}
            entries.append(NewEntry(kind=EntryKind.CALIBRATED, at=first_at, by="ines", data=data))
    for life in lives:
        entries += _entries(rng, life, forgotten if life is lives[-1] else set(), signs, noted)
    ordered = sorted(entries, key=lambda entry: entry.at)
    return (
        tuple(
            Entry(
                kind=entry.kind, at=entry.at, by=entry.by, batch=entry.batch, trays=entry.trays, spot=entry.spot,
                stack=entry.stack, data=entry.data, id=number, recorded_at=entry.at,
            )
            for number, entry in enumerate(ordered, start=1)
        ),
        forgotten,
    )  # fmt: skip


def _farm_signs(rng: np.random.Generator) -> dict[str, dict[str, float]]:
    """Return how often each sign shows on this farm: drawn round the ranges."""
    tight = ranges.SIGN_SPREAD
    return {
        cause: {sign: float(rng.beta(tight * share, tight * (1 - share))) for sign, share in each.items()}
        for cause, each in ranges.SIGNS.items()
    }


def _entries(
    rng: np.random.Generator,
    life: Life,
    forgotten: set[str],
    signs: Mapping[str, Mapping[str, float]],
    noted: float,
) -> list[NewEntry]:
    """Return what was written down of one batch."""
    missed = {
        what: bool(rng.random() < ranges.ENTRY_FORGOTTEN) for what in ("uncover", "lights", "seed", "lot", "medium")
    }
    spot = f"cellar/1/{life.shelf + 1}/{life.position + 1}"
    first = NewEntry(kind=EntryKind.NOTED, at=life.sown_at, by="ines", batch=life.batch)
    sown: dict[str, Any] = {
        "crop": life.profile.id,
        "tray_kind": "1020",
        "seed_g_per_tray": None if missed["seed"] else round(life.seed_g, 1),
        "lot": None if missed["lot"] else life.lot,
        **({} if missed["medium"] else {"medium": life.medium}),
    }
    found = [
        replace(first, kind=EntryKind.SOWN, trays=life.trays, spot=spot, data=sown),
        replace(
            first,
            kind=EntryKind.STACKED,
            at=life.sown_at + timedelta(minutes=10),
            data={"weight_kg": ON_TOP_KG, "covered_only": False},
        ),
    ]
    if life.look_day is not None and not rng.random() < 2 * ranges.ENTRY_FORGOTTEN:
        look_at = life.sown_at + timedelta(days=life.look_day - 1, hours=8)
        if look_at < life.uncovered_at:
            found.append(replace(first, kind=EntryKind.LOOKED, at=look_at, data={"early": 1}))
    early = int(life.dose["cover lifted early"]) if life.dose["cover lifted early"] >= 1 else 0
    if not missed["uncover"]:
        data = {"early": early} if early else {}
        found.append(replace(first, kind=EntryKind.UNCOVERED, at=life.uncovered_at, data=data))
    if not missed["lights"]:
        found.append(replace(first, kind=EntryKind.LIGHTS_ON, at=life.lights_at))
    for hours in life.pours:
        if rng.random() >= ranges.WATERING_FORGOTTEN:
            at = life.sown_at + timedelta(hours=hours)
            found.append(replace(first, kind=EntryKind.WATERED, at=at, data={"ml_per_tray": 250}))
    found += _ending(rng, life, first, signs, noted)
    forgotten |= _unknown(missed)
    return found


def _unknown(missed: Mapping[str, bool]) -> set[str]:
    """Return the causes that cannot be told by the entries that are missing."""
    of = {
        "uncover": {"cover lifted early", "blackout too long", "blackout too short"},
        "lights": {"blackout too long", "blackout too short"},
        "seed": {"sown too thin", "sown too thick"},
        "lot": set[str](),
        "medium": set[str](),
    }
    return set().union(*(of[what] for what, is_missed in missed.items() if is_missed))


def _ending(
    rng: np.random.Generator, life: Life, first: NewEntry, signs: Mapping[str, Mapping[str, float]], noted: float
) -> list[NewEntry]:
    """Return the cut, what was thrown away, and how it was judged."""
    lost = int(rng.integers(1, life.trays)) if life.harmed and rng.random() < 0.4 else 0
    found = []
    if lost:
        found.append(
            replace(first, kind=EntryKind.DISCARDED, at=life.cut_at, trays=lost, data={"why": "came out badly"})
        )
    grams = round(life.yield_g * (life.trays - lost))
    at = life.cut_at + timedelta(minutes=20)
    found.append(replace(first, kind=EntryKind.HARVESTED, at=at, trays=life.trays - lost, data={"grams": grams}))
    if rng.random() < ranges.OUTCOME_ENTERED:
        stand = float(rng.uniform(*(ranges.BAD_STAND if life.harmed else ranges.GOOD_STAND)))
        data: dict[str, Any] = {"stand": round(stand * 2) / 2}
        if rng.random() < ranges.SIGNS_ENTERED:
            data["signs"] = _seen(rng, life, signs, noted)
        found.append(replace(first, kind=EntryKind.OUTCOME, at=life.cut_at + timedelta(hours=1), data=data))
    return found


def _seen(rng: np.random.Generator, life: Life, signs: Mapping[str, Mapping[str, float]], noted: float) -> list[str]:
    """Return the signs that were noted of a batch."""
    names = sorted({sign for each in ranges.SIGNS.values() for sign in each})
    found = []
    for sign in names:
        without = np.prod([1 - signs[cause].get(sign, 0.0) for cause in sorted(life.harmed)])
        there = rng.random() < 1 - (1 - ranges.SIGN_BY_CHANCE) * float(without)
        if there and rng.random() < noted:
            found.append(sign)
    return found
