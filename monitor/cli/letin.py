"""``traywarden password`` and ``token``: who is let in to the pages."""

from __future__ import annotations

import sys

import click

from monitor.cli.common import Context, json_option
from monitor.doors import Doors
from monitor.errors import NotFoundError, RefusedError


def _doors(context: Context) -> Doors:
    """Return who is let in."""
    return Doors(context.farm().storage.folder)


def _person(context: Context, said: str | None) -> str:
    """Return the person that is meant."""
    people = {person.casefold(): person for person in context.farm().people}
    if said is None:
        return next(iter(people.values()))
    if said.casefold() not in people:
        raise NotFoundError(f"nobody is called {said!r} in farm.toml; there are: {', '.join(people.values())}")
    return people[said.casefold()]


@click.command(epilog="Example: traywarden password ines")
@click.argument("who", required=False)
@click.option("--remove", is_flag=True, help="Let this person in no more.")
@click.option("--stdin", "piped", is_flag=True, help="Read the password from standard input.")
@click.pass_obj
def password(context: Context, who: str | None, remove: bool, piped: bool) -> None:
    """Set the password with which a person signs in to the pages; sessions under an old one end."""
    person, doors = _person(context, who), _doors(context)
    if remove:
        doors.remove_password(person)
        context.echo(f"{person} has no password any more.")
        return
    if piped:
        said = sys.stdin.readline().rstrip("\n")
    else:
        said = click.prompt(f"Password of {person}", hide_input=True, confirmation_prompt=True)
    doors.set_password(person, said)
    context.echo(f"{person} can sign in to the pages now.")


@click.command(
    epilog="Example: traywarden token wall-tablet --device ines   (or: traywarden token reports --read-only)"
)
@click.argument("name", required=False)
@click.option("--read-only", "looks", is_flag=True, help="It sees everything and changes nothing.")
@click.option("--device", metavar="WHO", help="It writes in this person's name: a tablet on the wall.")
@click.option("--end", is_flag=True, help="End the token of this name.")
@json_option
@click.pass_obj
def token(context: Context, name: str | None, looks: bool, device: str | None, end: bool) -> None:
    """Make a token for a program or a device, end one, or list them; a token is shown once."""
    doors = _doors(context)
    if name is None:
        _list(context, doors)
        return
    if end:
        doors.end_token(name)
        context.echo(f"The token {name} is ended.")
        return
    if looks == (device is not None):
        raise RefusedError("say --read-only, or --device WHO, or --end")
    kind = "read-only" if looks else "device"
    person = None if looks else _person(context, device)
    made = doors.new_token(name, "read-only" if looks else "device", person, now=context.clock())
    if context.as_json:
        context.echo_json({"schema": "traywarden.token/1", "name": name, "kind": kind, "person": person, "token": made})
        return
    context.echo(made)
    context.echo("It is shown this once. A program sends it as: Authorization: Bearer tw_...")


def _list(context: Context, doors: Doors) -> None:
    """List the tokens that hold."""
    tokens = doors.tokens()
    if context.as_json:
        rows = [
            {"name": each.name, "kind": each.kind, "person": each.person, "made_at": each.made_at.isoformat()}
            for each in tokens
        ]
        context.echo_json({"schema": "traywarden.tokens/1", "tokens": rows})
        return
    if not tokens:
        context.echo("There is no token.")
    for each in tokens:
        whose = f" of {each.person}" if each.person else ""
        context.echo(f"{each.name}: {each.kind}{whose}, made {each.made_at:%Y-%m-%d}")
