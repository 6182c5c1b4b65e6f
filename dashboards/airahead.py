"""What the sensors let one say of days to come: the warmth so far moves the days, no scale weighs ahead; pure."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime
from typing import TypeVar

from monitor.loadcell import LoadCell
from monitor.scales import Array, ScaleView
from monitor.scalesetup import ScaleSetup

T = TypeVar("T")


class AirAhead:
    """The air that the sensors have seen, without scales."""

    def __init__(self, seen: ScaleView) -> None:
        """Take what the sensors say now."""
        self._seen = seen

    def cell(self, sensor: str) -> LoadCell | None:
        """Return None: no scale weighs ahead."""
        return None

    def setup(self, sensor: str, at: datetime) -> ScaleSetup | None:
        """Return None: no scale weighs ahead."""
        return None

    def deficit_at(self, temperature: Sequence[str], humidity: Sequence[str]) -> Callable[[Array], Array]:
        """Return the vapour pressure deficit, the last day again for what is to come."""
        return self._seen.deficit_at(temperature, humidity)

    def mean_temp_c(self, temperature: Sequence[str], since_ms: float) -> float | None:
        """Return the mean temperature since an instant, as far as it is known."""
        return self._seen.mean_temp_c(temperature, since_ms)

    def air_at(self, sensors: Sequence[str]) -> Callable[[Array], Array]:
        """Return the mean of some sensors in the half hours that have been."""
        return self._seen.air_at(sensors)

    def once(self, key: tuple[object, ...], make: Callable[[], T]) -> T:
        """Return what is made: days that are only assumed are not kept with those that were."""
        return make()
