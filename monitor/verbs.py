"""What a grower's verb means: which batch, which trays, what is warned of, and what comes next; pure."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import date, datetime
from zoneinfo import ZoneInfo

from monitor.amounts import say_day, say_list, say_time, say_trays
from monitor.batches import Batch, Fate, Part
from monitor.clock import local_day
from monitor.errors import NotFoundError
from monitor.ledger import EntryKind, NewEntry
from monitor.phases import Move, Window, drain_window, phase_now, spans
from monitor.places import Places
from monitor.profiles import PhaseKind, Profile

SPOILT = ("mould", "mold", "slime", "smell", "fuzz", "rot")

HEAVY = "Heavy: lift from low down, never over your head."
CLEANERS = "Wash first, the cleaner at its label's rate and contact time, rinse; never mix cleaners."
CUTTING = (
    "Clean hands and blade, drinking water only, cut above the medium, into the cold store or sold the same day; "
    "your local food-safety rules decide."
)
LIVING = "Rules for trays sold living differ from place to place: ask your food-safety inspector."
SPOILT_CARE = (
    "Bin the whole tray, do not cut round it; clean before using it again; look at its neighbours. People who are "
    "pregnant, very young, old or ill are at higher risk from raw shoots."
)
TREATED = (
    "TREATED SEED IS NOT FOR EATING: only untreated seed meant for food or shoots may be sown for sale. Noted as "
    "treated; discard these trays unless your inspector says otherwise."
)


def _covered(part: Part) -> bool:
    return part.uncovered_at is None and part.lights_at is None


def _any(_part: Part) -> bool:
    return True


_FITS: dict[EntryKind, Callable[[Part], bool]] = {
    EntryKind.STACKED: lambda part: part.covered_at is None and _covered(part),
    EntryKind.LOOKED: _covered,
    EntryKind.UNCOVERED: _covered,
    EntryKind.LIGHTS_ON: lambda part: part.lights_at is None,
}


def fits(kind: EntryKind, batch: Batch) -> bool:
    """Tell whether an entry of a kind can concern a batch as it stands."""
    if kind is EntryKind.DRAINED:
        return batch.soaked_at is not None and batch.sown_at is None and batch.drained_at is None
    if kind is EntryKind.CLEANED:
        return batch.is_over and batch.cleaned_at is None
    if kind is EntryKind.DELIVERED:
        return bool(batch.standing) or batch.trays(Fate.CUT) > 0
    if kind in (EntryKind.NOTED, EntryKind.NOT_YET, EntryKind.OUTCOME):
        return bool(batch.standing) or batch.sown_at is None or batch.is_over
    return any(_FITS.get(kind, _any)(part) for part in batch.standing)


_DONE_TO = {
    EntryKind.LOOKED: "looked at",
    EntryKind.LIGHTS_ON: "brought into the light",
    EntryKind.NOTED: "written about",
    EntryKind.NOT_YET: "put off",
}


def choose(said: str | None, kind: EntryKind, batches: Mapping[str, Batch], profiles: Mapping[str, Profile]) -> Batch:
    """Return the batch that a person means: by number, by crop where one such batch fits, or the only one that fits.

    Raises:
        NotFoundError: There is none, or several fit; they are listed.
    """
    fitting = [batch for batch in batches.values() if fits(kind, batch)]
    if said is not None and said in batches:
        return batches[said]
    if said is not None and kind is EntryKind.LOOKED:  # a tray in the light is looked over too
        fitting = [batch for batch in batches.values() if batch.standing]
    what = _DONE_TO.get(kind, kind.value)
    wanted = None if said is None else said.casefold()
    if wanted is not None:
        fitting = [batch for batch in fitting if wanted in _names(batch, profiles)]
    if len(fitting) == 1:
        return fitting[0]
    listed = say_list([f"{batch.id} ({batch.crop})" for batch in fitting[:8]])
    if fitting:
        raise NotFoundError(f"several batches can be {what}: {listed}; say which, by its number")
    if said is not None:
        raise NotFoundError(f"no batch {said!r} can be {what}; `traywarden batches` lists them")
    raise NotFoundError(f"no batch can be {what} now; `traywarden batches` lists them")


def _names(batch: Batch, profiles: Mapping[str, Profile]) -> set[str]:
    """Return what a batch's crop may be called."""
    profile = profiles.get(batch.crop)
    names = {batch.crop} if profile is None else {batch.crop, profile.name, *profile.also_called}
    return {name.casefold() for name in names}


def next_id(batches: Mapping[str, Batch]) -> str:
    """Return the number of the next batch."""
    return str(max((int(batch) for batch in batches if batch.isdigit()), default=0) + 1)


def next_stack(batches: Mapping[str, Batch]) -> str:
    """Return the name of the next pile."""
    used = [entry.stack for batch in batches.values() for entry in batch.entries if entry.stack]
    numbers = [int(name[1:]) for name in used if name[:1] == "S" and name[1:].isdigit()]
    return f"S{max(numbers, default=0) + 1}"


_NEXT = {
    Move.DRAIN: "drain the soak and sow",
    Move.UNCOVER: "uncover",
    Move.END_BLACKOUT: "end the blackout",
    Move.HARVEST: "harvest",
}


def next_words(batch: Batch, profile: Profile, *, now: datetime, zone: ZoneInfo) -> tuple[str, ...]:
    """Return what comes next for each part, e.g. ``uncover, usually Fri 27 Nov (Thu 26 Nov to Sat 28 Nov)``."""
    if batch.sown_at is None and batch.drained_at is not None:
        return ("sow it today",)
    parts: list[Part | None] = [*batch.standing] if batch.sown_at is not None else [None]
    told: dict[str, int] = {}
    for part in parts:
        for span in spans(batch, part, profile, now=now, zone=zone):
            window = span.window
            if (
                span.move is None
                or (span.move is Move.DRAIN and batch.drained_at is not None)
                or (span.move is Move.HARVEST and batch.holds)
                or window is None
                or (span.ends_on is not None and span.ends_on < local_day(now, zone))
            ):
                continue
            words = f"{_NEXT[span.move]}, {_when(batch, profile, span.move, window, zone)}"
            told[words] = told.get(words, 0) + (part.trays if part else 0)
            break
    if len(told) == 1:
        return tuple(told)
    return tuple(f"{say_trays(trays)}: {words}" for words, trays in told.items())


def _when(batch: Batch, profile: Profile, move: Move, window: Window, zone: ZoneInfo) -> str:
    """Return when a move is due; a soak by its hours."""
    marks = drain_window(batch, profile) if move is Move.DRAIN else None
    if marks is not None:
        return f"usually {say_time(marks[1], zone)}, at the latest {say_time(marks[2], zone)}"
    if window.earliest == window.latest:
        return f"on {say_day(window.usual)}"
    return f"usually {say_day(window.usual)} ({say_day(window.earliest)} to {say_day(window.latest)})"


def early_by(batch: Batch, profile: Profile, *, at: datetime, zone: ZoneInfo) -> int:
    """Return how many days before its earliest day a cover would be lifted at an instant; 0: it is not early."""
    covered = [part for part in batch.standing if _covered(part)]
    if not covered or batch.sown_at is None or at < batch.sown_at:
        return 0
    span = phase_now(batch, covered[0], profile, now=at, zone=zone)
    if span.kind is not PhaseKind.GERMINATION or span.window is None:
        return 0
    return max(0, (span.window.earliest - local_day(at, zone)).days)


def early_warning(batch: Batch, profile: Profile, days: int, kind: EntryKind) -> str | None:
    """Return the warning for a cover lifted early; None where there is no harm in it."""
    if days <= 0 or (kind is EntryKind.LOOKED and not profile.sticky):
        return None
    before = f"{days} day{'s' if days > 1 else ''} before its earliest day"
    if profile.sticky:
        return (
            f"Batch {batch.id} {profile.name.lower()} is sticky seed, {before}: the gel skins over in dry air within "
            "minutes. Cover it again at once; it is noted for the look-back."
        )
    return f"Batch {batch.id} {profile.name.lower()} is {before}."


def pile_warnings(
    batches: list[Batch], profiles: Mapping[str, Profile], *, now: datetime, zone: ZoneInfo
) -> tuple[str, ...]:
    """Return what is wrong with lying in one pile: a sticky crop over or under one that must come out sooner."""
    windows: list[tuple[Batch, Profile, date, date]] = []
    for batch in batches:
        profile = profiles.get(batch.crop)
        if profile is None or not batch.standing:
            continue
        span = phase_now(batch, batch.standing[0], profile, now=now, zone=zone)
        if span.window is not None:
            windows.append((batch, profile, span.window.earliest, span.window.latest))
    return tuple(
        f"Batch {sticky.id} {profile.name.lower()} must not be touched before {say_day(earliest)}, but batch "
        f"{other.id} in the same pile comes out by {say_day(latest)}: put them in separate piles."
        for sticky, profile, earliest, _ in windows
        if profile.sticky
        for other, _, _, latest in windows
        if other.id != sticky.id and latest < earliest
    )


def trays_of(entry: NewEntry, batch: Batch) -> int:
    """Return how many trays an entry means: those that it names, or all that it can concern."""
    if entry.trays is not None:
        return entry.trays
    fit = _FITS.get(entry.kind, _any)
    there = [part for part in batch.standing if entry.spot in (None, part.spot)]
    count = sum(part.trays for part in there if fit(part))
    return count or (sum(part.trays for part in there) if entry.kind is EntryKind.LOOKED else 0)


def say_deed(what: str, batch: Batch, trays: int, profile: Profile | None, places: Places, spot: str | None) -> str:
    """Return what was noted, in one sentence."""
    crop = profile.name.lower() if profile else batch.crop
    where = f", {places.name(spot)}" if spot else ""
    return f"Noted: {say_trays(trays)} of batch {batch.id} {crop} {what}{where}."


def is_spoilt(why: str) -> bool:
    """Tell whether a reason for discarding means mould, slime or smell."""
    return any(word in why.casefold() for word in SPOILT)


def seed_words(profile: Profile, seed_g: float | None, scale: float) -> str | None:
    """Return a warning where a sowing weight lies outside the profile's; None where it does not."""
    span = profile.seed_g_per_tray
    if seed_g is None or span.low * scale <= seed_g <= span.high * scale:
        return None
    side = "thinner" if seed_g < span.low * scale else "thicker"
    return (
        f"{seed_g:.0f} g a tray is {side} than the profile's {span.low * scale:.0f} to {span.high * scale:.0f} g for "
        "this tray size."
    )
