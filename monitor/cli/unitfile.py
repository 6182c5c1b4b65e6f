"""``traywarden unit-file``: a systemd unit for the whole service, or for one of several processes."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Sequence
from importlib.resources import files
from pathlib import Path
from typing import Any, NamedTuple

import click

from monitor.cli.common import Context
from monitor.errors import RefusedError
from monitor.farm import Farm

_SERVERS = "mosquitto.service influxdb.service"
_PRIVATE = "PrivateDevices=true"
_SERIAL = """# A serial line is read: that device, and no other.
DevicePolicy=closed
{allowed}
SupplementaryGroups=dialout"""


class _Part(NamedTuple):
    """What a unit runs.

    Attributes:
        service: The unit's name, without its ending.
        does: What it does of a farm, for the description; ``{farm}`` is the farm's name.
        words: The command's words.
        servers: Units that it begins after.
        stop_s: How long stopping may take. [s]
        lines: Modbus lines that it reads, by id.
    """

    service: str
    does: str
    words: tuple[str, ...]
    servers: str = f"{_SERVERS} postgresql.service"
    stop_s: int = 60
    lines: tuple[str, ...] = ()


def _whole(farm: Farm, words: Sequence[str], _said: dict[str, Any]) -> _Part:
    """Return the one process that does it all."""
    return _Part(
        "traywarden", "watches {farm}", ("run", *words), servers=_SERVERS, stop_s=30, lines=tuple(farm.feeds.lines)
    )


def _collector(farm: Farm, words: Sequence[str], said: dict[str, Any]) -> _Part:
    """Return one of several collectors."""
    from monitor.cli.collect import refuse_unknown_feeds
    from monitor.service.shared import process_name, shared_stores

    shared_stores(farm, "collect")
    refuse_unknown_feeds(farm, said["lines"], said["folders"])
    name = said["name"] and process_name(said["name"])
    does = f"collects readings of {{farm}}{_in_brackets(name)}"
    return _Part(_service("collect", name), does, ("collect", *words), lines=tuple(said["lines"]))


def _watcher(farm: Farm, words: Sequence[str], said: dict[str, Any]) -> _Part:
    """Return one of several watchers."""
    from monitor.service.shared import process_name, shared_stores
    from monitor.service.watching import rooms_wanted

    shared_stores(farm, "watch")
    rooms_wanted(farm, said["rooms"])
    name = said["name"] and process_name(said["name"])
    return _Part(_service("watch", name), f"watches rooms of {{farm}}{_in_brackets(name)}", ("watch", *words))


def _pages(_farm: Farm, words: Sequence[str], _said: dict[str, Any]) -> _Part:
    """Return the pages."""
    return _Part(_service("serve", None), "serves the pages of {farm}", ("serve", *words))


_PARTS: dict[str, Callable[[Farm, Sequence[str], dict[str, Any]], _Part]] = {
    "run": _whole,
    "collect": _collector,
    "watch": _watcher,
    "serve": _pages,
}


def _service(command: str, name: str | None) -> str:
    """Return a unit's name; two processes that may run side by side have two."""
    return f"traywarden-{command}{f'-{name}' if name else ''}"


def _in_brackets(name: str | None) -> str:
    """Return a process' name behind what it does."""
    return f" ({name})" if name else ""


def _part_of(farm: Farm, words: Sequence[str]) -> _Part:
    """Return what is to be run, as the command itself would read its words.

    Raises:
        RefusedError: It is nothing that a unit could run.
        ClickException: The command would not take these words.
    """
    from monitor.cli import root

    command, *more = words or ("run",)
    if command not in _PARTS:
        raise RefusedError(f"no unit can run {command!r}; one can run: {', '.join(_PARTS)}")
    found = root.get_command(click.Context(root), command)
    assert found is not None
    said = found.make_context(command, list(more), parent=click.Context(root, info_name="traywarden")).params
    if said.get("retire"):
        raise RefusedError("--retire is done once, by hand; a unit is for what runs on")
    return _PARTS[command](farm, more, said)


def _word(said: object) -> str:
    """Return a text as one word of a unit file. Source: [SYSTEMD] "Command lines" and "Specifiers"."""
    text = str(said).replace("\\", "\\\\").replace('"', '\\"').replace("%", "%%").replace("$", "$$")
    return f'"{text}"' if any(sign in text for sign in " \t'\"\\;") else text


def _written_folders(farm: Farm) -> list[Path]:
    """Return the folders that the service writes to, each once."""
    folders = [farm.storage.folder, farm.storage.ledger_copies]
    folders += [channel.path.parent for channel in farm.channels.values() if channel.path is not None]
    return list(dict.fromkeys(folder.resolve() for folder in folders if folder is not None))


def _closed_to_others(path: Path) -> Path | None:
    """Return the outermost folder on the way to a file that other users may not enter, or None."""
    return next((each for each in reversed(path.parents) if not each.stat().st_mode & 0o001), None)


def _devices(farm: Farm, lines: Iterable[str]) -> str:
    """Return which devices it may open: none, but for the serial lines that it reads."""
    serial = [line.serial for each in lines if (line := farm.feeds.lines[each]).serial is not None]
    if not serial:
        return _PRIVATE
    return _SERIAL.format(allowed="\n".join(f"DeviceAllow={_word(device)} rw" for device in serial))


def unit_text(farm: Farm, farm_path: Path, *, user: str, command: Sequence[str], words: Sequence[str] = ()) -> str:
    """Return the shipped unit file, filled in for one farm and what is to be run of it."""
    text = (files("monitor") / "systemd" / "traywarden.service").read_text(encoding="utf-8")
    part = _part_of(farm, words)
    return text.format(
        called=" ".join(_plain(each) for each in ("unit-file", *words)),
        service=part.service,
        does=part.does.format(farm=" ".join(farm.name.split())).replace("%", "%%"),
        servers=part.servers,
        user=user,
        folder=str(farm_path.parent).replace("%", "%%"),
        farm_path=_word(farm_path),
        command=" ".join(_word(each) for each in command),
        words=" ".join(_word(each) for each in part.words),
        stop_s=part.stop_s,
        storage=" ".join(_word(folder).replace("$$", "$") for folder in _written_folders(farm)),
        devices=_devices(farm, part.lines),
    )


def _plain(word: str) -> str:
    """Return a word as it may stand in a comment."""
    from shlex import quote

    return quote(" ".join(word.split()))


@click.command(
    "unit-file",
    epilog=(
        "Example: traywarden unit-file | sudo tee /etc/systemd/system/traywarden.service\n\n"
        "Example: traywarden unit-file collect --name north"
    ),
    context_settings={"ignore_unknown_options": True, "allow_interspersed_args": False},
)
@click.option("--user", default="traywarden", show_default=True, help="The user that it runs as.")
@click.argument("words", nargs=-1, type=click.UNPROCESSED, metavar="[collect|watch|serve ...]")
@click.pass_obj
def unit_file(context: Context, user: str, words: tuple[str, ...]) -> None:
    """Print a systemd unit for this farm: for `run`, or for the collect, watch or serve that is given with its options.

    The first line of the print says under which name to keep it.
    """
    farm, path = context.farm(), context.farm_path.resolve()
    beside = Path(sys.executable).with_name("traywarden")
    command = [str(beside)] if beside.is_file() else [sys.executable, "-m", "monitor.cli"]
    click.echo(unit_text(farm, path, user=user, command=command, words=words), nl=False)
    for each in (path, Path(command[0])):
        closed = _closed_to_others(each)
        if closed is not None:
            context.warn(
                f"mind: {closed} is closed to other users, so {user} cannot reach {each}; README says where to put it"
            )
