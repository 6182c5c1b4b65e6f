"""A batch's days drawn: phases shaded, air, light and weight as lines, entries as marks (SVG, PNG)."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Sequence
from datetime import datetime, time, timedelta
from typing import Any

from dashboards.colours import PHASE_ROLES, Theme, coloured, stand_in
from dashboards.daypicture import GAP, ROWS, DayPicture, Panel, Trace, end_of
from dashboards.thin import thin
from monitor.clock import at_local, local_day
from monitor.readings import to_ms

WIDE, NARROW = 840, 340
"""Widths that a picture is drawn for: a desk or paper, and a phone. [px]"""
_GAP_MS = GAP // timedelta(milliseconds=1)
_PATH = re.compile(r' d="[^"]*"')
_FINE = re.compile(r"-?\d+\.\d{2,}")
"""Numbers of a path finer than a tenth of a pixel: half of what a drawing weighs."""
_SPOKEN = re.compile(r' (?:role|aria-[a-z]+)="[^"]*"')
"""What the renderer says of single marks; the page says what the whole shows."""
_AXIS = 52
_PANEL_HIGH, _ROW_HIGH, _PHASES_HIGH = 84, 15, 32
_DASHES: tuple[list[int], ...] = ([1, 0], [6, 3], [2, 2])
"""Line shapes of the series of one panel, so that no colour is needed to tell them apart."""
_SHAPES = dict(zip(ROWS, ("triangle-right", "circle", "square", "diamond", "triangle-down"), strict=True))


def draw(picture: DayPicture, *, width: int = WIDE) -> str:
    """Return a picture as SVG with stand-ins for its colours; panels share the time axis, gaps are gaps.

    Args:
        picture: What to draw.
        width: Of the whole drawing; WIDE or NARROW. [px]
    """
    import vl_convert
    from altair.utils.schemapi import debug_mode

    with debug_mode(False):
        spec = drawing_of(picture, width)
    svg: str = vl_convert.vegalite_to_svg(spec)
    svg = _SPOKEN.sub("", svg)
    return _PATH.sub(lambda path: _FINE.sub(lambda number: f"{float(number.group()):.1f}", path.group()), svg)


def picture_svg(picture: DayPicture, *, width: int = WIDE, theme: Theme = "day") -> str:
    """Return a picture as SVG in the colours of a theme."""
    return coloured(draw(picture, width=width), theme)


def picture_png(svg: str, *, scale: float = 1.5) -> bytes:
    """Return a coloured SVG as PNG on white paper, for mails.

    Args:
        svg: In the colours of the day.
        scale: Pixels for each of its own.
    """
    import vl_convert

    begin = svg.index(">", svg.index("<svg")) + 1
    png: bytes = vl_convert.svg_to_png(
        f'{svg[:begin]}<rect width="100%" height="100%" fill="#fff"/>{svg[begin:]}', scale
    )
    return png


def _hours(picture: DayPicture, at: datetime) -> float:
    """Return where an instant stands on the time axis. [h since the picture begins]."""
    return (at - picture.begins_at) / timedelta(hours=1)


def _midnights(picture: DayPicture) -> list[datetime]:
    """Return the instants at which local days begin within the picture, the first and the last day's too."""
    day = local_day(picture.begins_at, picture.zone)
    found = []
    while (begin := at_local(day, time(0), picture.zone)) < picture.ends_at:
        found.append(begin)
        day += timedelta(days=1)
    return [*found, at_local(day, time(0), picture.zone)]


Unit = dict[str, Any]
"""One mark with its axes, or layers of them, as Vega-Lite."""


def _unit(chart: Any) -> Unit:
    """Return one chart of Altair as Vega-Lite; they are put together as such.

    Altair copies each chart whole when it is layered or put under another, and checks every part of it against the
    whole schema: seconds for a picture of eighty marks. The tests check the whole.
    """
    spec: Unit = chart.to_dict(validate=False)
    return {key: value for key, value in spec.items() if key not in ("$schema", "config")}


class _Frame:
    """What all panels of one drawing share: the time axis, and what lies behind the lines."""

    def __init__(self, picture: DayPicture, width: int) -> None:
        """Lay out the days."""
        import altair

        self.picture, self.alt = picture, altair
        self.inner = width - _AXIS - 8
        self.end = max(_hours(picture, picture.ends_at), 1.0)
        self.scale = altair.Scale(domain=[0, self.end], nice=False, zero=False)
        self.midnights = _midnights(picture)
        self._behind: list[Unit] = []
        self.rows_by_name: dict[str, list[dict[str, object]]] = {}

    def rows(self, rows: Iterable[dict[str, object]]) -> Any:
        """Return rows as data by name; Altair copies what it is given many times over, so the rows join at the end."""
        name = f"rows-{len(self.rows_by_name)}"
        self.rows_by_name[name] = list(rows)
        return self.alt.NamedData(name=name)

    def x(self, field: str = "x", *, labelled: bool = False) -> Any:
        """Return the time axis; labels stand in the middle of their day."""
        return self.alt.X(f"{field}:Q", title=None, scale=self.scale, axis=self._axis() if labelled else None)

    def _axis(self) -> Any:
        """Return the axis with a label a day: weekday and date, and the day of the batch."""
        starts = [max(_hours(self.picture, at), 0.0) for at in self.midnights[:-1]]
        ends = [min(_hours(self.picture, at), self.end) for at in self.midnights[1:]]
        middles = [(start + end) / 2 for start, end in zip(starts, ends, strict=True)]
        room = self.inner / max(self.end / 24, 1)
        every = next((step for step in (1, 2, 3, 5, 7, 14) if room * step >= 34), 30)
        sown_on = local_day(self.picture.sown_at, self.picture.zone) if self.picture.sown_at else None
        labels: list[list[str]] = []
        for at in self.midnights[:-1]:
            day = local_day(at, self.picture.zone)
            number = (day - sown_on).days if sown_on else len(labels)
            shown = number % every == 0
            first = f"{day:%a} {day.day}" if room * every >= 46 else str(day.day)
            labels.append([first, f"day {number}" if sown_on and number >= 0 else ""] if shown else ["", ""])
        return self.alt.Axis(
            values=middles,
            labelExpr=f"{json.dumps(labels)}[indexof({json.dumps(middles)}, datum.value)]",
            grid=False,
            ticks=False,
            domain=False,
            labelOverlap=False,
            labelFlush=False,
            labelBound=False,
        )

    def behind(self) -> list[Unit]:
        """Return the layers behind a panel: phases, hours without the lamp, and the borders of local days."""
        if not self._behind:
            self._behind = self._drawn_behind()
        return list(self._behind)

    def _drawn_behind(self) -> list[Unit]:
        """Return the layers behind a panel, made anew."""
        alt, picture = self.alt, self.picture
        phases = [
            {"x": _hours(picture, each.begins_at), "x2": _hours(picture, each.ends_at), "role": _tint(each.name)}
            for each in picture.phases
        ]
        layers: list[Unit] = []
        for role in dict.fromkeys(str(row["role"]) for row in phases):
            rows = self.rows(row for row in phases if row["role"] == role)
            layers.append(self._box(rows, stand_in(role), 0.4))
        if picture.lit:
            layers.append(self._box(self.rows(self._dark()), stand_in("ink"), 0.09))
        inside = [at for at in self.midnights if picture.begins_at < at < picture.ends_at]
        lines = self.rows({"x": _hours(picture, at)} for at in inside)
        layers.append(_unit(alt.Chart(lines).mark_rule(color=stand_in("rule"), strokeWidth=0.6).encode(x=self.x())))
        return layers

    def _box(self, rows: Any, colour: str, opacity: float) -> Unit:
        """Return a layer of boxes over the whole height."""
        chart = self.alt.Chart(rows).mark_rect(color=colour, opacity=opacity, clip=True)
        return _unit(chart.encode(x=self.x(), x2=self.alt.X2("x2:Q")))

    def _dark(self) -> list[dict[str, object]]:
        """Return the stretches in which the lamp is meant to be off."""
        edge = 0.0
        found: list[dict[str, object]] = []
        for begins_at, ends_at in sorted(self.picture.lit):
            begin, end = _hours(self.picture, begins_at), _hours(self.picture, ends_at)
            if begin > edge:
                found.append({"x": edge, "x2": min(begin, self.end)})
            edge = max(edge, end)
        return [*found, {"x": edge, "x2": self.end}] if edge < self.end else found


def _tint(phase: str) -> str:
    """Return the role of a phase's shade."""
    return PHASE_ROLES.get(phase, "rule")


def drawing_of(picture: DayPicture, width: int) -> dict[str, Any]:
    """Return the drawing as Vega-Lite, with stand-ins for its colours."""
    frame = _Frame(picture, width)
    parts = [_phases(frame)]
    if picture.marks:
        parts.append(_marks(frame))
    parts += [_panel(frame, panel) for panel in picture.panels]
    parts.append(_days(frame))
    return {
        "$schema": "https://vega.github.io/schema/vega-lite/v6.json",
        "background": "transparent",  # the page's own paper shows through
        "config": _CONFIG,
        "datasets": frame.rows_by_name,
        "spacing": 4,
        "vconcat": parts,
    }


_CONFIG: Unit = {
    "font": "sans-serif",
    "aria": False,
    "padding": 0,
    "mark": {"color": stand_in("ink")},
    "view": {"stroke": stand_in("rule"), "strokeWidth": 0.6},
    "axis": {
        "labelColor": stand_in("ink"),
        "titleColor": stand_in("ink"),
        "gridColor": stand_in("rule"),
        "gridOpacity": 0.5,
        "domain": False,
        "tickColor": stand_in("rule"),
        "labelFontSize": 11,
        "minExtent": _AXIS,
        "maxExtent": _AXIS,
    },
    "title": {"color": stand_in("ink"), "fontSize": 12, "fontWeight": "normal", "anchor": "start", "offset": 4},
}


def _phases(frame: _Frame) -> Unit:
    """Return the strip of phases, each with its name on it, every other one a line lower."""
    picture = frame.picture
    rows = [
        {
            "x": _hours(picture, each.begins_at),
            "name": f"{each.name}{' (taken as begun)' if each.is_guess else ''}",
            "y": 4 + 14 * (place % 2),
        }
        for place, each in enumerate(picture.phases)
    ]
    edges = frame.alt.Chart(frame.rows(rows)).mark_rule(color=stand_in("ink"), strokeWidth=1.2).encode(x=frame.x())
    names = (
        frame.alt.Chart(frame.rows(rows))
        .mark_text(align="left", baseline="top", dx=4, fontSize=12, color=stand_in("ink"))
        .encode(x=frame.x(), text=frame.alt.Text("name:N"), y=frame.alt.Y("y:Q", scale=None, axis=None))
    )
    layers = [*frame.behind(), _unit(edges), _unit(names)]
    return {"layer": layers, "width": frame.inner, "height": _PHASES_HIGH}


def _marks(frame: _Frame) -> Unit:
    """Return the rows of marks: what was entered, and what was asked for; each row has its name and its shape."""
    picture, alt = frame.picture, frame.alt
    used = [row for row in ROWS if any(mark.row == row for mark in picture.marks)]
    layers = frame.behind()
    for row in used:
        rows = frame.rows({"x": _hours(picture, mark.at), "row": row} for mark in picture.marks if mark.row == row)
        asked = row == ROWS[-1]
        chart = alt.Chart(rows).mark_point(
            shape=_SHAPES[row],
            size=46,
            filled=not asked,
            color=stand_in("ink"),
            strokeWidth=1.2,
            opacity=1,
            clip=True,
        )
        y = alt.Y("row:N", sort=used, title=None, scale=alt.Scale(domain=used), axis=alt.Axis(ticks=False))
        layers.append(_unit(chart.encode(x=frame.x(), y=y)))
    return {"layer": layers, "width": frame.inner, "height": _ROW_HIGH * len(used)}


def _days(frame: _Frame) -> Unit:
    """Return the line of days under the last panel."""
    alt = frame.alt
    rows = frame.rows([{"x": 0.0}, {"x": frame.end}])
    chart = alt.Chart(rows).mark_point(opacity=0).encode(x=frame.x(labelled=True), y=alt.Y("zero:Q", axis=None))
    return {**_unit(chart), "width": frame.inner, "height": 1}


def _panel(frame: _Frame, panel: Panel) -> Unit:
    """Return one quantity over the shaded phases, with what is wanted of it, and other batches beneath."""
    alt = frame.alt
    scale = alt.Scale(zero=False, nice=True, **_domain(frame, panel))
    axis = alt.Axis(tickCount=4, labelOverlap=True, grid=True)

    def y(field: str = "y") -> Any:
        return alt.Y(f"{field}:Q", title=None, scale=scale, axis=axis)

    layers = [*frame.behind(), *_band(frame, panel, y)]
    for trace in panel.beneath:
        layers.append(_line(frame, trace, y, stand_in("grey"), 0.7, [1, 0], 220))
    for trace, dash in zip(panel.traces, _DASHES, strict=False):
        layers.append(_line(frame, trace, y, stand_in("ink"), 1.3, dash, frame.inner))
    if len(panel.traces) > 1:
        layers.append(_names(frame, panel.traces, y))
    layers += _why_silent(frame, panel)
    if not any(len(trace.value) for trace in panel.traces):  # nothing else gives the panel its axis
        layers.append(_unit(alt.Chart(frame.rows([{"x": 0}])).mark_point(opacity=0).encode(x=frame.x())))
    return {
        "layer": layers,
        "width": frame.inner,
        "height": _PANEL_HIGH,
        "title": f"{panel.name}, {panel.unit}",
    }


def _domain(frame: _Frame, panel: Panel) -> dict[str, Any]:
    """Return the ends of a panel's axis where they are given."""
    ends: dict[str, Any] = {}
    if panel.floor is not None:
        ends["domainMin"] = panel.floor
    if panel.ceiling is not None:
        highest = max(
            (float(trace.value[~_nan(trace)].max()) for trace in panel.traces if (~_nan(trace)).any()), default=0
        )
        ends["domainMax"] = max(panel.ceiling, highest)
    return ends


def _nan(trace: Trace) -> Any:
    """Tell where nothing is known."""
    import numpy

    return numpy.isnan(trace.value)


def _band(frame: _Frame, panel: Panel, y: Any) -> list[Unit]:
    """Return what is wanted: a shade between both ends, and a broken line at each."""
    picture, alt = frame.picture, frame.alt
    rows: list[dict[str, object]] = []
    for each in panel.wanted:
        x = {"x": max(_hours(picture, each.begins_at), 0.0), "x2": min(_hours(picture, each.ends_at), frame.end)}
        rows.append({**x, "low": each.low, "high": each.high})
    both = [row for row in rows if row["low"] is not None and row["high"] is not None]
    layers = []
    if both:
        chart = alt.Chart(frame.rows(both)).mark_rect(color=stand_in("band"), opacity=0.22, clip=True)
        layers.append(_unit(chart.encode(x=frame.x(), x2=alt.X2("x2:Q"), y=y("low"), y2=alt.Y2("high:Q"))))
    for end in ("low", "high"):
        known = [row for row in rows if row[end] is not None]
        if known:
            chart = alt.Chart(frame.rows(known)).mark_rule(
                color=stand_in("band"), strokeDash=[5, 3], strokeWidth=1.4, clip=True
            )
            layers.append(_unit(chart.encode(x=frame.x(), x2=alt.X2("x2:Q"), y=y(end))))
    return layers


def _line(frame: _Frame, trace: Trace, y: Any, colour: str, thick: float, dash: Sequence[int], points: int) -> Unit:
    """Return one series; it breaks where nothing is known."""
    at_ms, value = thin(trace.at_ms, trace.value, points=points, gap_ms=_GAP_MS)
    begin_ms = to_ms(frame.picture.begins_at)
    rows = frame.rows(
        {"x": round((each - begin_ms) / 3_600_000, 3), "y": None if shown != shown else round(shown, 3)}
        for each, shown in zip(at_ms.tolist(), value.tolist(), strict=True)
    )
    chart = frame.alt.Chart(rows).mark_line(
        color=colour, strokeWidth=thick, strokeDash=list(dash), clip=True, invalid="break-paths-show-domains"
    )
    return _unit(chart.encode(x=frame.x(), y=y()))


def _names(frame: _Frame, traces: Sequence[Trace], y: Any) -> Unit:
    """Return the names of several series, each at its end."""
    ends = [(trace.name, end_of(trace)) for trace in traces]
    rows = frame.rows({"x": _hours(frame.picture, end[0]), "y": end[1], "name": name} for name, end in ends if end)
    chart = frame.alt.Chart(rows).mark_text(align="right", baseline="bottom", dy=-3, fontSize=11, color=stand_in("ink"))
    return _unit(chart.encode(x=frame.x(), y=y(), text=frame.alt.Text("name:N")))


def _why_silent(frame: _Frame, panel: Panel) -> list[Unit]:
    """Return the words that stand where nothing could be measured."""
    rows = [
        {"x": max(_hours(frame.picture, each.begins_at), 0.0), "why": each.why, "y": _PANEL_HIGH / 2}
        for each in panel.silences
    ]
    if not rows:
        return []
    chart = frame.alt.Chart(frame.rows(rows)).mark_text(
        align="left", baseline="middle", dx=4, fontSize=11, fontStyle="italic", color=stand_in("soft")
    )
    y = frame.alt.Y("y:Q", scale=None, axis=None)
    return [_unit(chart.encode(x=frame.x(), text=frame.alt.Text("why:N"), y=y))]
