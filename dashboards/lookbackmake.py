"""Makes the look-back on one batch from a ledger and a store: the one place that commands and pages ask."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from pathlib import Path

from alerts.findings import Tick
from alerts.outbox import OutboxRow
from dashboards.lookback import LookBack, look_back
from dashboards.lookbackpage import picture_of, render
from dashboards.lookbackreads import Reads
from monitor.batches import Batch
from monitor.errors import NotFoundError
from monitor.farm import Farm
from monitor.fold import fold_as_of
from monitor.ledger import Entry
from monitor.live import LiveBuffer
from monitor.outcomes import Judged, outcome_of
from monitor.profiles import Profile
from monitor.review import BatchFacts
from monitor.reviewfacts import facts_of
from monitor.reviewrecord import record_of
from monitor.rolling import Width
from monitor.scalesetup import setups_of
from monitor.stores.protocol import ReadingStore
from monitor.suspectfile import load_model

_LEAD = timedelta(hours=3)
BEFORE = timedelta(days=200)
"""Earlier batches are looked for so far back. Ours."""


class Made:
    """A look-back that was made, and its page.

    Attributes:
        found: The look-back.
    """

    def __init__(self, found: LookBack, tick: Tick, own: Reads, beside: Reads, sent: Sequence[OutboxRow]) -> None:
        """Keep what its page is drawn from."""
        self.found = found
        self._tick, self._own, self._beside, self._sent = tick, own, beside, sent

    @property
    def reads(self) -> tuple[Reads, Reads]:
        """Return what was read from the store: the batch's own readings, and the bins of what stands beside it."""
        return self._own, self._beside

    def page(self, photos: Sequence[str] = (), *, style: str = "") -> str:
        """Return the page as HTML, with addresses of pictures, and of its style where that is not to stand in it."""
        picture = picture_of(self.found, self._tick, self._own.block, self._beside.block, self._sent)
        return render(self.found, picture, photos, style=style)


def make(
    farm: Farm,
    profiles: Mapping[str, Profile],
    entries: Sequence[Entry],
    said: str | None,
    store: ReadingStore,
    *,
    now: datetime,
    sent: Sequence[OutboxRow] = (),
    model_folder: Path,
) -> Made:
    """Return the look-back on a batch.

    Args:
        farm: The farm.
        profiles: Crop profiles by id.
        entries: The whole ledger.
        said: Which batch; None: the last that came out poorly.
        store: Where readings are.
        now: The instant of asking.
        sent: Messages to people.
        model_folder: Where the farm's own model may lie.

    Raises:
        NotFoundError: There is no such batch.
        RefusedError: It was not sown, its crop has no profile, or the model cannot be used.
        StoreError: The store cannot be read.
    """
    batches = fold_as_of(entries, now)
    batch = chosen(batches, profiles, farm, said)
    begin = (batch.soaked_at or batch.sown_at or now) - _LEAD
    ended = max((part.ended_at for part in batch.parts if part.ended_at), default=now) if batch.is_over else now
    own = Reads(store, begin, min(ended, now) + _LEAD, width=None)
    first = min(
        (each.sown_at for each in batches.values() if each.sown_at and each.sown_at > begin - BEFORE), default=begin
    )
    beside = Reads(store, first - _LEAD, now, width=Width.FIVE_MINUTES)
    found = look_back(
        farm, profiles, entries, batches, batch.id, load_model(model_folder),
        read=own.series, read_rolled=beside.series, now=now, sent=sent,
    )  # fmt: skip
    tick = Tick(
        now=now, farm=farm, profiles=profiles, batches=batches, live=LiveBuffer(), watching_since=now,
        entries=tuple(entries),
    )  # fmt: skip
    return Made(found, tick, own, beside, sent)


def chosen(batches: Mapping[str, Batch], profiles: Mapping[str, Profile], farm: Farm, said: str | None) -> Batch:
    """Return the batch that is meant: the one named, or the last that came out poorly.

    Raises:
        NotFoundError: There is none.
    """
    if said is not None:
        if said not in batches:
            raise NotFoundError(f"there is no batch {said!r}; `traywarden batches --all` lists them")
        return batches[said]
    poor = [
        each
        for each in batches.values()
        if each.sown_at is not None
        and outcome_of(
            each, profiles.get(each.crop), tray_scale=farm.tray_size(each.tray_kind), zone=farm.zone
        ).judged is Judged.POOR
    ]  # fmt: skip
    if not poor:
        raise NotFoundError(
            "no batch is noted as poor; say which one you mean: traywarden lookback 12 (traywarden outcome notes how a "
            "batch turned out)"
        )
    return poor[-1]


NEWEST = 20
"""So many of a crop's newest good batches speak for it. Ours."""


def good_facts(
    farm: Farm,
    profiles: Mapping[str, Profile],
    entries: Sequence[Entry],
    crop: str,
    store: ReadingStore,
    *,
    now: datetime,
) -> list[BatchFacts]:
    """Return what the newest good batches of a crop lived through, from rolled-up readings, newest first.

    Raises:
        StoreError: The store cannot be read.
    """
    good = [
        each
        for each in fold_as_of(entries, now).values()
        if each.crop == crop and each.is_over and each.sown_at is not None
        and outcome_of(
            each, profiles[crop], tray_scale=farm.tray_size(each.tray_kind), zone=farm.zone
        ).judged is Judged.GOOD
    ]  # fmt: skip
    newest = sorted(good, key=lambda each: each.sown_at or now, reverse=True)[:NEWEST]
    first = min((each.sown_at for each in newest if each.sown_at is not None), default=now)
    reads = Reads(store, first - _LEAD, now, width=Width.FIVE_MINUTES)
    setups = setups_of(entries, farm.sensors)
    return [
        facts_of(record_of(farm, profiles[crop], each, reads.series, now=now, setups=setups), farm.zone)
        for each in newest
    ]
