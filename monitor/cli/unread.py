"""``traywarden unread``: what came in and could not be read, why, and trying it again once farm.toml is mended."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from datetime import datetime, time
from typing import TYPE_CHECKING, Any

import click

from monitor.amounts import say_time
from monitor.cli.common import Context, json_option
from monitor.clock import at_local, local_day
from monitor.errors import RejectedRowsError, TimeError
from monitor.timewords import read_day, read_instant
from monitor.unread import QUARANTINE_ROWS, REFUSED, Alike, Unread, bundled, plain_text

if TYPE_CHECKING:
    from collectors.again import Tried
    from monitor.farm import Farm
    from monitor.readings import Block
    from monitor.stores.spool import Spool
    from monitor.stores.sqlite import SqliteReadingStore

_SHOWN, _SHOWN_WHOLE, _WHY_SHOWN = 160, 2_000, 500
"""Characters of a payload in the list, with --all, and of a reason."""
_BUNDLES = 20
_SOURCES = {"file/": "a file", "modbus/": "Modbus", "push/": "pushed"}


@dataclass(slots=True)
class _Kept:
    """What is kept of what could not be read, and where."""

    aside: SqliteReadingStore | None
    spools: list[Spool]
    messages: list[Unread] = field(default_factory=list)
    by_spool: list[list[Unread]] = field(default_factory=list)

    def look(self, since: datetime | None, topic: str | None) -> None:
        """Read what is kept since an instant of a topic; None: all."""
        from collectors.routes import matches

        def wanted(each: Unread) -> bool:
            return (since is None or each.arrived_at >= since) and (topic is None or matches(topic, each.topic))

        found = [] if self.aside is None else self.aside.unread.newest()
        self.by_spool = [[each for each in spool.unread() if wanted(each)] for spool in self.spools]
        if self.spools:  # it keeps all of them, the quarantine some, for who has no spool any more
            found = [each for each in found if each.topic != REFUSED]
        self.messages = [each for each in found if wanted(each)]

    @property
    def refused(self) -> list[Unread]:
        """Return the rows that an InfluxDB refused, of all spools of this machine."""
        return [each for rows in self.by_spool for each in rows]

    def refused_count(self) -> int:
        """Return how many such rows are kept."""
        return sum(spool.refused_count() for spool in self.spools)

    def take_out(self, read: Sequence[Unread], *, reworded: Sequence[Unread] = ()) -> None:
        """Let go of messages that are read now, and note a new reason of others."""
        if self.aside is not None:
            self.aside.unread.take_out(read, reworded=reworded)

    def all(self) -> list[Unread]:
        """Return all of them, newest first."""
        return sorted([*self.messages, *self.refused], key=lambda each: each.arrived_at, reverse=True)

    def close(self) -> None:
        """Let go of the files."""
        if self.aside is not None:
            self.aside.close()
        for spool in self.spools:
            spool.close()


def _opened(farm: Farm) -> _Kept:
    """Open what is there; nothing is begun where nothing was kept."""
    from monitor.stores.opening import quarantine_store
    from monitor.stores.spool import SPOOL_FILES, Spool
    from monitor.stores.sqlite import READINGS_FILE

    folder = farm.storage.folder
    most = farm.storage.influx.spool_mb * 1_000_000 if farm.storage.influx else 0
    return _Kept(
        quarantine_store(farm) if (folder / READINGS_FILE).exists() else None,
        [Spool(path, most_bytes=most) for path in sorted(folder.glob(SPOOL_FILES))],
    )


def _since(said: str | None, context: Context) -> datetime | None:
    """Return the instant that a person means; of a day its begin."""
    if said is None:
        return None
    zone, now = context.farm().zone, context.clock()
    try:
        return at_local(read_day(said, today=local_day(now, zone), ahead=False), time(0), zone)
    except TimeError:
        return read_instant(said, now=now, zone=zone)


def _source(topic: str) -> str:
    """Return how something came in."""
    if topic == REFUSED:
        return "refused by the InfluxDB"
    return next((says for begins, says in _SOURCES.items() if topic.startswith(begins)), "MQTT")


def _facts(alike: Alike, most: int) -> dict[str, Any]:
    """Return messages alike as the documented JSON."""
    newest = alike.newest
    return {
        "topic": plain_text(newest.topic, _SHOWN),
        "source": _source(newest.topic),
        "count": alike.count,
        "first_at": alike.first_at.isoformat(),
        "last_at": newest.arrived_at.isoformat(),
        "why": plain_text(newest.why, _WHY_SHOWN),
        "payload": plain_text(newest.payload, most),
        "payload_bytes": len(newest.payload),
    }


def _lines(facts: dict[str, Any], farm: Farm) -> list[str]:
    """Return messages alike in words."""
    first, last = (say_time(datetime.fromisoformat(facts[key]), farm.zone) for key in ("first_at", "last_at"))
    when = f"{facts['count']} alike, {first} to {last}" if facts["count"] > 1 else last
    what = "the last" if facts["count"] > 1 else "it said"
    name = "" if facts["topic"] == REFUSED else f"{facts['topic']} "
    return [f"{name}({facts['source']}): {when}", f"    {facts['why']}", f"    {what}: {facts['payload']}"]


def _end_lines(kept: _Kept, shown: int, alike: int) -> list[str]:
    """Return what stands under the list: what it leaves out, how much is kept, and what can be done."""
    from monitor.stores.spool import REFUSED_KEPT

    lines = [f"And {alike - shown} more kinds: --all lists every one."] if alike > shown else []
    count = 0 if kept.aside is None else kept.aside.unread.count()
    lines.append(f"{count} are kept; of more than {QUARANTINE_ROWS:,} the oldest go.")
    if kept.spools:
        lines.append(f"Rows that an InfluxDB refused: {kept.refused_count()}; of {REFUSED_KEPT:,} the oldest go.")
    lines.append("Mend the device or farm.toml, then: traywarden unread --again")
    return lines


@click.command(
    epilog="Example: traywarden unread --topic 'grow/#' --since yesterday\n\nExample: traywarden unread --again"
)
@click.option("--since", metavar="WHEN", help="Only what came since then: yesterday, tue, '07:30', 2026-03-02.")
@click.option("--topic", metavar="TOPIC", help="Only this topic; + and # stand for any, as in farm.toml.")
@click.option("--all", "each_one", is_flag=True, help="Every one by itself, with more of what it said.")
@click.option("--again", is_flag=True, help="Try them again by farm.toml as it is now, and store what can be read.")
@json_option
@click.pass_obj
def unread(context: Context, since: str | None, topic: str | None, each_one: bool, again: bool) -> None:
    """List what came in and could not be read: when, from where, how many alike, why, and what it said.

    Messages, rows of files, registers and pushed readings that cannot be read are kept with the reason, the newest
    thousand. Once farm.toml is mended, --again puts them in with the time at which they came. What can be read then
    is taken off this list, the rest stays; a running monitor may go on meanwhile.
    """
    farm = context.farm()
    kept = _opened(farm)
    try:
        kept.look(_since(since, context), topic)
        tried = _try_again(context, kept) if again else None
        if tried is not None:
            kept.look(_since(since, context), topic)
        alike = [Alike(newest=each, count=1, first_at=each.arrived_at) for each in kept.all()]
        alike = alike if each_one else bundled(kept.all())
        facts = [_facts(each, _SHOWN_WHOLE if each_one else _SHOWN) for each in alike]
        if context.as_json:
            context.echo_json(_json(context, kept, facts, tried, "messages" if each_one else "alike"))
            return
        for line in [] if tried is None else _tried_lines(tried):
            context.echo(line)
        if tried is not None and tried.read:
            _tell_running(context)
        shown = facts if each_one else facts[:_BUNDLES]
        for line in (line for each in shown for line in _lines(each, farm)):
            context.echo(line)
        if not facts:
            context.echo("Nothing is set aside: all that came could be read." if not (since or topic) else "None.")
        else:
            for line in _end_lines(kept, len(shown), len(facts)):
                context.echo(line)
    finally:
        kept.close()


def _json(
    context: Context, kept: _Kept, facts: Sequence[dict[str, Any]], tried: Tried | None, name: str
) -> dict[str, Any]:
    """Return the documented JSON."""
    from monitor.stores.spool import REFUSED_KEPT

    found: dict[str, Any] = {
        "schema": "traywarden.unread/1",
        "at": context.clock().isoformat(),
        "count": len(kept.messages),
        "kept_at_most": QUARANTINE_ROWS,
        "refused_count": len(kept.refused),
        "refused_kept_at_most": REFUSED_KEPT,
        name: list(facts),
    }
    if tried is not None:
        found["again"] = {
            "read": len(tried.read),
            "still_unread": len(tried.still),
            "readings_stored": tried.stored,
            "readings_stored_before": tried.known,
        }
    return found


def _tried_lines(tried: Tried) -> list[str]:
    """Return what came of another try."""
    before = f" ({tried.known} were stored before)" if tried.known else ""
    lines = [f"{len(tried.read)} could be read now and are off the list: {tried.stored} readings stored{before}."]
    if tried.still:
        lines.append(f"{len(tried.still)} still cannot be read, and stay:")
    return lines


def _try_again(context: Context, kept: _Kept) -> Tried:
    """Put what can be read now through the way of every message, and take it off the list once it is stored."""
    from collectors.again import Again, Tried, sent_again
    from collectors.asidefiles import FilesAgain
    from collectors.seenfiles import WATCHED_FILE, SeenFiles
    from monitor.calibration import as_of_its_day, calibrations_of
    from monitor.stores.opening import open_influx, open_readings, telling

    farm = context.farm()
    if not (kept.messages or kept.refused):
        return Tried()
    made = calibrations_of(context.ledger().entries())
    files = FilesAgain(farm, SeenFiles(farm.storage.folder / WATCHED_FILE))
    with closing(open_readings(farm)) as store:
        again = Again(
            farm, store, calibrate=lambda who, value, at_ms: as_of_its_day(made, who.id, value, at_ms), files=files
        )
        tried = again.read([each for each in kept.messages if each.topic != REFUSED])
        kept.take_out(tried.read, reworded=tried.still)
        rows = [*kept.refused, *(each for each in kept.messages if each.topic == REFUSED)]
        if rows:
            with closing(open_influx(farm, farm.storage.influx) if farm.storage.influx else open_readings(farm)) as to:
                sent = sent_again(rows, store, _told(to.append, telling(farm)))
            gone = {id(each) for each in sent.read}
            for spool, own in zip(kept.spools, kept.by_spool, strict=True):
                spool.take_out([each for each in own if id(each) in gone])
            kept.take_out(_shown_of(sent.read, kept))
            tried = Tried(
                read=[*tried.read, *sent.read],
                still=[*tried.still, *sent.still],
                stored=tried.stored + sent.stored,
                known=tried.known + sent.known,
            )
    return tried


def _told(append: Callable[[Block], None], tell: Callable[[Block], None]) -> Callable[[Block], None]:
    """Return what stores a block, and tells those who follow the store of it, though some of it be refused."""

    def store(block: Block) -> None:
        try:
            append(block)
        except RejectedRowsError:
            tell(block)
            raise
        tell(block)

    return store


def _shown_of(read: Sequence[Unread], kept: _Kept) -> list[Unread]:
    """Return what the quarantine shows of some refused rows."""
    rows = {each.payload for each in read}
    found = [] if kept.aside is None else kept.aside.unread.newest()
    return [each for each in found if each.topic == REFUSED and each.payload in rows]


def _tell_running(context: Context) -> None:
    """Say that a monitor which runs goes by the farm.toml of its start."""
    from alerts.outbox_sql import SqlOutbox
    from dashboards.facts.status import is_running
    from monitor.service import STATUS_STATE

    if is_running(SqlOutbox(context.ledger().engine).state(STATUS_STATE), context.clock()):
        context.echo("The running monitor goes by the farm.toml of its start: start it again if you changed that.")
