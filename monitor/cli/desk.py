"""What every verb works with: farm, ledger and batches; how entries are written and told."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, ParamSpec, TypeVar

import click

import monitor.desk
from dashboards.facts.batches import entry_json
from monitor.batches import Batch
from monitor.cli.common import Context, json_option
from monitor.desk import Deed
from monitor.fold import check_append, fold
from monitor.ledger import Entry, NewEntry
from monitor.verbs import next_words

P = ParamSpec("P")
R = TypeVar("R")


class Desk(monitor.desk.Desk):
    """A desk of the command line: what is worked out at it is written to the farm's ledger, and told."""

    def __init__(self, context: Context, by: str | None, at: str | None) -> None:
        """Read the ledger, and settle who did it and when."""
        farm, profiles = context.farm(), context.profiles()
        self.context, self.ledger = context, context.ledger()
        super().__init__(farm, profiles, self.ledger.entries(), now=context.clock(), by=by, at=at)

    def note(self, deed: Deed, *, facts: Mapping[str, Any] | None = None) -> None:
        """Write a deed down, and tell it."""
        self.write([*deed.entries], [*deed.said], facts=facts)

    def write(
        self,
        entries: list[NewEntry],
        said: list[str],
        *,
        facts: Mapping[str, Any] | None = None,
        quietly: bool = False,
    ) -> tuple[Entry, ...]:
        """Write entries down, and tell what was noted, what to mind, and what comes next.

        Args:
            entries: What to write; several are kept as one answer, which `traywarden undo` takes back as one.
            said: What was noted, in sentences.
            facts: More for --json.
            quietly: What comes next is not said.
        """
        entries = self.as_one(entries)
        written = self.ledger.append(
            entries,
            recorded_at=self.now,
            check=lambda known: check_append(known, entries, recorded_at=self.now),
        )
        batches = fold(self.ledger.entries())
        known = [entry.batch for entry in written if entry.batch in batches and not quietly]
        ahead: dict[str | None, list[str]] = {batch: list(self._next(batches[batch])) for batch in known if batch}
        self._tell(written, said, ahead, facts or {})
        return written

    def _next(self, batch: Batch) -> tuple[str, ...]:
        """Return what comes next for a batch."""
        profile = self.profiles.get(batch.crop)
        return () if profile is None else next_words(batch, profile, now=self.now, zone=self.farm.zone)

    def _tell(
        self,
        written: tuple[Entry, ...],
        said: list[str],
        ahead: Mapping[str | None, list[str]],
        facts: Mapping[str, Any],
    ) -> None:
        """Tell the person, or print the facts."""
        for warning in self.warnings:
            self.context.warn(f"Mind: {warning}")
        if self.context.as_json:
            self.context.echo_json(
                {
                    "schema": "traywarden.entry/1",
                    "entries": [entry_json(entry) for entry in written],
                    "warnings": self.warnings,
                    "care": self.care,
                    "next": {str(batch): words for batch, words in ahead.items()},
                    **facts,
                }
            )
            return
        for line in said:
            self.context.echo(line)
        for batch, words in ahead.items():
            head = f"Next for batch {batch}" if len(ahead) > 1 else "Next"
            for each in words:
                self.context.echo(f"{head}: {each}.")
        for line in self.care:
            self.context.echo(f"Take care: {line}")


def common(command: Callable[P, R]) -> Callable[P, R]:
    """Give a verb --at, --by and --json."""
    command = json_option(command)
    command = click.option(
        "--by", envvar="TRAYWARDEN_BY", metavar="WHO", help="Who did it; also TRAYWARDEN_BY; else the first person."
    )(command)
    return click.option("--at", metavar="WHEN", help="When, if not now: 07:30, 'yesterday 18:00', 'tue 7:30'.")(command)


def part(command: Callable[P, R]) -> Callable[P, R]:
    """Give a verb --trays and --spot, for a part of a batch."""
    command = click.option("--spot", metavar="PLACE", help="Which trays: those that stand here, e.g. 1/2.")(command)
    return click.option("--trays", type=click.IntRange(min=1), help="How many, if not all that fit.")(command)
