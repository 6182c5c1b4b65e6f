"""The commented farm.toml that a grower begins with, from what they said of the farm; pure."""

from __future__ import annotations

from dataclasses import dataclass, field

from monitor.farmplaces import MOST_SHELVES, MOST_TRAYS
from monitor.keys import KEYS

MOST_ON_A_RACK = MOST_SHELVES * MOST_TRAYS
_MEANS = {(key.table, key.name): key.means for key in KEYS}
_COMMENT_FROM = 34


@dataclass(frozen=True, slots=True, kw_only=True)
class Answers:
    """What a grower says of the farm.

    Attributes:
        name: What it is called.
        zone: Time zone by name.
        units: metric or US: what is shown.
        trays: How many trays stand there at most.
        racks: How many racks.
        shelves: How many shelves each has.
        crops: Profile ids of the crops that are grown.
        delivery_days: Weekdays as WEEKDAYS has them.
        rounds: Times like 07:30, ascending.
        lamp: Lamp hours.
        person: Name or initials.
        reached_by: console, file or address.
    """

    name: str = "My farm"
    zone: str = "UTC"
    units: str = "metric"
    trays: int = 24
    racks: int = 1
    shelves: int = 4
    crops: tuple[str, ...] = field(default=("radish", "pea", "basil"))
    delivery_days: tuple[str, ...] = field(default=("fri",))
    rounds: tuple[str, ...] = field(default=("07:30", "17:00"))
    lamp: str = "06:00-22:00"
    person: str = "me"
    reached_by: str = "console"

    @property
    def trays_per_shelf(self) -> int:
        """Return how many trays a shelf must hold for all of them."""
        return max(1, -(-self.trays // (self.racks * self.shelves)))

    @property
    def address_file(self) -> str:
        """Return the name of the file that holds the address at which the person is reached."""
        return f"{self.person}-address.txt"


def quoted(said: str) -> str:
    """Return a text as TOML writes it. Source: [TOML] 1.0.0, basic strings."""
    escaped = said.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(each if each.isprintable() else f"\\U{ord(each):08x}" for each in escaped) + '"'


def _list(words: tuple[str, ...]) -> str:
    """Return words as a TOML list."""
    return "[" + ", ".join(quoted(word) for word in words) + "]"


def _line(table: str, key: str, value: str, *, off: bool = False) -> str:
    """Return one key with its value, and what it means beside it; ``off`` makes the whole line a comment."""
    said = f"{'# ' if off else ''}{key} = {value}"
    return f"{said:<{_COMMENT_FROM}}  # {_MEANS[table, key]}"


def _table(table: str, *pairs: tuple[str, str], off: bool = False, single: bool = False) -> str:
    """Return a table, its keys explained; ``off`` makes all of it a comment."""
    header = f"[{table}]" if single else f"[[{table}]]"
    return "\n".join([f"{'# ' if off else ''}{header}", *(_line(table, key, value, off=off) for key, value in pairs)])


def _farm(answers: Answers) -> str:
    """Return the [farm] table."""
    lines = [
        _table(
            "farm",
            ("name", quoted(answers.name)),
            ("time_zone", quoted(answers.zone)),
            ("units", quoted(answers.units)),
            ("rounds", _list(answers.rounds)),
            ("delivery_days", _list(answers.delivery_days)),
            single=True,
        ),
        _line("farm", "loss_percent", "5", off=True),
        _line("farm", "profiles", '"profiles"', off=True),
        f"# Crops that you said you grow: {', '.join(answers.crops)}. `traywarden profiles` lists all that are known.",
    ]
    return "\n".join(lines)


def _places(answers: Answers) -> list[str]:
    """Return rooms, racks and other places."""
    racks = [
        f'[[rack]]\nid = "{number}"\nroom = "room"\nshelves = {answers.shelves}\n'
        f"trays_per_shelf = {answers.trays_per_shelf}"
        for number in range(1, answers.racks + 1)
    ]
    return [
        "# Places. A room holds racks, a rack holds shelves, a shelf holds trays: room/1/2 is shelf 2 of rack 1, and\n"
        "# 1/2 is enough to say so. They stand here in the order in which you walk.\n"
        + _table("room", ("id", '"room"'), ("name", '"the room"'), ("lamp", quoted(answers.lamp))),
        *racks,
        _table("shelf", ("rack", '"1"'), ("number", "1"), ("lamp", '"05:00-21:00"'), off=True),
        _table(
            "place",
            ("id", '"cold"'),
            ("name", '"the cold store"'),
            ("kind", '"cold store"'),
            ("limits", "{ temperature = { low = 1, high = 5 } }"),
            off=True,
        ),
    ]


def _reach(answers: Answers) -> list[str]:
    """Return channels and people."""
    channels = [
        _table("channel", ("id", '"console"'), ("kind", '"console"')),
        _table("channel", ("id", '"file"'), ("kind", '"jsonl"'), ("path", '"nudges.jsonl"'))
        if answers.reached_by == "file"
        else "",
        "# E-mail, webhooks and the rest: the address often holds a password, so it stands in a file of its own.\n"
        + _table(
            "channel",
            ("id", '"address"'),
            ("kind", '"apprise"'),
            ("url_file", quoted(answers.address_file)),
            off=answers.reached_by != "address",
        ),
    ]
    person = _table(
        "person",
        ("id", quoted(answers.person)),
        ("channels", _list((answers.reached_by,))),
        ("quiet", '"21:00-06:30"'),
    )
    return [*filter(None, channels), person + "\n" + _line("person", "days", '["mon", "wed", "fri"]', off=True)]


def _sensors() -> str:
    """Return a sensor as a comment, since topics can wait."""
    return (
        "# Sensors can wait: without one, Traywarden tells you what is due by days. When one publishes,\n"
        "# `traywarden check --listen 60` shows what it hears, with lines like these to paste.\n"
        + _table(
            "sensor",
            ("id", '"air-1"'),
            ("quantity", '"temperature"'),
            ("spot", '"1/2"'),
            ("topic", '"room/node1"'),
            ("record", '"temperature"'),
            off=True,
        )
    )


def farm_text(answers: Answers) -> str:
    """Return a commented farm.toml; every commented table and key in it may be brought in as it stands."""
    tray = _table("tray", ("id", '"1020"'), ("length_mm", "508"), ("width_mm", "254"), ("medium", '"coir"'))
    broker = [
        '# The embedded broker will do to begin with. For sensors of your own take mosquitto (README, "The broker"):\n'
        "# take out the line with embedded, and name its host instead.\n"
        + _table("broker", ("embedded", "true"), single=True),
        _line("broker", "port", "1883", off=True),
    ]
    storage = [
        _table("storage", ("folder", '"data"'), single=True),
        _line("storage", "ledger_copies", '"copies"', off=True),
    ]
    parts = [
        "# What Traywarden knows of the farm. `traywarden check` looks it over, `traywarden keys` lists all that may\n"
        "# stand here. Paths start from this file's folder.",
        _farm(answers),
        *_places(answers),
        tray,
        *_reach(answers),
        _sensors(),
        "\n".join(broker),
        "\n".join(storage),
    ]
    return "\n\n".join(parts) + "\n"
