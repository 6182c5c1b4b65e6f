"""Which phase trays are in, since when, and when the next move is due; a pure function of profile, batch, time."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from enum import StrEnum
from zoneinfo import ZoneInfo

from monitor.batches import Batch, Part
from monitor.clock import at_local, local_day
from monitor.errors import EntryError
from monitor.ledger import EntryKind
from monitor.profiles import Manner, PhaseKind, PhasePlan, Profile, Span
from monitor.readings import Quantity

DROWNS_AFTER = timedelta(hours=24)
"""A soak longer than this drowns the seed. Common practice, no source."""
_LEAST_HEAT_HOURS = 24.0
_A_DAY = timedelta(days=1)


class Move(StrEnum):
    """What a person does to end a phase."""

    DRAIN = "drain"
    UNCOVER = "uncover"
    END_BLACKOUT = "end blackout"
    HARVEST = "harvest"


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """Local calendar days on which a move is due, all ends included."""

    earliest: date
    usual: date
    latest: date


@dataclass(frozen=True, slots=True, kw_only=True)
class HeatSoFar:
    """The warmth that a batch has had since sowing.

    Attributes:
        mean_temp_c: Mean temperature since sowing. [degC]
        hours: How long that mean covers. [h]
    """

    mean_temp_c: float
    hours: float


class Standing(StrEnum):
    """How sure it is that a phase began when it is said to have begun."""

    ENTERED = "entered"  # a person's entry says so
    PRESUMED = "presumed"  # no entry came, and the latest day has passed: taken as done
    EXPECTED = "expected"  # lies ahead


@dataclass(frozen=True, slots=True, kw_only=True)
class PhaseSpan:
    """One phase in the life of a part: behind it, now, or ahead.

    Attributes:
        kind: Which phase.
        manner: How germination is done; None in other phases.
        begins_on: Local day on which it begins.
        began_at: Instant at which it began; None where it lies ahead.
        ends_on: Local day on which it ended, or is usually to end; None: open end (overgrown).
        standing: How sure its beginning is.
        move: What ends it; None: time alone, or nothing.
        window: Days on which that move is due; None where there is no move.
    """

    kind: PhaseKind
    manner: Manner | None
    begins_on: date
    began_at: datetime | None
    ends_on: date | None
    standing: Standing
    move: Move | None
    window: Window | None


def drain_window(batch: Batch, profile: Profile) -> tuple[datetime, datetime, datetime] | None:
    """Return the instants at which a soak may, usually does, and must at the latest end; None: nothing soaks.

    A profile without a soak (the grower soaks all the same) gives eight hours. Common practice, no source.
    """
    if batch.soaked_at is None:
        return None
    hours = profile.soak_hours
    low, usual, high = (hours.low, hours.usual, hours.high) if hours else (4.0, 8.0, 12.0)
    last = batch.soaked_at + DROWNS_AFTER
    marks = [min(batch.soaked_at + timedelta(hours=each), last) for each in (low, usual, high)]
    return marks[0], marks[1], marks[2]


def _usual_days(days: Span, plan: PhasePlan, profile: Profile, heat: HeatSoFar | None) -> int:
    """Return the usual length of a phase in days, moved by the heat had, within earliest and latest.

    The formula is ours: days at the middle of the phase's temperature band, times that warmth over base,
    by the warmth over base that the trays had. It follows from a constant heat sum, [ONION-HEAT] for one crop.
    """
    bands = plan.bands.get(Quantity.TEMPERATURE, ())
    known = heat is not None and heat.hours >= _LEAST_HEAT_HOURS and profile.base_temp_c is not None
    ends = [(band.low, band.high) for band in bands if band.low is not None and band.high is not None]
    if not known or not ends or heat is None or profile.base_temp_c is None:
        return round(days.usual)
    base = profile.base_temp_c.value
    meant = (ends[0][0] + ends[0][1]) / 2 - base
    had = heat.mean_temp_c - base
    if had <= 0:
        return round(days.high)
    return round(min(max(days.usual * meant / had, days.low), days.high))


def days_longer(profile: Profile, mean_temp_c: float) -> int | None:
    """Return how many days later than usual a crop is ready at a mean temperature, by its heat sum.

    Not moved beyond the profile's latest days, as in `spans`. None: at or under the base it hardly grows.
    """
    if profile.base_temp_c is not None and mean_temp_c <= profile.base_temp_c.value:
        return None
    heat = HeatSoFar(mean_temp_c=mean_temp_c, hours=_LEAST_HEAT_HOURS)
    plans = [plan for plan in profile.phases if plan.kind is not PhaseKind.HARVEST]
    return max(sum(_usual_days(plan.days, plan, profile, heat) - round(plan.days.usual) for plan in plans), 0)


@dataclass(frozen=True, slots=True)
class _Begin:
    """When and how surely a phase begins."""

    on: date
    at: datetime | None
    standing: Standing


class _Timeline:
    """The phases of one part, worked out one after the other."""

    def __init__(
        self, batch: Batch, part: Part | None, profile: Profile, now: datetime, zone: ZoneInfo, heat: HeatSoFar | None
    ) -> None:
        """Take what the phases follow from."""
        self.batch, self.part, self.profile, self.zone, self.heat = batch, part, profile, zone, heat
        ended = part.ended_at if part else None
        self.now = min(now, ended) if ended else now
        self.spans: list[PhaseSpan] = []

    def day(self, instant: datetime) -> date:
        """Return an instant's local day."""
        return local_day(instant, self.zone)

    def window(self, begin: date, plan: PhasePlan) -> Window:
        """Return the days on which a phase that began on a day is to end."""
        usual = _usual_days(plan.days, plan, self.profile, self.heat)
        low, high = round(plan.days.low), round(plan.days.high)
        return Window(
            earliest=begin + timedelta(days=low),
            usual=begin + timedelta(days=max(low, min(usual, high))),
            latest=begin + timedelta(days=high),
        )

    def end(self, begin: _Begin, window: Window, entered_at: datetime | None, task: str) -> _Begin:
        """Return how a phase ended or will: by entry, by presumption past the latest day, or as expected.

        Nobody is presumed to have done what was answered with "not yet" before the day after it is asked again.
        """
        if entered_at is not None and entered_at <= self.now:
            return _Begin(self.day(entered_at), entered_at, Standing.ENTERED)
        if begin.standing is Standing.EXPECTED:
            return _Begin(window.usual, None, Standing.EXPECTED)
        presumed_on = max(window.latest, self.put_off_to(task, begin.on)) + timedelta(days=1)
        presumed_at = at_local(presumed_on, time(0), self.zone)
        if presumed_at <= self.now:
            return _Begin(presumed_on, presumed_at, Standing.PRESUMED)
        return _Begin(max(window.usual, self.day(self.now)), None, Standing.EXPECTED)

    def put_off_to(self, task: str, since: date) -> date:
        """Return the day on which a task is asked again that was put off since a day; else that day."""
        days = [
            date.fromisoformat(str(entry.data["until"])) if entry.data.get("until") else self.day(entry.at) + _A_DAY
            for entry in self.batch.entries
            if entry.kind is EntryKind.NOT_YET
            and str(entry.data.get("task", "")).startswith(task)
            and entry.at <= self.now
            and self.day(entry.at) >= since
        ]
        return max(days, default=since)

    def by_time(self, on: date, before: _Begin) -> _Begin:
        """Return how a phase begins that time alone begins, on a day."""
        begins_at = at_local(on, time(0), self.zone)
        if before.at is not None:
            begins_at = max(begins_at, before.at)
        if before.standing is Standing.EXPECTED or begins_at > self.now:
            return _Begin(on, None, Standing.EXPECTED)
        return _Begin(on, begins_at, before.standing)

    def add(
        self, kind: PhaseKind, begin: _Begin, end: date | None, move: Move | None = None, window: Window | None = None
    ) -> None:
        """Put one phase behind those already found."""
        manner = self.profile.manner if kind is PhaseKind.GERMINATION else None
        self.spans.append(
            PhaseSpan(
                kind=kind,
                manner=manner,
                begins_on=begin.on,
                began_at=begin.at,
                ends_on=end,
                standing=begin.standing,
                move=move,
                window=window,
            )
        )

    def soak(self) -> _Begin:
        """Add the soak, if there was one, and return how sowing begins the rest."""
        batch = self.batch
        sown_at = batch.sown_at if batch.sown_at is not None and batch.sown_at <= self.now else None
        marks = drain_window(batch, self.profile)
        expected = self.day(marks[1]) if marks else self.day(self.now)
        sowing = (
            _Begin(self.day(sown_at), sown_at, Standing.ENTERED)
            if sown_at is not None
            else _Begin(max(expected, self.day(self.now)), None, Standing.EXPECTED)
        )
        if marks is not None and batch.soaked_at is not None:
            first, usual, last = (self.day(mark) for mark in marks)
            began = _Begin(self.day(batch.soaked_at), batch.soaked_at, Standing.ENTERED)
            window = Window(earliest=first, usual=usual, latest=last)
            self.add(PhaseKind.SOAK, began, sowing.on, Move.DRAIN, window)
        return sowing

    def germination(self, sowing: _Begin) -> _Begin:
        """Add germination and return how what follows begins."""
        plan = self.profile.plan(PhaseKind.GERMINATION)
        if plan is None:
            return sowing
        window = self.window(sowing.on, plan)
        if self.profile.manner is Manner.OPEN:
            lights_at = self.part.lights_at if self.part else None
            if lights_at is not None and lights_at <= self.now:
                following = _Begin(self.day(lights_at), lights_at, Standing.ENTERED)
            else:
                following = self.by_time(window.usual, sowing)
            self.add(PhaseKind.GERMINATION, sowing, following.on)
            return following
        following = self.end(sowing, window, self.part.uncovered_at if self.part else None, "uncover")
        self.add(PhaseKind.GERMINATION, sowing, following.on, Move.UNCOVER, window)
        return following

    def blackout(self, begin: _Begin, opening: date) -> _Begin:
        """Add the blackout, if the crop has one, and return how the light begins."""
        plan = self.profile.plan(PhaseKind.BLACKOUT)
        lights_at = self.part.lights_at if self.part else None
        if plan is None or (lights_at is not None and lights_at <= self.now and lights_at == begin.at):
            return begin
        if self.profile.plan(PhaseKind.LIGHT) is None:  # a crop that is cut out of the dark
            following = self.by_time(max(opening, begin.on), begin)
            self.add(PhaseKind.BLACKOUT, begin, following.on)
            return following
        window = self.window(begin.on, plan)
        following = self.end(begin, window, lights_at, "end")
        self.add(PhaseKind.BLACKOUT, begin, following.on, Move.END_BLACKOUT, window)
        return following

    def harvest(self, sown_on: date, light: _Begin) -> None:
        """Add the light, the harvest window and what comes after it."""
        plan = self.profile.plan(PhaseKind.HARVEST)
        window = harvest_window(self.profile, sown_on, light.on, self.heat)
        if self.profile.plan(PhaseKind.LIGHT) is None:
            opened = light
        else:
            opened = self.by_time(window.earliest, light)
            self.add(PhaseKind.LIGHT, light, opened.on)
        if plan is None:
            return
        over = self.by_time(max(window.latest + timedelta(days=1), opened.on), opened)
        self.add(PhaseKind.HARVEST, opened, over.on, Move.HARVEST, window)
        self.add(PhaseKind.OVERGROWN, over, None, Move.HARVEST, window)


def harvest_window(profile: Profile, sown_on: date, light_on: date, heat: HeatSoFar | None = None) -> Window:
    """Return the days on which trays may, usually do, and last should be cut.

    It opens on the profile's earliest day since sowing, and not before the shortest time in the light; it
    closes later by as many days as the light came after its usual day.
    """
    plan = profile.plan(PhaseKind.HARVEST)
    if plan is None:
        raise EntryError(f"the profile of {profile.id} has no harvest window; add a [[phase]] of that kind")
    light = profile.plan(PhaseKind.LIGHT)
    usual_dark = sum(
        round(each.days.usual)
        for each in (profile.plan(PhaseKind.GERMINATION), profile.plan(PhaseKind.BLACKOUT) if light else None)
        if each is not None
    )
    ready_by_light = light_on + timedelta(days=round(light.days.low)) if light else sown_on
    late = max(0, (light_on - sown_on).days - usual_dark) if light else 0
    opens = max(sown_on + timedelta(days=round(plan.days.low)), ready_by_light)
    closes = max(sown_on + timedelta(days=round(plan.days.high) + late), opens)
    usual = sown_on + timedelta(days=_usual_days(plan.days, plan, profile, heat))
    return Window(earliest=opens, usual=min(max(usual, opens), closes), latest=closes)


def holding_until(profile: Profile, window: Window) -> date:
    """Return the last local day on which trays can usually be kept living after their usual harvest day."""
    return window.usual + timedelta(days=round(profile.holding_days_living.high))


def spans(
    batch: Batch,
    part: Part | None,
    profile: Profile,
    *,
    now: datetime,
    zone: ZoneInfo,
    heat: HeatSoFar | None = None,
) -> tuple[PhaseSpan, ...]:
    """Return all phases of a part, those behind it, the present one, and those ahead on their usual days.

    A move that nobody entered is taken as done when its latest day has passed; a later entry replaces that.

    Args:
        batch: The batch.
        part: Part of it; None: the batch still soaks, or is only planned.
        profile: Its crop's profile.
        now: The instant at which it is asked.
        zone: The farm's zone; days are local calendar days.
        heat: The warmth had since sowing, where a sensor could tell; None: days alone count.
    """
    line = _Timeline(batch, part, profile, now.astimezone(UTC), zone, heat)
    sowing = line.soak()
    after_germination = line.germination(sowing)
    opening = harvest_window(profile, sowing.on, after_germination.on, heat).earliest
    light = line.blackout(after_germination, opening)
    line.harvest(sowing.on, light)
    return tuple(line.spans)


def phase_now(
    batch: Batch,
    part: Part | None,
    profile: Profile,
    *,
    now: datetime,
    zone: ZoneInfo,
    heat: HeatSoFar | None = None,
) -> PhaseSpan:
    """Return the phase that a part is in at ``now``: the last one that has begun.

    Raises:
        EntryError: Nothing of the batch has begun at ``now``.
    """
    begun = [span for span in spans(batch, part, profile, now=now, zone=zone, heat=heat) if span.began_at is not None]
    if not begun:
        raise EntryError(f"batch {batch.id} has not begun at {now.isoformat()}; ask for a later time")
    return begun[-1]
