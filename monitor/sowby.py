"""When to sow, and to soak, so that trays are ready on a day, and how many trays to sow for it; pure.

The days are the profile's, or the farm's own once enough of its batches came good; the same holds for the loss.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from enum import StrEnum
from math import ceil
from statistics import median
from zoneinfo import ZoneInfo

from monitor.batches import Batch, Fate
from monitor.clock import at_local, local_day
from monitor.farm import Farm
from monitor.ledger import EntryKind
from monitor.phases import harvest_window, holding_until
from monitor.profiles import PhaseKind, Profile

ENOUGH = 5
"""So many batches of a crop are needed before the farm's own figures count."""
NEWEST = 10
"""So many of them count, the newest."""
MOST_LOSS = 0.5
"""A loss beyond this is taken as this: such a crop wants mending, not more sowing. Ours, no source."""
_A_DAY = date(2001, 1, 1)  # any day: windows are counted in whole days from it


class Basis(StrEnum):
    """Where a figure comes from."""

    PROFILE = "profile"
    FARM_FILE = "farm.toml"
    OWN = "own batches"


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnRecord:
    """What the farm's own batches of a crop gave.

    Attributes:
        days: Local days from sowing to the first cut (or living delivery) of the newest batches that came good. [d]
        over: How many batches are over, of the newest.
        sown: Trays sown in those.
        lost: Trays of those that were thrown away.
    """

    days: tuple[int, ...] = ()
    over: int = 0
    sown: int = 0
    lost: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Lead:
    """Local calendar days from sowing to what matters for a promise, each move done on its usual day.

    Attributes:
        uncover: The cover or weight comes off, or an open tray stands up. [d]
        light: It comes into the light; a crop that is cut out of the dark: its window opens. [d]
        opens: First day on which it may be cut. [d]
        usual: Usual day. [d]
        closes: Last day on which it should be cut. [d]
        living_until: Last day on which it can usually be kept living. [d]
        basis: The profile's usual day, or the farm's own.
        batches: How many batches the farm's own day is the middle of; 0: none.
        own_days: That middle before it was held within opens and closes; None: none. [d]
    """

    uncover: int
    light: int
    opens: int
    usual: int
    closes: int
    living_until: int
    basis: Basis = Basis.PROFILE
    batches: int = 0
    own_days: int | None = None

    def last(self, *, living: bool) -> int:
        """Return the last day since sowing on which trays can go out, cut or living."""
        return self.living_until if living else self.closes

    def usual_for(self, *, living: bool) -> int:
        """Return the usual day since sowing, held within the days on which trays can go out so."""
        return min(self.usual, self.last(living=living))


@dataclass(frozen=True, slots=True, kw_only=True)
class Loss:
    """The share of trays that is usually lost.

    Attributes:
        share: As a share of trays sown, 0 to MOST_LOSS.
        basis: farm.toml, or the farm's own discards.
        batches: How many batches the farm's own is counted over; 0: none.
    """

    share: float
    basis: Basis
    batches: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class SowDay:
    """One day on which trays may be sown, and when their seed goes into water.

    Attributes:
        on: Local day of sowing.
        sow_at: The round at which it is sown.
        soak_at: When the soak begins; None: it is sown dry.
        latest_start_at: The last instant at which it can still be begun: the soak at its shortest, or the day's end.
    """

    on: date
    sow_at: datetime
    soak_at: datetime | None
    latest_start_at: datetime

    def start_on(self, zone: ZoneInfo) -> date:
        """Return the local day on which it begins, with the soak where there is one."""
        return local_day(self.soak_at, zone) if self.soak_at else self.on


@dataclass(frozen=True, slots=True, kw_only=True)
class SowBy:
    """When to sow trays that are asked for on a day, and how many.

    Attributes:
        earliest: First day on which sowing serves.
        usual: Usual day.
        latest: Last day.
        trays: Trays asked for.
        to_sow: Trays to sow, spare ones among them.
        lead: The days that it follows from.
        loss: The loss that the spare trays are for.
    """

    earliest: SowDay
    usual: SowDay
    latest: SowDay
    trays: int
    to_sow: int
    lead: Lead
    loss: Loss


def next_day(farm: Farm, profile: Profile, plan: SowBy, now: datetime) -> SowDay:
    """Return the usual day, or where that is past, the first day on which it can still be begun."""
    day = plan.usual
    while day.latest_start_at < now and day.on < plan.latest.on:
        day = sow_day(farm, profile, day.on + timedelta(days=1))
    return day


def own_record(batches: Iterable[Batch], crop: str, zone: ZoneInfo) -> OwnRecord:
    """Return what the farm's newest batches of a crop gave.

    One came good when something of it was cut or delivered, and no more than half of it thrown away.
    """
    mine = sorted(
        ((batch.sown_at, batch) for batch in batches if batch.crop == crop and batch.sown_at is not None),
        key=lambda each: each[0],
        reverse=True,
    )
    days = [(local_day(cut_at, zone) - local_day(sown_at, zone)).days for sown_at, cut_at in _good(mine)][:NEWEST]
    over = [batch for _, batch in mine if batch.is_over][:NEWEST]
    return OwnRecord(
        days=tuple(days),
        over=len(over),
        sown=sum(batch.sown for batch in over),
        lost=sum(batch.trays(Fate.DISCARDED) for batch in over),
    )


def _good(mine: Iterable[tuple[datetime, Batch]]) -> Iterable[tuple[datetime, datetime]]:
    """Yield sowing and first cut (or delivery) of the batches that came good."""
    for sown_at, batch in mine:
        leaves = (EntryKind.HARVESTED, EntryKind.DELIVERED)
        left = [entry.at for entry in batch.entries if entry.kind in leaves and entry.at >= sown_at]
        if left and batch.trays(Fate.DISCARDED) * 2 <= batch.sown:
            yield sown_at, min(left)


def lead_of(profile: Profile, own: OwnRecord | None = None) -> Lead:
    """Return the days from sowing that a crop's promises follow from.

    The farm's own middle (the median, which one odd batch does not move) stands for the profile's usual day from
    ENOUGH batches on, held within the days on which the profile's window is open.
    """
    germination, blackout = profile.plan(PhaseKind.GERMINATION), profile.plan(PhaseKind.BLACKOUT)
    uncover = round(germination.days.usual) if germination else 0
    light = uncover + (round(blackout.days.usual) if blackout else 0)
    window = harvest_window(profile, _A_DAY, _A_DAY + timedelta(days=light))
    opens, usual, closes = ((day - _A_DAY).days for day in (window.earliest, window.usual, window.latest))
    living_until = (holding_until(profile, window) - _A_DAY).days
    known = len(own.days) if own is not None and len(own.days) >= ENOUGH else 0
    own_days = round(median(own.days)) if own is not None and known else None
    if own_days is not None:
        usual = min(max(own_days, opens), closes)
    return Lead(
        uncover=uncover,
        light=light if profile.plan(PhaseKind.LIGHT) else opens,
        opens=opens,
        usual=usual,
        closes=closes,
        living_until=living_until,
        basis=Basis.OWN if known else Basis.PROFILE,
        batches=known,
        own_days=own_days,
    )


def loss_of(farm: Farm, own: OwnRecord) -> Loss:
    """Return the usual loss of a crop: the farm's own discards once enough batches are over, else farm.toml's."""
    if own.over >= ENOUGH and own.sown:
        return Loss(share=min(own.lost / own.sown, MOST_LOSS), basis=Basis.OWN, batches=own.over)
    return Loss(share=min(farm.loss_trays_pct / 100, MOST_LOSS), basis=Basis.FARM_FILE)


def with_spare(trays: int, loss: Loss) -> int:
    """Return how many trays to sow so that so many are usually left."""
    return ceil(trays / (1 - loss.share) - 1e-9)


def sow_day(farm: Farm, profile: Profile, on: date) -> SowDay:
    """Return a day of sowing with its hours.

    Seed that is soaked goes in at a round and is sown at a round where two rounds lie right for it, the last pair
    of the day nearest to the usual soak; else as long before the day's last round as it is usually soaked.
    """
    rounds = [at_local(on, wall, farm.zone) for wall in farm.rounds]
    hours = profile.soak_hours
    if hours is None or hours.usual <= 0:
        end = at_local(on + timedelta(days=1), time(0), farm.zone)
        return SowDay(on=on, sow_at=rounds[0], soak_at=None, latest_start_at=end - timedelta(minutes=1))
    before = [at_local(on - timedelta(days=1), wall, farm.zone) for wall in farm.rounds]
    pairs = [
        (abs((sow_at - soak_at) / timedelta(hours=1) - hours.usual), soak_at, sow_at)
        for sow_at in rounds
        for soak_at in (*before, *rounds)
        if hours.low <= (sow_at - soak_at) / timedelta(hours=1) <= hours.high and soak_at < sow_at
    ]
    last = (0.0, rounds[-1] - timedelta(hours=hours.usual), rounds[-1])
    _, soak_at, sow_at = min(pairs, key=lambda pair: (pair[0], -pair[2].timestamp()), default=last)
    shortest = timedelta(hours=max(hours.low, 0))
    return SowDay(on=on, sow_at=sow_at, soak_at=soak_at, latest_start_at=max(soak_at, sow_at - shortest))


def sow_by(
    farm: Farm, profile: Profile, for_on: date, trays: int, batches: Iterable[Batch], *, living: bool = False
) -> SowBy:
    """Return when to sow trays asked for on a local day, and how many, by the profile or the farm's own batches."""
    own = own_record(batches, profile.id, farm.zone)
    lead, loss = lead_of(profile, own), loss_of(farm, own)
    days = {
        name: sow_day(farm, profile, for_on - timedelta(days=back))
        for name, back in (
            ("earliest", lead.last(living=living)),
            ("usual", lead.usual_for(living=living)),
            ("latest", lead.opens),
        )
    }
    return SowBy(trays=trays, to_sow=with_spare(trays, loss), lead=lead, loss=loss, **days)
