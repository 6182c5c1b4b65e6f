"""What Rounds shows; pure."""

from __future__ import annotations

from dataclasses import dataclass

from alerts.findings import Tick
from alerts.holding import hold_lines
from monitor.amounts import say_time


@dataclass(frozen=True, slots=True, kw_only=True)
class RoundsPage:
    """The round that is to be walked now.

    Attributes:
        says: What day and time it is.
        holds: What is on hold, said first.
    """

    says: str
    holds: tuple[str, ...]


def build_rounds(tick: Tick) -> RoundsPage:
    """Return the page of one moment."""
    return RoundsPage(says=say_time(tick.now, tick.farm.zone), holds=tuple(hold_lines(tick)))
