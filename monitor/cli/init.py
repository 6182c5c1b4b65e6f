"""``traywarden init``: a commented farm.toml from a few questions; Enter takes the default of each."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from zoneinfo import available_timezones

import click

from monitor.cli.common import Context
from monitor.errors import NotFoundError, RefusedError
from monitor.farmfile import parse_farm
from monitor.people import WEEKDAYS

CAUTIONS = (
    "Traywarden is a monitor, not a safety device: it cannot see germs, smoke or a leak, and must not be the only",
    "thing that watches a heater. Mains, heaters, lamps and pumps near water are for a licensed electrician, on",
    "ground-fault protected circuits; nothing mains-powered under a tray rack. Local codes and your local",
    "food-safety rules decide.",
)


@dataclass(slots=True, kw_only=True)
class Answers:
    """What a grower says of the farm."""

    name: str = "My farm"
    zone: str = "UTC"
    units: str = "metric"
    trays: int = 24
    racks: int = 1
    shelves: int = 4
    crops: list[str] = field(default_factory=lambda: ["radish", "pea", "basil"])
    delivery_days: list[str] = field(default_factory=lambda: ["fri"])
    rounds: list[str] = field(default_factory=lambda: ["07:30", "17:00"])
    lamp: str = "06:00-22:00"
    person: str = "me"

    @property
    def trays_per_shelf(self) -> int:
        """Return how many trays a shelf must hold for all of them, at least one."""
        return max(1, -(-self.trays // (self.racks * self.shelves)))


def system_zone() -> str:
    """Return the machine's time zone by name, or UTC where it cannot be told."""
    said = os.environ.get("TZ", "")
    if said in available_timezones():
        return said
    for path in (Path("/etc/timezone"), Path("/etc/localtime")):
        try:
            found = path.read_text(encoding="utf-8").strip() if path.name == "timezone" else str(path.resolve())
        except (OSError, UnicodeDecodeError):
            continue
        name = found.rpartition("zoneinfo/")[2] if path.name == "localtime" else found
        if name in available_timezones():
            return name
    return "UTC"


def _words(text: str) -> list[str]:
    """Return words parted by commas or blanks."""
    return [word for word in text.replace(",", " ").split() if word]


def _ask(question: str, default: str, read: Callable[[str], object]) -> str:
    """Ask until the answer can be read; Enter takes the default."""
    while True:
        said: str = click.prompt(question, default=default)
        try:
            read(said)
        except (RefusedError, ValueError) as exc:
            click.echo(f"  {exc}")
        else:
            return said


def _zone(said: str) -> None:
    if said not in available_timezones():
        raise RefusedError(f"{said!r} is no zone of the tz database; it looks like Europe/Lisbon or America/Denver")


def _units(said: str) -> None:
    if said not in ("metric", "US"):
        raise RefusedError("say metric or US")


def _count(low: int, high: int) -> Callable[[str], None]:
    def read(said: str) -> None:
        if not said.isdigit() or not low <= int(said) <= high:
            raise RefusedError(f"a number from {low} to {high}")

    return read


def _days(said: str) -> None:
    wrong = [word for word in _words(said) if word[:3].casefold() not in WEEKDAYS]
    if wrong:
        raise RefusedError(f"{wrong[0]!r} is no weekday; say e.g. tue fri, or none")


def _rounds(said: str) -> None:
    from datetime import time

    times = [time.fromisoformat(word.zfill(5)) for word in _words(said)]
    if not times or sorted(set(times)) != times:
        raise RefusedError("one time at least, in order, like 07:30 17:00")


def _person(said: str) -> None:
    if not said.replace("-", "").replace("_", "").isalnum():
        raise RefusedError("a short name or initials, without blanks")


def _crops(context: Context) -> Callable[[str], None]:
    def read(said: str) -> None:
        from monitor.profilefile import find_profile, shipped_profiles

        known = shipped_profiles()
        try:
            for word in _crop_names(said):
                find_profile(known, word)
        except NotFoundError as exc:
            raise RefusedError(f"{exc} (parted by commas)") from exc

    return read


def _crop_names(said: str) -> list[str]:
    """Return crops parted by commas, since their names have blanks."""
    return [word.strip() for word in said.split(",") if word.strip()]


def ask_all(context: Context) -> Answers:
    """Ask what matters; topics can wait."""
    usual = Answers(zone=system_zone())
    click.echo("Enter takes what stands in brackets. Everything can be changed in the file later.")
    name = _ask("What is the farm called?", usual.name, str)
    zone = _ask("Time zone?", usual.zone, _zone)
    units = _ask("Units: metric or US?", usual.units, _units)
    trays = int(_ask("How many trays at most?", str(usual.trays), _count(1, 2000)))
    racks = int(_ask("How many racks?", str(usual.racks), _count(1, 60)))
    shelves = int(_ask("Shelves on each rack?", str(usual.shelves), _count(1, 20)))
    crops = _crop_names(_ask("Which crops? (parted by commas)", ", ".join(usual.crops), _crops(context)))
    days = _words(_ask("On which weekdays do you deliver?", " ".join(usual.delivery_days), _days))
    rounds = _words(_ask("When do you walk the racks?", " ".join(usual.rounds), _rounds))
    person = _ask("Your name or initials?", usual.person, _person)
    return Answers(
        name=name,
        zone=zone,
        units=units,
        trays=trays,
        racks=racks,
        shelves=shelves,
        crops=crops,
        delivery_days=[day[:3].casefold() for day in days],
        rounds=[each.zfill(5) for each in rounds],
        person=person,
    )


def _quoted(words: list[str]) -> str:
    """Return words as a TOML list."""
    return "[" + ", ".join(f'"{word}"' for word in words) + "]"


def farm_text(answers: Answers) -> str:
    """Return a commented farm.toml."""
    name = answers.name.replace("\\", "\\\\").replace('"', '\\"')
    racks = "\n\n".join(
        f'[[rack]]\nid = "{number}"\nroom = "room"\nshelves = {answers.shelves}\n'
        f"trays_per_shelf = {answers.trays_per_shelf}"
        for number in range(1, answers.racks + 1)
    )
    return f"""# What Traywarden knows of the farm. `traywarden keys` lists every key; `traywarden check` looks it over.

[farm]
name = "{name}"
time_zone = "{answers.zone}"
units = "{answers.units}"              # metric or US: what you are shown
rounds = {_quoted(answers.rounds)}     # when you walk the racks; tasks wait for these
delivery_days = {_quoted(answers.delivery_days)}
# profiles = "profiles"         # folder of crop profiles of your own (traywarden profiles show CROP --toml)
# crops that you said you grow: {", ".join(answers.crops)}

# Places: rooms hold racks, racks hold shelves, shelves hold trays. Rack 1, shelf 2, third tray is 1/2/3.
[[room]]
id = "room"
name = "the room"
lamp = "{answers.lamp}"            # lamp hours; a rack or shelf may have its own

{racks}

# [[place]]                     # a cold store or a seed cupboard, with limits of its own
# id = "cold"
# name = "the cold store"
# kind = "cold store"
# limits = {{ temperature = {{ low = 1, high = 5 }} }}

[[tray]]                        # the first is the usual one; sowing and water scale by area
id = "1020"
length_mm = 508
width_mm = 254
medium = "coir"

[[channel]]                     # how people are reached
id = "console"
kind = "console"

# [[channel]]                   # e-mail, webhooks and the rest; the address is in a file of its own
# id = "mail"
# kind = "apprise"
# url_file = "mail-address.txt"

[[person]]
id = "{answers.person}"
channels = ["console"]
quiet = "21:00-06:30"           # only what is urgent is told in these hours
# days = ["mon", "tue", "wed", "thu", "fri"]

# Sensors can wait: without one, Traywarden tells you what is due by days. When one publishes, `traywarden check
# --listen 60` shows what it hears, with lines like these to paste.
# [[sensor]]
# id = "air-1"
# quantity = "temperature"
# spot = "1/2"
# topic = "room/node1"
# record = "temperature"

[broker]
embedded = true                 # the broker that comes with the package; for a farm with sensors use mosquitto:
# host = "127.0.0.1"            # then embedded = false
# port = 1883

[storage]
folder = "data"
# ledger_copies = "copies"      # a nightly copy of the ledger; best on another disk
"""


@click.command(epilog="Example: traywarden init --defaults")
@click.option("--defaults", is_flag=True, help="Ask nothing.")
@click.option("--force", is_flag=True, help="Write over a file that is there.")
@click.pass_obj
def init(context: Context, defaults: bool, force: bool) -> None:
    """Write a commented farm.toml, by asking what matters."""
    path = context.farm_path
    if path.exists() and not force:
        raise RefusedError(f"{path} is there already; change it by hand, or say --force to write it anew")
    answers = Answers(zone=system_zone()) if defaults else ask_all(context)
    text = farm_text(answers)
    farm = parse_farm(text, file=path.name, folder=path.resolve().parent)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
        farm.storage.folder.mkdir(parents=True, exist_ok=True)
    except OSError as exc:
        raise RefusedError(f"{path} cannot be written: {exc}") from exc
    click.echo(f"Written: {path}")
    click.echo("\n".join(("", *CAUTIONS, "")))
    click.echo("Next")
    click.echo("  traywarden check")
    click.echo(f"  traywarden sow {answers.crops[0]} --trays 4 --spot 1/1")
    click.echo("  traywarden run")
