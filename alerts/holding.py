"""What a round and a message say of what is on hold: first of all, and each new hold once by itself; pure."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from datetime import timedelta

from alerts.findings import Tick
from monitor.amounts import say_list, say_time, say_trays
from monitor.batches import Batch, Fate
from monitor.farm import Farm
from monitor.holds import RECALL, Hold

HEAD = "ON HOLD: do not cut, do not deliver"
TOLD_FOR = timedelta(days=3)
"""A hold older than this is not told by itself any more (the monitor was off); rounds still say it."""


def held_batches(tick: Tick) -> tuple[Batch, ...]:
    """Return the batches on hold of which trays stand, or lie cut in store."""
    return tuple(
        batch
        for batch in tick.batches.values()
        if batch.holds and (batch.standing or batch.trays(Fate.CUT) or batch.sown_at is None)
    )


def hold_lines(tick: Tick) -> list[str]:
    """Return what a round says first: which batches are on hold, where, and why; empty where nothing is."""
    held = held_batches(tick)
    return [HEAD, *(f" ! {held_words(batch, tick)}" for batch in held), ""] if held else []


def held_words(batch: Batch, tick: Tick) -> str:
    """Return which batch is on hold, where its trays are, why, and how the hold ends."""
    return f"{held_facts(batch, tick)} Ends with: traywarden release {batch.holds[0].option} --reason ..."


def held_facts(batch: Batch, tick: Tick) -> str:
    """Return which batch is on hold, where its trays are, and why."""
    profile = tick.profiles.get(batch.crop)
    crop = profile.name.lower() if profile else batch.crop
    why = "; ".join(why_words(hold, tick.farm) for hold in batch.holds)
    return f"Batch {batch.id} {crop}, {where_words(batch, tick.farm)}. Why: {why}."


def where_words(batch: Batch, farm: Farm) -> str:
    """Return where a batch's trays are that have not left the farm."""
    if batch.sown_at is None:
        return "still soaking"
    counts: dict[str, int] = {}
    for part in batch.parts:
        if part.fate is Fate.STANDING:
            place = f"on {farm.places.name(part.spot)}" if part.spot else "standing"
        elif part.fate is Fate.CUT:
            place = "cut and not delivered"
        else:
            continue
        counts[place] = counts.get(place, 0) + part.trays
    return say_list([f"{say_trays(trays)} {place}" for place, trays in counts.items()]) or "no tray left here"


def why_words(hold: Hold, farm: Farm) -> str:
    """Return why something is on hold, since when, and by whom."""
    through = f"its {hold.target}: " if hold.lot else ""
    return f"{through}{hold.why} ({hold.by}, {say_time(hold.at, farm.zone)})"


def fresh_holds(holds: Iterable[Hold], told: Collection[str], tick: Tick) -> tuple[tuple[Hold, str], ...]:
    """Return the holds that nobody was told of, and those whose end nobody was told of, each with its stage."""
    found = []
    for hold in holds:
        if not tick.ward.has_hold(hold, tick.batches):
            continue
        begun, ended = f"hold|{hold.id}#due", f"hold|{hold.id}#ended"
        if hold.ended_at is None and begun not in told and tick.now - hold.at <= TOLD_FOR:
            found.append((hold, begun))
        if hold.ended_at is not None and begun in told and ended not in told:
            found.append((hold, ended))
    return tuple(found)


def hold_text(hold: Hold, tick: Tick) -> tuple[str, str]:
    """Return title and text of the message on one hold that was set or ended."""
    what = hold.target
    if hold.ended_at is not None:
        when = say_time(hold.ended_at, tick.farm.zone)
        return f"Released: {what}", f"{what.capitalize()} is released: {hold.ended_why} ({hold.ended_by}, {when})."
    concerned = [batch for batch in held_batches(tick) if hold in batch.holds]
    lines = [f" ! {held_words(batch, tick)}" for batch in concerned]
    if not concerned:
        lines = [f" ! {what.capitalize()}: {why_words(hold, tick.farm)}. No tray of it stands here now."]
    if hold.lot:
        lines.append(f"   Do not sow from {what} either.")
    shown = f"   What went out, and what is where: traywarden holds. {RECALL}"
    return f"On hold: {what}", "\n".join([HEAD, *lines, shown])
