"""What all panels of one picture share: the time axis with its days, and what lies behind the lines."""

from __future__ import annotations

import json
from collections.abc import Iterable
from datetime import datetime, time, timedelta
from typing import Any

from dashboards.colours import PHASE_ROLES, stand_in
from dashboards.daypicture import DayPicture
from monitor.clock import at_local, local_day

AXIS_PX = 60

_MARGIN = 8

_LABEL_PX = {True: 46.0, False: 36.0}
"""How wide a day's label is, with its weekday and without. [px]"""


def hours_of(picture: DayPicture, at: datetime) -> float:
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


def unit_of(chart: Any) -> Unit:
    """Return one chart of Altair as Vega-Lite; they are put together as such.

    Altair copies each chart whole when it is layered or put under another, and checks every part of it against the
    whole schema: seconds for a picture of eighty marks. The tests check the whole.
    """
    spec: Unit = chart.to_dict(validate=False)
    return {key: value for key, value in spec.items() if key not in ("$schema", "config")}


class Frame:
    """What all panels of one drawing share: the time axis, and what lies behind the lines."""

    def __init__(self, picture: DayPicture, width: int) -> None:
        """Lay out the days."""
        import altair

        self.picture, self.alt = picture, altair
        self.inner = width - AXIS_PX - _MARGIN
        self.end = max(hours_of(picture, picture.ends_at), 1.0)
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
        starts = [max(hours_of(self.picture, at), 0.0) for at in self.midnights[:-1]]
        ends = [min(hours_of(self.picture, at), self.end) for at in self.midnights[1:]]
        middles = [(start + end) / 2 for start, end in zip(starts, ends, strict=True)]
        room = self.inner / max(self.end / 24, 1)
        every = next((step for step in (1, 2, 3, 5, 7, 14) if room * step >= 34), 30)
        labels = self._labels(middles, every, weekday=room * every >= 46)
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

    def _labels(self, middles: list[float], every: int, *, weekday: bool) -> list[list[str]]:
        """Return what is written under each day; a day that is cut off too short for it has nothing."""
        picture = self.picture
        sown_on = local_day(picture.sown_at, picture.zone) if picture.sown_at else None
        found: list[list[str]] = []
        last_px = float("-inf")
        for place, at in enumerate(self.midnights[:-1]):
            day = local_day(at, picture.zone)
            number = (day - sown_on).days if sown_on else place
            px = middles[place] / self.end * self.inner
            fits = px - last_px >= _LABEL_PX[weekday] and px + _LABEL_PX[weekday] / 2 <= self.inner + _MARGIN
            if number % every or not fits:
                found.append(["", ""])
                continue
            last_px = px
            first = f"{day:%a} {day.day}" if weekday else str(day.day)
            found.append([first, f"day {number}" if sown_on and number >= 0 else ""])
        return found

    def behind(self) -> list[Unit]:
        """Return the layers behind a panel: phases, hours without the lamp, and the borders of local days."""
        if not self._behind:
            self._behind = self._drawn_behind()
        return list(self._behind)

    def _drawn_behind(self) -> list[Unit]:
        """Return the layers behind a panel, made anew."""
        alt, picture = self.alt, self.picture
        phases = [
            {"x": hours_of(picture, each.begins_at), "x2": hours_of(picture, each.ends_at), "role": _tint(each.name)}
            for each in picture.phases
        ]
        layers: list[Unit] = []
        for role in dict.fromkeys(str(row["role"]) for row in phases):
            rows = self.rows(row for row in phases if row["role"] == role)
            layers.append(self._box(rows, stand_in(role), 0.4))
        if picture.lit:
            layers.append(self._box(self.rows(self._dark()), stand_in("dark"), 0.25))
        inside = [at for at in self.midnights if picture.begins_at < at < picture.ends_at]
        lines = self.rows({"x": hours_of(picture, at)} for at in inside)
        layers.append(unit_of(alt.Chart(lines).mark_rule(color=stand_in("rule"), strokeWidth=0.6).encode(x=self.x())))
        return layers

    def _box(self, rows: Any, colour: str, opacity: float) -> Unit:
        """Return a layer of boxes over the whole height."""
        chart = self.alt.Chart(rows).mark_rect(color=colour, opacity=opacity, clip=True)
        return unit_of(chart.encode(x=self.x(), x2=self.alt.X2("x2:Q")))

    def _dark(self) -> list[dict[str, object]]:
        """Return the stretches in which the lamp is meant to be off."""
        edge = 0.0
        found: list[dict[str, object]] = []
        for begins_at, ends_at in sorted(self.picture.lit):
            begin, end = hours_of(self.picture, begins_at), hours_of(self.picture, ends_at)
            if begin > edge:
                found.append({"x": edge, "x2": min(begin, self.end)})
            edge = max(edge, end)
        return [*found, {"x": edge, "x2": self.end}] if edge < self.end else found


def _tint(phase: str) -> str:
    """Return the role of a phase's shade."""
    return PHASE_ROLES.get(phase, "rule")
