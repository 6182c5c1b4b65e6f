"""The command line: one file a group of commands, each imported only when it is called."""

from __future__ import annotations

import importlib
import sys
from pathlib import Path

import click

from monitor.cli.commands import COMMANDS, SECTIONS
from monitor.cli.common import FARM_VARIABLE, Context
from monitor.errors import TraywardenError


class LazyGroup(click.Group):
    """A group that knows its commands' names and one-line helps, and imports a command only to run it."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the names of all commands."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import and return one command, or None where there is none of this name."""
        known = COMMANDS.get(cmd_name)
        if known is None:
            return None
        module, _, attribute = known.where.partition(":")
        command = getattr(importlib.import_module(module), attribute)
        if not isinstance(command, click.Command):
            raise TypeError(f"{known.where} is no command")
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the commands by what a grower wants, without importing any of them."""
        for section in SECTIONS:
            rows = [(name, known.says) for name, known in COMMANDS.items() if known.section == section]
            with formatter.section(section):
                formatter.write_dl(rows)

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Find the command, or say which ones are near."""
        try:
            return super().resolve_command(ctx, args)
        except click.UsageError as exc:
            from difflib import get_close_matches

            near = get_close_matches(args[0], COMMANDS, n=2)
            hint = f"; did you mean {' or '.join(near)}?" if near else "; `traywarden --help` lists all"
            raise click.UsageError(f"there is no command '{args[0]}'{hint}", ctx=ctx) from exc


@click.group(
    cls=LazyGroup,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog="Example: traywarden sow radish --trays 8 --spot 1/2",
)
@click.version_option(package_name="traywarden", message="traywarden %(version)s")
@click.option(
    "--farm",
    "farm_path",
    type=click.Path(path_type=Path, dir_okay=False),
    envvar=FARM_VARIABLE,
    default=Path("farm.toml"),
    show_default=True,
    help=f"The farm's file; also {FARM_VARIABLE}.",
)
@click.pass_context
def root(ctx: click.Context, farm_path: Path) -> None:
    """Watch a small tray-crop room, and say what to do on the next walk round the racks.

    Traywarden advises; it switches nothing.
    """
    if ctx.obj is None:
        ctx.obj = Context(farm_path=farm_path)
    ctx.call_on_close(ctx.obj.close)


def main() -> None:
    """Run the command line: exit status 0 done, 1 refused with a reason, 2 wrong use."""
    try:
        status = root.main(standalone_mode=False)
    except click.exceptions.Exit as exc:
        sys.exit(exc.exit_code)
    except click.ClickException as exc:
        exc.show()
        sys.exit(exc.exit_code)
    except click.Abort:
        click.echo("stopped; nothing more was done", err=True)
        sys.exit(1)
    except TraywardenError as exc:
        click.echo(str(exc), err=True)
        sys.exit(1)
    except BrokenPipeError:
        sys.stderr.close()
        sys.exit(1)
    sys.exit(status if isinstance(status, int) else 0)
