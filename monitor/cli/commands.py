"""Which commands there are, what each says of itself, and where it stands; nothing is imported here."""

from __future__ import annotations

from typing import NamedTuple


class Known(NamedTuple):
    """One command: the section of the help that it stands in, its one-line help, and ``module:attribute``."""

    section: str
    says: str
    where: str


START = "Start"
WALK = "On the walk"
SOWING = "Sowing and stacking"
TRAYS = "The trays in the room"
LEAVING = "What leaves the room"
BOOK = "The book"
ROOM = "Room and sensors"

SECTIONS = (START, WALK, SOWING, TRAYS, LEAVING, BOOK, ROOM)

COMMANDS: dict[str, Known] = {
    "init": Known(START, "Write a farm.toml by answering a few questions.", "monitor.cli.init:init"),
    "check": Known(
        START, "Look over farm.toml, crop profiles and broker; list every fault.", "monitor.cli.check:check"
    ),
    "keys": Known(START, "List every key that farm.toml may hold.", "monitor.cli.check:keys"),
    "unit-file": Known(START, "Print a systemd unit for this farm.", "monitor.cli.check:unit_file"),
    "run": Known(START, "Listen, judge and nudge until stopped.", "monitor.cli.run:run"),
    "demo": Known(START, "Run a simulated cellar through 14 days in a minute.", "monitor.cli.demo:demo"),
    "rounds": Known(
        WALK, "What is to be done at the round now, next, or at a given time.", "monitor.cli.rounds:rounds"
    ),
}
