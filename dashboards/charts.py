"""A batch's days drawn: phases shaded, air, light and weight as lines, entries as marks (SVG, PNG)."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from datetime import timedelta
from typing import Any

from dashboards.chartframe import AXIS_PX, Frame, Unit, hours_of, unit_of
from dashboards.colours import Theme, coloured, stand_in
from dashboards.daypicture import GAP, ROWS, DayPicture, Panel, Trace, content_key, end_of
from dashboards.thin import thin
from monitor.reach import NOT_MEASURED
from monitor.readings import to_ms

WIDE, NARROW = 840, 340
"""Widths that a picture is drawn for: a desk or paper, and a phone. [px]"""

_GAP_MS = GAP // timedelta(milliseconds=1)

_PATH = re.compile(r' d="[^"]*"')

_FINE = re.compile(r"-?\d+\.\d{2,}")
"""Numbers of a path finer than a tenth of a pixel: half of what a drawing weighs."""

_CLIP = re.compile(r"clip(\d+)")

_SPOKEN = re.compile(r' (?:role|aria-[a-z]+)="[^"]*"')
"""What the renderer says of single marks; the page says what the whole shows."""

_LETTER_PX = 5.6

_PANEL_HIGH, _ROW_HIGH, _PHASES_HIGH = 84, 15, 32
_NAME_PX, _WIDE_OF_HIGH = 12, 0.6  # a letter's width is about so much of its height

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
    """Return a picture as SVG in the colours of a theme, fit to stand in one page with others."""
    return own_names(coloured(draw(picture, width=width), theme), content_key(picture))


def own_names(svg: str, key: str) -> str:
    """Return a drawing whose inner names are its own: two in one page must not share the names of their clips."""
    return _CLIP.sub(rf"p{key}-\1", svg)


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


def drawing_of(picture: DayPicture, width: int) -> dict[str, Any]:
    """Return the drawing as Vega-Lite, with stand-ins for its colours."""
    frame = Frame(picture, width)
    parts = [_phases(frame)] if picture.phases else []
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
        "minExtent": AXIS_PX,
        "maxExtent": AXIS_PX,
    },
    "title": {"color": stand_in("ink"), "fontSize": 12, "fontWeight": "normal", "anchor": "start", "offset": 4},
}


def _phases(frame: Frame) -> Unit:
    """Return the strip of phases, each with its name on it, every other one a line lower."""
    picture = frame.picture
    rows = [
        {
            "x": hours_of(picture, each.begins_at),
            "name": f"{each.name}{' (taken as begun)' if each.is_guess else ''}",
            "y": 4 + 14 * (place % 2),
        }
        for place, each in enumerate(picture.phases)
    ]
    edges = frame.alt.Chart(frame.rows(rows)).mark_rule(color=stand_in("ink"), strokeWidth=1.2).encode(x=frame.x())
    fits = {right: [row for row in rows if _runs_out(row, frame) is right] for right in (False, True)}
    names = [
        frame.alt.Chart(frame.rows(fits[right]))
        .mark_text(align=align, baseline="top", dx=dx, fontSize=_NAME_PX, color=stand_in("ink"))
        .encode(x=frame.x(), text=frame.alt.Text("name:N"), y=frame.alt.Y("y:Q", scale=None, axis=None))
        for right, align, dx in ((False, "left", 4), (True, "right", -4))
        if fits[right]
    ]
    layers = [*frame.behind(), unit_of(edges), *(unit_of(each) for each in names)]
    return {"layer": layers, "width": frame.inner, "height": _PHASES_HIGH}


def _runs_out(row: Mapping[str, Any], frame: Frame) -> bool:
    """Tell whether a phase's name would run out of the picture behind its beginning, and so stands before it."""
    left_px = float(row["x"]) / frame.end * frame.inner
    return left_px + len(str(row["name"])) * _NAME_PX * _WIDE_OF_HIGH > frame.inner


def _marks(frame: Frame) -> Unit:
    """Return the rows of marks: what was entered, and what was asked for; each row has its name and its shape."""
    picture, alt = frame.picture, frame.alt
    used = [row for row in ROWS if any(mark.row == row for mark in picture.marks)]
    layers = frame.behind()
    for row in used:
        rows = frame.rows({"x": hours_of(picture, mark.at), "row": row} for mark in picture.marks if mark.row == row)
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
        layers.append(unit_of(chart.encode(x=frame.x(), y=y)))
    return {"layer": layers, "width": frame.inner, "height": _ROW_HIGH * len(used)}


def _days(frame: Frame) -> Unit:
    """Return the line of days under the last panel."""
    alt = frame.alt
    rows = frame.rows([{"x": 0.0}, {"x": frame.end}])
    chart = alt.Chart(rows).mark_point(opacity=0).encode(x=frame.x(labelled=True), y=alt.Y("zero:Q", axis=None))
    return {**unit_of(chart), "width": frame.inner, "height": 1}


def _panel(frame: Frame, panel: Panel) -> Unit:
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
        layers.append(unit_of(alt.Chart(frame.rows([{"x": 0}])).mark_point(opacity=0).encode(x=frame.x())))
    return {
        "layer": layers,
        "width": frame.inner,
        "height": _PANEL_HIGH,
        "title": f"{panel.name}, {panel.unit}",
    }


def _domain(frame: Frame, panel: Panel) -> dict[str, Any]:
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


def _band(frame: Frame, panel: Panel, y: Any) -> list[Unit]:
    """Return what is wanted: a shade between both ends, and a broken line at each."""
    picture, alt = frame.picture, frame.alt
    rows: list[dict[str, object]] = []
    for each in panel.wanted:
        x = {"x": max(hours_of(picture, each.begins_at), 0.0), "x2": min(hours_of(picture, each.ends_at), frame.end)}
        rows.append({**x, "low": each.low, "high": each.high})
    both = [row for row in rows if row["low"] is not None and row["high"] is not None]
    layers = []
    if both:
        chart = alt.Chart(frame.rows(both)).mark_rect(color=stand_in("band"), opacity=0.22, clip=True)
        layers.append(unit_of(chart.encode(x=frame.x(), x2=alt.X2("x2:Q"), y=y("low"), y2=alt.Y2("high:Q"))))
    for end in ("low", "high"):
        known = [row for row in rows if row[end] is not None]
        if known:
            chart = alt.Chart(frame.rows(known)).mark_rule(
                color=stand_in("band"), strokeDash=[5, 3], strokeWidth=1.4, clip=True
            )
            layers.append(unit_of(chart.encode(x=frame.x(), x2=alt.X2("x2:Q"), y=y(end))))
    return layers


def _line(frame: Frame, trace: Trace, y: Any, colour: str, thick: float, dash: Sequence[int], points: int) -> Unit:
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
    return unit_of(chart.encode(x=frame.x(), y=y()))


def _names(frame: Frame, traces: Sequence[Trace], y: Any) -> Unit:
    """Return the names of several series, each at its end."""
    ends = [(trace.name, end_of(trace)) for trace in traces]
    rows = frame.rows({"x": hours_of(frame.picture, end[0]), "y": end[1], "name": name} for name, end in ends if end)
    chart = frame.alt.Chart(rows).mark_text(align="right", baseline="bottom", dy=-3, fontSize=11, color=stand_in("ink"))
    return unit_of(chart.encode(x=frame.x(), y=y(), text=frame.alt.Text("name:N")))


def _why_silent(frame: Frame, panel: Panel) -> list[Unit]:
    """Return the words that stand where nothing could be measured."""
    rows: list[dict[str, object]] = []
    for each in panel.silences:
        begin = max(hours_of(frame.picture, each.begins_at), 0.0)
        wide = (min(hours_of(frame.picture, each.ends_at), frame.end) - begin) / frame.end * frame.inner
        why = next((words for words in (each.why, NOT_MEASURED) if len(words) * _LETTER_PX < wide), "")
        rows.append({"x": begin, "why": why, "y": _PANEL_HIGH / 2})
    if not rows:
        return []
    chart = frame.alt.Chart(frame.rows(rows)).mark_text(
        align="left", baseline="middle", dx=4, fontSize=11, fontStyle="italic", color=stand_in("soft")
    )
    y = frame.alt.Y("y:Q", scale=None, axis=None)
    return [unit_of(chart.encode(x=frame.x(), text=frame.alt.Text("why:N"), y=y))]
