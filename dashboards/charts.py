"""A batch's days as one picture: phases shaded, air, light and weight as lines, entries as marks (SVG)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from dashboards.thin import thin

PHASE_SHADES = {
    "soak": "#c8d5da",
    "germination": "#b9b4a7",
    "blackout": "#8f8a96",
    "light": "#f2e3b0",
    "harvest window": "#cfe0c3",
    "overgrown": "#e3c9bd",
}
"""Shades of our own; the phase's name is written on each, so that no colour is needed to tell them apart."""
INK = "#2b2d42"
_STRETCHES = 260
_GAP_MS = 45 * 60_000


@dataclass(frozen=True, slots=True)
class Shade:
    """A phase on the time axis."""

    name: str
    begins_at: datetime
    ends_at: datetime


@dataclass(frozen=True, slots=True)
class Line:
    """One measured series: what it is, its unit, instants [ms since 1970] and values."""

    name: str
    unit: str
    at_ms: NDArray[np.int64]
    value: NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Mark:
    """One entry on the time axis."""

    what: str
    at: datetime


def describe(lines: Sequence[Line], shades: Sequence[Shade], marks: Sequence[Mark]) -> str:
    """Return what a picture shows, for who cannot see it."""
    phases = ", ".join(f"{shade.name} from {shade.begins_at:%a %d %b}" for shade in shades)
    spans = "; ".join(
        f"{line.name} from {np.nanmin(line.value):.1f} to {np.nanmax(line.value):.1f} {line.unit}"
        for line in lines
        if len(line.value)
    )
    return f"Phases: {phases or 'none'}. {spans or 'No readings'}. {len(marks)} entries."


def _local(instant: datetime, zone: ZoneInfo) -> str:
    """Return an instant as the local wall-clock time that the axis shows."""
    return instant.astimezone(zone).strftime("%Y-%m-%dT%H:%M:%S")


def batch_svg(lines: Sequence[Line], shades: Sequence[Shade], marks: Sequence[Mark], *, zone: ZoneInfo) -> str:
    """Return the picture of one batch as SVG; panels share the time axis, gaps are gaps.

    Args:
        lines: Measured series, one panel each; none gives the phases and entries alone.
        shades: The batch's phases, instants aware.
        marks: Its entries.
        zone: Zone of the time axis.
    """
    import altair as alt
    import pandas as pd
    import vl_convert

    phases = pd.DataFrame(
        [(shade.name, _local(shade.begins_at, zone), _local(shade.ends_at, zone)) for shade in shades],
        columns=["phase", "from", "to"],
    )
    begin, end = phases["from"].min(), phases["to"].max()
    axis = alt.X("at:T", title=None, scale=alt.Scale(domain=[begin, end]), axis=_days())
    shading = (
        alt.Chart(phases)
        .mark_rect(opacity=0.45)
        .encode(
            x=alt.X("from:T", scale=alt.Scale(domain=[begin, end]), title=None),
            x2="to:T",
            color=alt.Color(
                "phase:N",
                legend=None,
                scale=alt.Scale(domain=list(PHASE_SHADES), range=list(PHASE_SHADES.values())),
            ),
        )
    )
    names = (
        alt.Chart(phases)
        .mark_text(align="left", baseline="top", dx=3, dy=3, fontSize=11, color=INK)
        .encode(x="from:T", text="phase:N", y=alt.value(0))
    )
    ticks = pd.DataFrame([(mark.what, _local(mark.at, zone)) for mark in marks], columns=["what", "at"])
    marked = (
        alt.Chart(ticks)
        .mark_point(shape="triangle-down", size=45, filled=True, color=INK, clip=True)
        .encode(x=axis, y=alt.value(32), tooltip="what:N")
    )
    top = alt.layer(shading, names, marked).properties(width=640, height=40)
    panels = [top, *(_panel(line, axis, shading, zone) for line in lines if len(line.value))]
    chart = alt.vconcat(*panels, spacing=6).configure_view(stroke=None).configure(background="white", font="sans-serif")
    svg: str = vl_convert.vegalite_to_svg(chart.to_dict())
    return svg


def _days() -> Any:
    """Return a time axis with one tick a local day."""
    import altair

    return altair.Axis(format="%a %d", grid=True, tickCount={"interval": "day", "step": 1}, labelOverlap=True)


def _panel(line: Line, axis: Any, shading: Any, zone: ZoneInfo) -> Any:
    """Return one series over the shaded phases."""
    import altair
    import pandas

    at_ms, value = thin(line.at_ms, line.value, stretches=_STRETCHES, gap_ms=_GAP_MS)
    frame = pandas.DataFrame(
        {
            "at": pandas.to_datetime(at_ms, unit="ms", utc=True).tz_convert(zone.key).strftime("%Y-%m-%dT%H:%M:%S"),
            "value": value,
        }
    )
    drawn = (
        altair.Chart(frame)
        .mark_line(color=INK, strokeWidth=1.1)
        .encode(x=axis, y=altair.Y("value:Q", title=[line.name, line.unit], scale=altair.Scale(zero=False)))
    )
    return altair.layer(shading, drawn).properties(width=640, height=90)
