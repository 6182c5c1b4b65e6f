"""What is on hold on paper: what went out and to whom, what was thrown away, what is still here; pure.

The page accounts for every tray of a held lot or batch, with room to note who was rung; it repeats the book.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from alerts.holding import HEAD
from dashboards.printing import Table, crop_word, fill
from monitor.amounts import say_g, say_time, say_trays
from monitor.batches import Batch
from monitor.farm import Farm
from monitor.holds import RECALL, Hold, gone_out, reaches, still_here, thrown_away
from monitor.profiles import Profile


@dataclass(frozen=True, slots=True, kw_only=True)
class TraceHold:
    """One hold with all that it reaches.

    Attributes:
        head: That it is on hold, or that it is released.
        what: The lot or the batch.
        lines: Since when, why and by whom; how it ended; which batches; what seed is left.
        parts: What became of its trays.
        sown: Trays sown of it in all.
    """

    head: str
    what: str
    lines: tuple[str, ...]
    parts: tuple[Table, ...]
    sown: int


@dataclass(frozen=True, slots=True, kw_only=True)
class TracePage:
    """The whole page.

    Attributes:
        farm: The farm's name.
        printed: When it was made, in words.
        holds: What is on hold.
        recall: What it is not.
    """

    farm: str
    printed: str
    holds: tuple[TraceHold, ...]
    recall: str = RECALL


def build_trace(
    farm: Farm,
    profiles: Mapping[str, Profile],
    batches: Mapping[str, Batch],
    holds: Sequence[Hold],
    seed_left_g: Mapping[int, float],
    *,
    now: datetime,
) -> TracePage:
    """Return the page of some holds.

    Args:
        farm: The farm.
        profiles: Crop profiles by id.
        batches: All batches.
        holds: The holds that are shown.
        seed_left_g: Seed that is left of held lots, by the hold's number. [g]
        now: The instant.
    """
    names = {batch.id: f"{batch.id} {crop_word(batch.crop, profiles)}" for batch in batches.values()}
    found = tuple(_hold(each, farm, batches, names, seed_left_g.get(each.id)) for each in holds)
    return TracePage(farm=farm.name, printed=say_time(now, farm.zone), holds=found)


def _hold(
    hold: Hold, farm: Farm, batches: Mapping[str, Batch], names: Mapping[str, str], left_g: float | None
) -> TraceHold:
    """Return one hold with all that it reaches."""
    named = [batch for batch in batches.values() if reaches(hold, batch)]
    lines = [f"Since {say_time(hold.at, farm.zone)}: {hold.why} ({hold.by}, entry {hold.id})."]
    if hold.ended_at is not None:
        lines.append(f"Released {say_time(hold.ended_at, farm.zone)}: {hold.ended_why} ({hold.ended_by}).")
    sown = [f"batch {names[batch.id]}, {say_trays(batch.sown)}" for batch in named]
    lines.append(f"Sown from it: {'; '.join(sown)}." if sown else "Nothing was sown from it so far.")
    if left_g is not None:
        lines.append(f"Seed of it left: {say_g(left_g, farm.units)}.")
    return TraceHold(
        head=HEAD if hold.ended_at is None else "Released",
        what=hold.target,
        lines=tuple(lines),
        parts=(
            _gone(hold, farm, batches, names),
            _thrown(hold, farm, batches, names),
            _here(hold, farm, batches, names),
        ),
        sown=sum(batch.sown for batch in named),
    )


def _gone(hold: Hold, farm: Farm, batches: Mapping[str, Batch], names: Mapping[str, str]) -> Table:
    """Return what went out, with room for who was rung."""
    gone = gone_out(hold, batches)
    rows = tuple(
        (
            say_time(each.at, farm.zone),
            each.whom or "nobody wrote down to whom",
            f"{each.trays} living" if each.living else str(each.trays),
            say_g(each.grams, farm.units) if each.grams is not None else "",
            names[each.batch],
            str(each.entry),
            "",
        )
        for each in gone
    )
    return Table(
        title=f"Already gone out: {say_trays(sum(each.trays for each in gone))}",
        columns=("When", "To whom", "Trays", "Weight", "Batch", "Entry", "Rung: when, by, what was said"),
        says="",
        rows=rows,
        nothing="Nothing of it has gone out, as far as it was entered.",
    )


def _thrown(hold: Hold, farm: Farm, batches: Mapping[str, Batch], names: Mapping[str, str]) -> Table:
    """Return what was thrown away."""
    away = thrown_away(hold, batches)
    rows = tuple(
        (say_time(each.at, farm.zone), str(each.trays), names[each.batch], each.why, each.by, str(each.entry))
        for each in away
    )
    return Table(
        title=f"Thrown away: {say_trays(sum(each.trays for each in away))}",
        columns=("When", "Trays", "Batch", "Why", "By", "Entry"),
        says="",
        rows=rows,
        nothing="Nothing of it was thrown away.",
    )


def _here(hold: Hold, farm: Farm, batches: Mapping[str, Batch], names: Mapping[str, str]) -> Table:
    """Return what is still here."""
    here = still_here(hold, batches)
    rows = tuple(
        (
            str(each.trays),
            names[each.batch],
            "cut, not delivered" if each.is_cut else farm.places.name(each.spot) if each.spot else "place not noted",
            "",
        )
        for each in here
    )
    return Table(
        title=f"Still here: {say_trays(sum(each.trays for each in here))}",
        columns=("Trays", "Batch", "Where", "Marked: when, by"),
        says="",
        rows=rows,
        nothing="No tray of it is here.",
    )


def render(page: TracePage) -> str:
    """Return the page as HTML to print; everything that a person typed is escaped."""
    return fill("trace.html.j2", page=page)
