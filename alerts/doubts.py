"""Why a scale is not believed, each reason with what to do: no water is ever asked for by such a scale; pure."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import timedelta

from alerts.findings import Tick
from monitor.batches import Batch, Part
from monitor.farm import Sensor
from monitor.ledger import EntryKind
from monitor.loadcell import CellTrouble, LoadCell
from monitor.phases import PhaseSpan
from monitor.reach import is_covered
from monitor.readings import from_ms
from monitor.scalesetup import ScaleSetup
from monitor.weightevents import Deed, WeightEvent

STUCK_AFTER = timedelta(hours=6)
"""The very same number for so long, of a tray that stands open, is a scale that hangs. Ours."""
DOUBT_LASTS = timedelta(hours=24)
LEAST_LEFT, MOST_LEFT = -0.35, 2.2
"""Available water fractions beyond which it is another tray. Ours."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OnScale:
    """What is known of a scale and the trays that it speaks for.

    Attributes:
        sensor: The scale.
        setup: Its set-up today, or None.
        cell: Its state.
        events: What was read from it since the batch was sown.
        batch: The batch.
        part: The part of it.
        span: Its phase.
        left: Available water fraction by the middle guess; None: cannot be said.
    """

    sensor: Sensor
    setup: ScaleSetup | None
    cell: LoadCell
    events: tuple[WeightEvent, ...]
    batch: Batch
    part: Part
    span: PhaseSpan
    left: Callable[[], float | None]


def doubt_of(on: OnScale, tick: Tick) -> str | None:
    """Return why a scale is not believed, the gravest reason; None: it is believed."""
    return next(_doubts(on, tick), None)


def _doubts(on: OnScale, tick: Tick) -> Iterator[str]:
    """Yield reasons, the gravest first."""
    sensor, cell = on.sensor, on.cell
    name = f"The scale {sensor.id} at {tick.farm.places.name(sensor.spot)}"
    setup = f"traywarden scale setup {sensor.id}"
    if cell.trouble is CellTrouble.NEGATIVE:
        yield (
            f"{name} shows {cell.last_g:.0f} g, less than nothing. Take everything off it, look at its cable, then "
            f"set it up anew: {setup}"
        )
    if cell.trouble is CellTrouble.OVERLOADED:
        yield (
            f"{name} is at the end of what it can carry ({cell.last_g:.0f} g). Take weight off it; it may be bent. "
            "Then lay a known mass on it and see."
        )
    if on.setup is None or on.setup.full_g is None or on.setup.limp_g is None:
        yield f"{name} was never set up, so its weight says nothing of water: {setup}"
    yield from _hangs(on, tick, name)
    yield from _shared(on, tick, name)
    if cell.is_away:
        yield f"Nothing stands on the scale {sensor.id} at {tick.farm.places.name(sensor.spot)} now. Put its tray back."
    if not is_covered(on.span):
        yield from _changed(on, tick, name)
        yield from _other_tray(on, name, setup)


def _hangs(on: OnScale, tick: Tick, name: str) -> Iterator[str]:
    """Yield that it has shown the same number for hours."""
    since = from_ms(on.cell.same_since_ms)
    if not is_covered(on.span) and from_ms(on.cell.last_ms) - since >= STUCK_AFTER:
        clock = f"{since.astimezone(tick.farm.zone):%a %H:%M}"
        yield (
            f"{name} has shown the very same {on.cell.last_g:.0f} g since {clock}. Lift the tray: if the number stays, "
            "it is stuck."
        )


def _shared(on: OnScale, tick: Tick, name: str) -> Iterator[str]:
    """Yield that trays of several batches stand where it lies."""
    if on.sensor.trays_on_it > 1 or any(part.spot == on.sensor.spot for part in on.batch.standing):
        return  # the whole shelf's, or said already
    others = [
        other.id
        for other in tick.batches.values()
        if other.id != on.batch.id and any(part.spot == on.part.spot for part in other.standing)
    ]
    if others and on.part.spot != on.sensor.spot:
        yield (
            f"{name}: batches {on.batch.id} and {', '.join(others)} stand there, and nobody said whose tray is on it. "
            f"Say so: traywarden move {on.batch.id} {on.sensor.spot} --trays 1"
        )


def _changed(on: OnScale, tick: Tick, name: str) -> Iterator[str]:
    """Yield that its weight changed, and nobody said why."""
    for event in reversed(on.events):
        at = from_ms(event.at_ms)
        if event.deed not in (Deed.UNEXPLAINED, Deed.CUT) or tick.now - at > DOUBT_LASTS:
            continue
        answered = any(entry.at > at and entry.kind is not EntryKind.NOT_YET for entry in on.batch.entries)
        clock = f"{at.astimezone(tick.farm.zone):%a %H:%M}"
        if not answered and event.deed is Deed.CUT:
            yield f"{name} lost {-event.grams:.0f} g on {clock}, as if it was cut. Right or wrong: traywarden seen"
        elif not answered:
            yield (
                f"{name} changed by {event.grams:+.0f} g on {clock}, and nobody said why. Is another tray on it? Lift "
                f"it and say how it feels: traywarden lift {on.batch.id} right"
            )


def _other_tray(on: OnScale, name: str, setup: str) -> Iterator[str]:
    """Yield that what stands there weighs what no tray of the batch can."""
    left = on.left()
    if left is not None and not LEAST_LEFT <= left <= MOST_LEFT:
        yield (
            f"{name} shows {on.cell.level_g or 0:.0f} g, which is no tray of batch {on.batch.id}. Was it moved? Put "
            f"its tray back, or set it up anew: {setup}"
        )
