"""The coming tasks as a calendar that a phone can subscribe to: iCalendar with alarms; pure.

Source: [RFC5545] 3.6.1 (VEVENT), 3.6.5 (VTIMEZONE), 3.6.6 (VALARM), 3.8.2.4, 3.8.7.2 and 3.8.7.4 (DTSTART, DTSTAMP,
SEQUENCE); name and refresh interval of the whole: [RFC7986] 5.1 and 5.7.
"""

from __future__ import annotations

import hashlib
import uuid
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

from alerts.agenda import Coming, agenda
from alerts.findings import Tick
from alerts.holding import HEAD
from alerts.nudges import DOING
from alerts.tasks import OF_PROMISES
from dashboards.zonerules import zone_component
from monitor.amounts import say_day, say_list, say_trays
from monitor.farm import Farm
from monitor.readings import from_ms, to_ms

LASTS = timedelta(minutes=15)
"""How much of the day an entry takes. Our choice."""
REFRESH = timedelta(hours=1)
"""How often a phone is asked to look again."""
_NAMESPACE = uuid.UUID("6f1c52b0-6a0e-5c0e-9d2b-3f0f0f9a4a11")


@dataclass(frozen=True, slots=True, kw_only=True)
class FeedEntry:
    """One entry of the calendar.

    Attributes:
        uid: What it is called for ever, in the whole world.
        starts_at: When it begins.
        summary: What to do, in a few words.
        place: Where, in words; empty: nowhere in particular.
        text: The whole move, why, and its cautions.
        url: Address of the batch's page; empty: the pages have no address that a phone reaches.
    """

    uid: str
    starts_at: datetime
    summary: str
    place: str
    text: str
    url: str

    @property
    def digest(self) -> str:
        """Return a short mark of all that it says."""
        said = "\x1f".join((self.starts_at.isoformat(), self.summary, self.place, self.text, self.url))
        return hashlib.sha256(said.encode()).hexdigest()[:16]


@dataclass(frozen=True, slots=True, kw_only=True)
class Revision:
    """How often an entry was changed.

    Attributes:
        sequence: 0 at first, one more with every change.
        revised_at: When it was last changed.
        digest: Mark of what it said then.
    """

    sequence: int
    revised_at: datetime
    digest: str


Revisions = Mapping[str, Revision]


def feed_entries(tick: Tick, *, ledger_began: datetime | None, url: str | None) -> tuple[FeedEntry, ...]:
    """Return the coming tasks as calendar entries, by time.

    Args:
        tick: The moment.
        ledger_began: When the ledger's first entry was written; with the farm's name it makes names unique.
        url: The pages' address, e.g. ``https://farm.example``; None: none that a phone reaches.
    """
    began = ledger_began.isoformat() if ledger_began else ""
    return tuple(_entry(each, tick, f"{tick.farm.name}|{began}", url) for each in agenda(tick))


def _entry(coming: Coming, tick: Tick, origin: str, url: str | None) -> FeedEntry:
    """Return one coming task as an entry."""
    farm = tick.farm
    names = dict.fromkeys(farm.places.name(group.spot) for group in coming.groups if group.spot)
    is_held = coming.kind not in OF_PROMISES and bool(tick.batches[coming.batch].holds)
    path = "ahead" if coming.kind in OF_PROMISES else f"batch/{coming.batch}"
    return FeedEntry(
        uid=f"{uuid.uuid5(_NAMESPACE, f'{origin}|{coming.name}')}",
        starts_at=coming.at,
        summary=_summary(coming, tick, is_held=is_held),
        place=say_list(list(names)),
        text="\n".join(_text(coming, tick, is_held=is_held)),
        url=f"{url.rstrip('/')}/{path}" if url else "",
    )


def _summary(coming: Coming, tick: Tick, *, is_held: bool) -> str:
    """Return what to do in a few words."""
    profile = tick.profiles.get(coming.crop)
    crop = profile.name.lower() if profile else coming.crop
    doing = DOING[coming.kind]
    what = "promise" if coming.kind in OF_PROMISES else "batch"
    count = f" {say_trays(coming.trays)}," if coming.trays else ""
    head = "ON HOLD. " if is_held else ""
    return f"{head}{doing[:1].upper()}{doing[1:]}:{count} {what} {coming.batch} {crop}"


def _text(coming: Coming, tick: Tick, *, is_held: bool) -> list[str]:
    """Return the whole move, why, until when, and what to mind."""
    lines = [f"{HEAD}."] if is_held else []
    lines.append(coming.move)
    if coming.why:
        lines.append(coming.why)
    if not coming.is_open:
        late = f" At the latest {say_day(coming.latest_on)}." if coming.latest_on > coming.usual_on else ""
        lines.append(f"Expected: it moves with what is entered before it.{late}")
    return [*lines, *(f"Take care: {caution}" for caution in coming.cautions)]


def revised(known: Revisions, entries: Iterable[FeedEntry], now: datetime) -> dict[str, Revision]:
    """Return the revisions after a look: an entry that says something else is one further; what is over is dropped."""
    found = {}
    for entry in entries:
        before = known.get(entry.uid)
        if before is not None and before.digest == entry.digest:
            found[entry.uid] = before
            continue
        sequence = 0 if before is None else before.sequence + 1
        found[entry.uid] = Revision(sequence=sequence, revised_at=now.replace(microsecond=0), digest=entry.digest)
    return found


def keep_revisions(revisions: Revisions) -> dict[str, list[Any]]:
    """Return revisions as they are kept."""
    return {uid: [each.sequence, to_ms(each.revised_at), each.digest] for uid, each in revisions.items()}


def read_revisions(kept: Mapping[str, Any] | None) -> dict[str, Revision]:
    """Return revisions from what was kept of them; none where nothing was."""
    return {
        uid: Revision(sequence=int(sequence), revised_at=from_ms(int(at_ms)), digest=str(digest))
        for uid, (sequence, at_ms, digest) in (kept or {}).items()
    }


def to_icalendar(farm: Farm, entries: Iterable[FeedEntry], revisions: Revisions) -> bytes:
    """Return the calendar as a file: folded lines ended by CR LF, times in the farm's zone with its rules beside them.

    Args:
        farm: The farm.
        entries: Its entries.
        revisions: The revision of each of them.
    """
    from icalendar import Calendar, vDuration

    calendar = Calendar()
    calendar.add("prodid", "-//Traywarden//coming tasks//EN")
    calendar.add("version", "2.0")
    calendar.add("calscale", "GREGORIAN")
    calendar.add("name", farm.name)
    calendar.add("x-wr-calname", farm.name)
    calendar.add("refresh-interval", vDuration(REFRESH), parameters={"VALUE": "DURATION"})
    listed = list(entries)
    years = [entry.starts_at.year for entry in listed]
    if years:
        first, last = datetime(min(years) - 1, 1, 1, tzinfo=UTC), datetime(max(years) + 2, 1, 1, tzinfo=UTC)
        calendar.add_component(zone_component(farm.zone, first, last))
    for entry in listed:
        calendar.add_component(_event(farm, entry, revisions[entry.uid]))
    text: bytes = calendar.to_ical()
    return text


def _event(farm: Farm, entry: FeedEntry, revision: Revision) -> Any:
    """Return one entry as a VEVENT that rings when it begins, and does not mark its time as busy."""
    from icalendar import Alarm, Event, vUri

    event = Event()
    event.add("uid", entry.uid)
    event.add("dtstamp", revision.revised_at)
    event.add("last-modified", revision.revised_at)
    event.add("sequence", revision.sequence)
    event.add("dtstart", entry.starts_at.astimezone(farm.zone))
    event.add("duration", LASTS)
    event.add("summary", entry.summary)
    event.add("description", entry.text)
    event.add("transp", "TRANSPARENT")
    if entry.place:
        event.add("location", entry.place)
    if entry.url:
        event.add("url", vUri(entry.url))
    alarm = Alarm()
    alarm.add("action", "DISPLAY")
    alarm.add("description", entry.summary)
    alarm.add("trigger", timedelta())
    event.add_component(alarm)
    return event
