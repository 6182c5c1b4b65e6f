"""The pages of tables: a season, and the way of a lot or batch; pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from urllib.parse import urlencode

from alerts.findings import Tick
from alerts.holding import hold_lines
from dashboards.pages.plain import plain_lines
from dashboards.printing import Table
from dashboards.seasonpage import NO_NOTICE, NOT_SOLD, season_tables, trace_tables
from monitor.amounts import say_day
from monitor.season import CAVEAT, Season
from monitor.trace import Trace


@dataclass(frozen=True, slots=True, kw_only=True)
class TablesPage:
    """A page of tables.

    Attributes:
        title: Its heading.
        holds: What is on hold, said first.
        tables: The tables.
        lines: What is to be kept in mind about them.
        csv: Address of the same as a file.
        days: (first, last) day that is shown, as a form takes them; None: it is not about days.
    """

    title: str
    holds: tuple[str, ...]
    tables: tuple[Table, ...]
    lines: tuple[str, ...]
    csv: str
    days: tuple[str, str] | None = None


def build_season(found: Season, tick: Tick, from_on: date, to_on: date) -> TablesPage:
    """Return the page of a season."""
    days = (from_on.isoformat(), to_on.isoformat())
    return TablesPage(
        title=f"Season, sown {say_day(from_on)} to {say_day(to_on)}",
        holds=tuple(plain_lines(hold_lines(tick))),
        tables=season_tables(found, tick.farm, tick.profiles),
        lines=(CAVEAT, NOT_SOLD),
        csv=f"/season/tables.csv?{urlencode({'from': days[0], 'to': days[1]})}",
        days=days,
    )


def build_trace(found: Trace, tick: Tick, asked: Mapping[str, str]) -> TablesPage:
    """Return the page of a lot's or batch's way; ``asked`` names it as an address does, by lot or by batch."""
    return TablesPage(
        title=f"Trace of {found.asked}",
        holds=tuple(plain_lines(hold_lines(tick))),
        tables=trace_tables(found, tick.farm, tick.profiles),
        lines=(NO_NOTICE,),
        csv=f"/trace/tables.csv?{urlencode(asked)}",
    )
