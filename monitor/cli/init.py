"""``traywarden init``: a commented farm.toml from a few questions; Enter takes the default of each."""

from __future__ import annotations

import os
import shlex
from pathlib import Path

import click

from monitor.cli.common import Context
from monitor.errors import RefusedError
from monitor.farmfile import parse_farm
from monitor.startfile import Answers, farm_text

CAUTIONS = (
    "Traywarden is a monitor, not a safety device: it cannot see germs, smoke or a leak, and must not be the only",
    "thing that watches a heater. Mains, heaters, lamps and pumps near water are for a licensed electrician, on",
    "ground-fault protected circuits; nothing mains-powered under a tray rack. Local codes and your local",
    "food-safety rules decide.",
)


def _write_secret(path: Path, secret: str) -> None:
    """Write a file that only its owner can read, from its first moment on."""
    path.unlink(missing_ok=True)
    with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w", encoding="utf-8") as file:
        file.write(secret + "\n")


def _next_commands(context: Context, answers: Answers) -> list[str]:
    """Return the three commands to type next."""
    named = "" if context.farm_path == Path("farm.toml") else f" --farm {shlex.quote(str(context.farm_path))}"
    crop = answers.crops[0] if answers.crops else "radish"
    return [
        f"traywarden{named} check",
        f"traywarden{named} sow {crop} --trays {min(4, answers.trays_per_shelf)} --spot 1/1",
        f"traywarden{named} run",
    ]


@click.command(epilog="Example: traywarden init --defaults")
@click.option("--defaults", is_flag=True, help="Ask nothing.")
@click.option("--force", is_flag=True, help="Write over a file that is there.")
@click.pass_obj
def init(context: Context, defaults: bool, force: bool) -> None:
    """Write a commented farm.toml, by asking what matters."""
    from monitor.cli.questions import ask_address, ask_all, system_zone

    path = context.farm_path
    if path.exists() and not force:
        raise RefusedError(f"{path} is there already; change it by hand, or say --force to write it anew")
    answers = Answers(zone=system_zone()) if defaults else ask_all()
    address = ask_address() if answers.reached_by == "address" else None
    text = farm_text(answers)
    farm = parse_farm(text, file=path.name, folder=path.resolve().parent)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        if address is not None:
            _write_secret(path.parent / answers.address_file, address)
        path.write_text(text, encoding="utf-8")
        farm.storage.folder.mkdir(parents=True, exist_ok=True)
    except OSError as exc:
        raise RefusedError(f"{path} cannot be written: {exc.strerror}; say another place with --farm PATH") from exc
    context.echo(f"Written: {path}")
    context.echo("\n".join(("", *CAUTIONS, "", "Next")))
    for command in _next_commands(context, answers):
        context.echo(f"  {command}")
