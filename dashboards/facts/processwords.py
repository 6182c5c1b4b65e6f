"""How the processes are that share a farm's work, in words, and what they lack between them; pure."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from monitor.amounts import say_list, say_time
from monitor.farm import Farm
from monitor.feeds import PUSHED
from monitor.processes import Collector, Processes, Unwatched, Watcher


def process_lines(processes: Processes, unwatched: Sequence[Unwatched], farm: Farm, *, is_whole: bool) -> Iterator[str]:
    """Yield how each collector and watcher is, with how to go on where one is away, and which rooms nobody watches.

    Args:
        processes: The collectors and watchers that share the farm, if any do.
        unwatched: Rooms that nobody has now.
        farm: The farm.
        is_whole: One process does it all, and gave a sign of life lately.
    """
    for each in processes.collectors:
        yield from _of_collector(each, farm, is_whole=is_whole)
    for watcher in processes.watchers:
        yield from _of_watcher(watcher, farm, is_whole=is_whole)
    for free in unwatched:
        since = f"since {say_time(free.since, farm.zone)}" if free.since else "and nobody ever did"
        yield f"NOBODY WATCHES {farm.places.name(free.room)}, {since}."


def _how(process: Collector | Watcher) -> str:
    """Return whether it runs."""
    return "runs" if process.is_alive else "was stopped" if process.has_stopped else "GIVES NO SIGN OF LIFE"


def _of_collector(each: Collector, farm: Farm, *, is_whole: bool) -> Iterator[str]:
    """Yield how a collector is; what it counts is as it last wrote it down."""
    started, beat = say_time(each.started_at, farm.zone), say_time(each.beat_at, farm.zone)
    yield (
        f"Collector {each.name} on {each.host} {_how(each)}: {_count(each.readings, 'reading')} since its start "
        f"{started}; last sign of life {beat}."
    )
    if each.is_alive and each.listens and not each.is_connected:
        yield "  The broker DOES NOT ANSWER it."
    if each.waiting:
        yield f"  {_count(each.waiting, 'reading')} {_verb(each.waiting)} on {each.host} for the InfluxDB."
    if each.refused:
        was = "was" if each.refused == 1 else "were"
        yield f"  {_count(each.refused, 'row')} {was} refused by the InfluxDB: `traywarden unread` on {each.host}."
    if each.quarantined:
        many = _count(each.quarantined, "message")
        yield f"  {many} could not be read since its start: `traywarden unread` on {each.host}."
    if each.trouble and each.is_alive:
        yield f"  Trouble: {each.trouble}."
    if each.is_alive:
        for name, trouble in each.feeds:
            yield f"  {name}: {trouble or 'is read'}."
    elif is_whole:
        yield f"  The broker goes on keeping a share for it; beside `traywarden run`, {_taken_out(each)}"
    else:
        yield from _way_on(each)


def _way_on(each: Collector) -> Iterator[str]:
    """Yield what a collector that is away leaves undone, and how to go on."""
    if each.feeds:
        yield f"  Nobody reads {say_list([name for name, _ in each.feeds])} meanwhile."
    same = " with the same --line and --folder" if each.feeds else ""
    share = "Its share of the messages waits with the broker, for 30 days. " if each.listens else ""
    again = f"Start it again: traywarden collect --name {each.name}{same}"
    yield f"  {share}{again}; or, if it will not come back, {_taken_out(each)}"


def _taken_out(each: Collector) -> str:
    """Return how a collector is taken out."""
    return f"take it out for good, on {each.host} if that still runs: traywarden collect --name {each.name} --retire"


def _of_watcher(each: Watcher, farm: Farm, *, is_whole: bool) -> Iterator[str]:
    """Yield how a watcher is, and what it has."""
    names = [farm.places.name(room) for room in each.rooms if room]
    names += ["what belongs to no room"] if "" in each.rooms else []
    has = f", watches {say_list(names)}" if names else ", watches nothing now" if each.is_alive else ""
    waits = [farm.places.name(room) for room in each.stands_by]
    stands = f", stands by for {say_list(waits)}" if waits else ""
    beat = say_time(each.beat_at, farm.zone)
    yield f"Watcher {each.name} on {each.host} {_how(each)}{has}{stands}; last sign of life {beat}."
    if not each.is_alive and not is_whole:
        yield (
            f"  Start it again: traywarden watch --name {each.name}; or, if it will not come back, forget it: "
            f"traywarden watch --name {each.name} --retire"
        )


def needs_collectors(farm: Farm) -> bool:
    """Tell whether readings come in by a broker, a Modbus line or a folder; what is pushed needs no collector."""
    topics = (sensor.topic for sensor in farm.sensors.values())
    heard = any(topic and not topic.startswith(PUSHED) for topic in topics)
    return heard or bool(farm.feeds.lines or farm.feeds.folders)


def lacking(
    processes: Processes, unwatched: Sequence[Unwatched], farm: Farm, *, is_whole: bool, ran_last: bool
) -> str | None:
    """Return what of the work nobody does now, with how to mend it; None: all is done.

    Args:
        processes: The collectors and watchers that share the farm, if any do.
        unwatched: Rooms that nobody has now.
        farm: The farm.
        is_whole: One process does it all, and gave a sign of life lately.
        ran_last: That was so before, later than any collector or watcher was.
    """
    if is_whole:
        return None
    if not processes.are_several or (ran_last and not processes.any_lives and not processes.any_collects):
        return "the monitor is not running; start it with `traywarden run`"
    lacks = [*_without_watcher(processes, unwatched), *_without_collector(processes, farm)]
    return "; ".join(lacks) or None


def _without_watcher(processes: Processes, unwatched: Sequence[Unwatched]) -> Iterator[str]:
    """Yield what nobody watches."""
    if not processes.any_lives:
        stored = "readings are stored, but " if processes.any_collects else ""
        yield f"no watcher runs: {stored}nothing is judged and nobody is nudged; start one: traywarden watch"
    elif unwatched:
        rooms = " ".join(f"--room {each.room}" for each in unwatched)
        yield f"not every room is watched; start a watcher: traywarden watch {rooms}"


def _without_collector(processes: Processes, farm: Farm) -> Iterator[str]:
    """Yield what nobody takes in."""
    if processes.any_collects or not needs_collectors(farm):
        away = [each.name for each in processes.collectors if not each.is_alive]
        if away:
            one = len(away) == 1
            yield f"collector{'' if one else 's'} {say_list(away)} {'is' if one else 'are'} away; that share comes late"
    else:
        name = next((each.name for each in processes.collectors), "NAME")
        yield f"no collector runs, so no sensor is heard; start one: traywarden collect --name {name}"


def _count(number: int, noun: str) -> str:
    """Return a number with its noun."""
    return f"{number:,} {noun}{'' if number == 1 else 's'}"


def _verb(number: int) -> str:
    """Return the verb of what waits."""
    return "waits" if number == 1 else "wait"
