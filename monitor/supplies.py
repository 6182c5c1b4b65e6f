"""Trays that stand, soak or lie cut, with the days on which they can go out; pure."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from monitor.batches import Batch, Fate, Part
from monitor.clock import local_day
from monitor.phases import HeatSoFar, PhaseSpan, Window, harvest_window, holding_until, spans
from monitor.profiles import Manner, PhaseKind, Profile

CUT_KEEPS_DAYS = 1
"""Trays that were cut count for promises on the day of the cut and this many days after it. Ours, no source."""

HeatOf = Callable[[Batch, Part, Profile], HeatSoFar | None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Supply:
    """Trays of one part of a batch that stand, soak, or lie cut, and when they can go out.

    Attributes:
        batch: Batch id.
        crop: Profile id.
        trays: How many.
        spot: Where they are, or None.
        opens_on: First local day on which they can be cut, or go out living.
        closes_on: Last local day for the cut.
        living_until: Last local day on which they can go out living; a day before opens_on: never.
        is_cut: They are cut already.
        stack: The pile that they lie in, or None.
        piled: They lie, or will lie, in a pile while they germinate.
        begins: Their phases with the local day on which each begins or began, oldest first; empty: they are cut.
    """

    batch: str
    crop: str
    trays: int
    spot: str | None
    opens_on: date
    closes_on: date
    living_until: date
    is_cut: bool = False
    stack: str | None = None
    piled: bool = False
    begins: tuple[tuple[PhaseKind, date], ...] = ()

    def phase_on(self, day: date) -> PhaseKind | None:
        """Return the phase in which they are on a day, each move done on its usual day; None: they are cut."""
        begun = [kind for kind, begins_on in self.begins if begins_on <= day]
        return begun[-1] if begun else self.begins[0][0] if self.begins else None

    def last_day(self, *, living: bool) -> date:
        """Return the last local day on which they can go out, cut or living."""
        return self.living_until if living else self.closes_on

    def serves(self, day: date, *, living: bool) -> bool:
        """Tell whether they can go out on a day, cut or living."""
        return self.opens_on <= day <= self.last_day(living=living)


def _no_heat(_batch: Batch, _part: Part, _profile: Profile) -> HeatSoFar | None:
    return None


def supplies_of(
    batches: Iterable[Batch],
    profiles: Mapping[str, Profile],
    *,
    now: datetime,
    zone: ZoneInfo,
    heat_of: HeatOf = _no_heat,
) -> tuple[Supply, ...]:
    """Return all trays that stand, soak or lie cut, with the days on which they can go out.

    A soak counts where its entry says how many trays it is meant for. A crop without a profile is left out.

    Args:
        batches: The batches as they stand at ``now``.
        profiles: Crop profiles by id.
        now: The instant at which it is asked.
        zone: The farm's zone.
        heat_of: The warmth that a part has had, which moves its usual days; left out: days alone count.
    """
    found: list[Supply] = []
    for batch in batches:
        profile = profiles.get(batch.crop)
        if profile is None:
            continue
        if batch.sown_at is None:
            if batch.trays_planned:
                found += _growing(batch, None, batch.trays_planned, profile, now, zone, None)
            continue
        for part in batch.parts:
            if part.fate is Fate.STANDING:
                heat = heat_of(batch, part, profile)
                found += _growing(batch, part, part.trays, profile, now, zone, heat)
            elif part.fate is Fate.CUT and part.ended_at is not None:
                found.append(_cut(batch, part, local_day(part.ended_at, zone)))
    return tuple(found)


def _growing(
    batch: Batch,
    part: Part | None,
    trays: int,
    profile: Profile,
    now: datetime,
    zone: ZoneInfo,
    heat: HeatSoFar | None,
) -> list[Supply]:
    """Return trays that grow or soak, in a list; empty for a crop without a harvest window."""
    line = spans(batch, part, profile, now=now, zone=zone, heat=heat)
    if profile.plan(PhaseKind.HARVEST) is None:
        return []
    window = _window(part, profile, line, zone, heat)
    return [
        Supply(
            batch=batch.id,
            crop=batch.crop,
            trays=trays,
            spot=part.spot if part else None,
            opens_on=window.earliest,
            closes_on=window.latest,
            living_until=holding_until(profile, window),
            stack=part.stack if part else None,
            piled=profile.manner is Manner.STACKED,
            begins=tuple((span.kind, span.begins_on) for span in line),
        )
    ]


def _window(
    part: Part | None, profile: Profile, line: Sequence[PhaseSpan], zone: ZoneInfo, heat: HeatSoFar | None
) -> Window:
    """Return the harvest window with every move that nobody entered taken as done on its usual day.

    Nudges presume such a move on the day after its latest; a promise would then look broken on every farm whose growers
    enter sowings and deliveries only.
    """
    found = {span.kind: span for span in line}
    germination, blackout = found.get(PhaseKind.GERMINATION), found.get(PhaseKind.BLACKOUT)
    first = next(span for span in line if span.kind is not PhaseKind.SOAK)
    light_on = first.begins_on
    if germination is not None:
        usual = germination.window.usual if germination.window else germination.ends_on
        light_on = local_day(part.uncovered_at, zone) if part and part.uncovered_at else usual or light_on
    if blackout is not None and blackout.window is not None:
        light_on += blackout.window.usual - blackout.begins_on
    if part is not None and part.lights_at is not None:
        light_on = local_day(part.lights_at, zone)
    return harvest_window(profile, first.begins_on, light_on, heat)


def _cut(batch: Batch, part: Part, cut_on: date) -> Supply:
    """Return trays that were cut and did not go out yet."""
    return Supply(
        batch=batch.id,
        crop=batch.crop,
        trays=part.trays,
        spot=part.spot,
        opens_on=cut_on,
        closes_on=cut_on + timedelta(days=CUT_KEEPS_DAYS),
        living_until=cut_on - timedelta(days=1),
        is_cut=True,
    )
