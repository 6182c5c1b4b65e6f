"""How the ledger's entries become batches: each entry in its turn splits, moves or ends parts; pure.

What cannot be (more trays cut than stand, a cover taken off twice) is an EntryError that names the entry,
so ``check_append`` can refuse it before it is written; a ledger that was only ever added to through that
check folds without errors.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, fields, replace
from datetime import datetime

from monitor.batches import Batch, Fate, Part
from monitor.errors import EntryError
from monitor.holds import Hold, holds_of, reaches, refusal
from monitor.ledger import Entry, EntryKind, NewEntry, effective
from monitor.promises import promises_of


@dataclass(slots=True)
class _Growing:
    """A batch while its entries are being read."""

    id: str
    crop: str
    soaked_at: datetime | None = None
    drained_at: datetime | None = None
    sown_at: datetime | None = None
    trays_planned: int | None = None
    lot: str | None = None
    supplier: str | None = None
    treated: bool | None = None
    tray_kind: str | None = None
    seed_g_per_tray: float | None = None
    cleaned_at: datetime | None = None
    parts: list[Part] = field(default_factory=list)
    entries: list[Entry] = field(default_factory=list)
    holds: tuple[Hold, ...] = ()

    def finish(self) -> Batch:
        """Return the batch as a value."""
        values = {each.name: getattr(self, each.name) for each in fields(self)}
        return Batch(**{**values, "parts": tuple(self.parts), "entries": tuple(self.entries)})


Fits = Callable[[Part], bool]
Change = Callable[[Part], Part]


def _stands(part: Part) -> bool:
    return part.fate is Fate.STANDING


def _says(entry: Entry) -> str:
    """Return how a refusal names an entry."""
    who = f"batch {entry.batch}" if entry.batch else "no batch"
    return f"entry {entry.id} ({entry.kind.value}, {who})"


def _named(entry: Entry, part: Part) -> bool:
    """Tell whether an entry's place and pile, where it gives them, are this part's."""
    if entry.stack is not None and part.stack != entry.stack:
        return False
    return entry.spot is None or part.spot == entry.spot or (part.spot or "").startswith(entry.spot + "/")


def _change(batch: _Growing, entry: Entry, fits: Fits, change: Change, what: str, *, by_place: bool = True) -> None:
    """Change the trays that an entry means, splitting the part that it takes a share of.

    Raises:
        EntryError: Fewer trays fit than the entry names, or none do.
    """
    chosen = [part for part in batch.parts if fits(part) and (not by_place or _named(entry, part))]
    fitting = sum(part.trays for part in chosen)
    wanted = fitting if entry.trays is None else entry.trays
    if wanted < 1 or wanted > fitting:
        place = f" at {entry.spot}" if by_place and entry.spot else ""
        pile = f" in pile {entry.stack}" if by_place and entry.stack else ""
        raise EntryError(
            f"{_says(entry)}: {wanted if entry.trays is not None else 'all'} trays were to be {what}, but "
            f"{fitting} of batch {batch.id}{place}{pile} can be; give --trays {fitting} or fewer, "
            "or name another place or batch"
            if fitting
            else f"{_says(entry)}: no tray of batch {batch.id}{place}{pile} can be {what} now; "
            f"`traywarden batch {batch.id}` shows where they are and what was done"
        )
    parts: list[Part] = []
    for part in batch.parts:
        if wanted == 0 or part not in chosen:
            parts.append(part)
            continue
        taken = min(wanted, part.trays)
        wanted -= taken
        if taken < part.trays:
            parts.append(replace(part, trays=part.trays - taken))
        parts.append(change(replace(part, trays=taken)))
    batch.parts = _merged(parts)


def _merged(parts: Sequence[Part]) -> list[Part]:
    """Return the parts with those of one place, fate and history made one."""
    found: dict[Part, int] = {}
    for part in parts:
        alike = replace(part, trays=1)
        found[alike] = found.get(alike, 0) + part.trays
    return [replace(alike, trays=trays) for alike, trays in found.items()]


def _soaked(batch: _Growing, entry: Entry) -> None:
    if batch.soaked_at is not None or batch.sown_at is not None:
        raise EntryError(f"{_says(entry)}: batch {batch.id} was soaked or sown before; soak under a new batch")
    batch.soaked_at = entry.at
    batch.trays_planned = entry.data.get("trays_planned")
    _seed(batch, entry)


def _drained(batch: _Growing, entry: Entry) -> None:
    if batch.soaked_at is None or batch.sown_at is not None or batch.drained_at is not None:
        raise EntryError(f"{_says(entry)}: batch {batch.id} is not soaking, so there is nothing to drain")
    batch.drained_at = entry.at


def _seed(batch: _Growing, entry: Entry) -> None:
    """Take over what an entry says of the seed."""
    data = entry.data
    batch.lot = data.get("lot") or batch.lot
    batch.supplier = data.get("supplier") or batch.supplier
    batch.treated = data["treated"] if data.get("treated") is not None else batch.treated


def _sown(batch: _Growing, entry: Entry) -> None:
    if entry.trays is None or entry.trays < 1:
        raise EntryError(f"{_says(entry)}: how many trays were sown is missing; give --trays N")
    if batch.soaked_at is not None and batch.drained_at is None:
        batch.drained_at = entry.at
    batch.sown_at = batch.sown_at or entry.at
    batch.tray_kind = entry.data.get("tray_kind") or batch.tray_kind
    grams = entry.data.get("seed_g_per_tray")
    batch.seed_g_per_tray = batch.seed_g_per_tray if grams is None else float(grams)
    _seed(batch, entry)
    new = Part(trays=entry.trays, fate=Fate.STANDING, spot=entry.spot, stack=entry.stack)
    batch.parts = _merged([*batch.parts, new])


def _stacked(batch: _Growing, entry: Entry) -> None:
    def put(part: Part) -> Part:
        return replace(part, covered_at=entry.at, stack=entry.stack, spot=entry.spot or part.spot)

    def fits(part: Part) -> bool:
        return _stands(part) and part.covered_at is None and part.uncovered_at is None and part.lights_at is None

    _change(batch, entry, fits, put, "stacked", by_place=False)


def _uncovered(batch: _Growing, entry: Entry) -> None:
    early = bool(entry.data.get("early"))
    to = entry.data.get("to")

    def uncover(part: Part) -> Part:
        return replace(
            part, uncovered_at=entry.at, stack=None, spot=to or part.spot, lifted_early=early or part.lifted_early
        )

    _change(
        batch,
        entry,
        lambda part: _stands(part) and part.uncovered_at is None and part.lights_at is None,
        uncover,
        "uncovered",
    )


def _lights_on(batch: _Growing, entry: Entry) -> None:
    to = entry.data.get("to")

    def light(part: Part) -> Part:
        return replace(
            part, lights_at=entry.at, uncovered_at=part.uncovered_at or entry.at, stack=None, spot=to or part.spot
        )

    _change(batch, entry, lambda part: _stands(part) and part.lights_at is None, light, "brought into the light")


def _watered(batch: _Growing, entry: Entry) -> None:
    _change(batch, entry, _stands, lambda part: replace(part, watered_at=entry.at), "watered")


def _looked(batch: _Growing, entry: Entry) -> None:
    """Check that the trays of an observation are there; a lift of the cover before its day is kept."""
    early = bool(entry.data.get("early"))
    _change(
        batch,
        entry if early else replace(entry, trays=None),
        _stands,
        lambda part: replace(part, lifted_early=True) if early else part,
        "looked at",
    )
    standing = sum(part.trays for part in batch.parts if _stands(part) and _named(entry, part))
    if entry.trays is not None and entry.trays > standing:
        raise EntryError(
            f"{_says(entry)}: {entry.trays} trays are named, but {standing} of batch {batch.id} stand there; "
            f"give --trays {standing} or fewer"
        )


def _moved(batch: _Growing, entry: Entry) -> None:
    to = entry.data.get("to")
    if not to:
        raise EntryError(f"{_says(entry)}: where the trays were moved to is missing; give the place")
    _change(batch, entry, _stands, lambda part: replace(part, spot=str(to), stack=None), "moved")


def _ends_as(fate: Fate, entry: Entry) -> Change:
    return lambda part: replace(part, fate=fate, ended_at=entry.at, stack=None)


def _harvested(batch: _Growing, entry: Entry) -> None:
    _change(batch, entry, _stands, _ends_as(Fate.CUT, entry), "cut")


def _delivered(batch: _Growing, entry: Entry) -> None:
    """Deliver living trays, or what was cut: without a word on it, cut trays go first."""
    living = entry.data.get("living")
    cut = sum(part.trays for part in batch.parts if part.fate is Fate.CUT and _named(entry, part))
    from_cut = living is False or (living is None and cut >= (entry.trays or 1))
    fate = Fate.CUT if from_cut else Fate.STANDING
    _change(batch, entry, lambda part: part.fate is fate, _ends_as(Fate.DELIVERED, entry), "delivered")


def _discarded(batch: _Growing, entry: Entry) -> None:
    fate = Fate.STANDING if any(_stands(part) and _named(entry, part) for part in batch.parts) else Fate.CUT
    _change(batch, entry, lambda part: part.fate is fate, _ends_as(Fate.DISCARDED, entry), "discarded")


def _cleaned(batch: _Growing, entry: Entry) -> None:
    if any(_stands(part) and _named(entry, part) for part in batch.parts):
        raise EntryError(
            f"{_says(entry)}: trays of batch {batch.id} still stand there; cut, deliver, discard or move them first"
        )
    if not any(_stands(part) for part in batch.parts):
        batch.cleaned_at = entry.at


def _nothing(_batch: _Growing, _entry: Entry) -> None:
    """Change no tray: the entry is kept with the batch and read by others."""


_APPLY: dict[EntryKind, Callable[[_Growing, Entry], None]] = {
    EntryKind.SOAKED: _soaked,
    EntryKind.DRAINED: _drained,
    EntryKind.SOWN: _sown,
    EntryKind.STACKED: _stacked,
    EntryKind.LOOKED: _looked,
    EntryKind.UNCOVERED: _uncovered,
    EntryKind.LIGHTS_ON: _lights_on,
    EntryKind.WATERED: _watered,
    EntryKind.WEIGHED: _looked,
    EntryKind.LIFTED: _looked,
    EntryKind.MOVED: _moved,
    EntryKind.NOTED: _nothing,
    EntryKind.OUTCOME: _nothing,
    EntryKind.HARVESTED: _harvested,
    EntryKind.DELIVERED: _delivered,
    EntryKind.DISCARDED: _discarded,
    EntryKind.CLEANED: _cleaned,
    EntryKind.PROMISED: _nothing,
    EntryKind.HELD: _nothing,
    EntryKind.RELEASED: _nothing,
    EntryKind.NOT_YET: _nothing,
    EntryKind.REFUSED: _nothing,
}


def _begin(entry: Entry) -> _Growing:
    """Return a new batch for its first entry, which must be a soak or a sowing."""
    if entry.kind not in (EntryKind.SOAKED, EntryKind.SOWN):
        raise EntryError(
            f"{_says(entry)}: batch {entry.batch} was not sown or soaked before that; "
            "give the number of a batch that was (`traywarden batches`), or an earlier time to its sowing"
        )
    crop = entry.data.get("crop")
    if not crop:
        raise EntryError(f"{_says(entry)}: the crop is missing")
    return _Growing(id=str(entry.batch), crop=str(crop))


def _clean_place(growing: dict[str, _Growing], entry: Entry) -> None:
    """Count a place as cleaned for every batch whose last tray left it before."""
    spot = entry.spot or ""
    for batch in growing.values():
        over = bool(batch.parts) and not any(_stands(part) for part in batch.parts)
        if over and batch.cleaned_at is None and all(_named(entry, part) for part in batch.parts if part.spot):
            batch.cleaned_at = entry.at if spot else None


def fold(entries: Iterable[Entry]) -> dict[str, Batch]:
    """Return all batches as the entries tell them, in the order in which they began.

    Args:
        entries: The whole ledger, in any order; corrected entries are replaced first.

    Raises:
        EntryError: An entry cannot be; it is named.
    """
    growing: dict[str, _Growing] = {}
    rows = effective(entries)
    for entry in rows:
        if entry.batch is None:
            if entry.kind is EntryKind.CLEANED:
                _clean_place(growing, entry)
            continue
        batch = growing.get(entry.batch)
        if batch is None:
            batch = growing[entry.batch] = _begin(entry)
        elif entry.kind in (EntryKind.SOAKED, EntryKind.SOWN):
            crop = entry.data.get("crop", batch.crop)
            if crop != batch.crop:
                raise EntryError(f"{_says(entry)}: batch {batch.id} is {batch.crop}, not {crop}; sow under a new batch")
        apply = _APPLY.get(entry.kind)
        if apply is not None:
            apply(batch, entry)
        batch.entries.append(entry)
    batches = {batch_id: batch.finish() for batch_id, batch in growing.items()}
    return _held(batches, [hold for hold in holds_of(rows) if hold.ended_at is None])


def _held(batches: dict[str, Batch], holds: Sequence[Hold]) -> dict[str, Batch]:
    """Return the batches with what stands against cutting and delivering each."""
    if not holds:
        return batches
    return {
        batch_id: replace(batch, holds=tuple(hold for hold in holds if reaches(hold, batch)))
        for batch_id, batch in batches.items()
    }


def fold_as_of(entries: Iterable[Entry], now: datetime) -> dict[str, Batch]:
    """Return all batches as they stood at an instant: deeds after it are left out."""
    return fold(entry for entry in effective(entries) if entry.at <= now)


def check_append(entries: Sequence[Entry], new: Sequence[NewEntry], *, recorded_at: datetime) -> None:
    """Refuse new entries that contradict what the ledger holds, also when they lie before later deeds.

    Raises:
        EntryError: Says which entry cannot be, and how to mend it; where a later one would become
            impossible, that one is named.
    """
    next_id = max((entry.id for entry in entries), default=0) + 1
    added = [
        Entry(
            **{each.name: getattr(one, each.name) for each in fields(NewEntry)},
            id=next_id + place,
            recorded_at=recorded_at,
        )
        for place, one in enumerate(new)
    ]
    known = {entry.id for entry in entries}
    for one in added:
        if one.corrects is not None and one.corrects not in known:
            raise EntryError(f"there is no entry {one.corrects} to correct; `traywarden batch ID` lists the numbers")
    batches = fold([*entries, *added])
    promises_of([*entries, *added])
    _check_holds(batches, [*entries, *added], added)


def _check_holds(batches: dict[str, Batch], entries: Sequence[Entry], added: Sequence[Entry]) -> None:
    """Refuse to cut or deliver what was on hold at that instant, unless the entry says that it was done all the same.

    Raises:
        EntryError: With the reason, and the way out.
    """
    leaving = [
        one
        for one in added
        if one.kind in (EntryKind.HARVESTED, EntryKind.DELIVERED) and not one.data.get("against_hold")
    ]
    if not leaving:
        return
    holds = holds_of(effective(entries))
    for one in leaving:
        batch = batches[one.batch or ""]
        for hold in holds:
            if hold.in_force(one.at) and reaches(hold, batch):
                raise EntryError(refusal(hold, batch))
