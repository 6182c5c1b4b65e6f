"""``traywarden outcome``: how a batch turned out, with a picture of it if there is one."""

from __future__ import annotations

from pathlib import Path

import click

from monitor.cli.common import Context
from monitor.cli.desk import Desk, common
from monitor.errors import RefusedError
from monitor.judging import OutcomeWish, outcome_deed
from monitor.outcomes import SIGNS, WENT


@click.command(
    epilog="Example: traywarden outcome 12 --stand 2 --evenness 3 --sign patchy --why 'bare at the edges'\n\n"
    "Example: traywarden outcome 12 --stand 5 --went living --photo tray12.jpg"
)
@click.argument("batch", required=False)
@click.option("--stand", type=click.FloatRange(0, 5), help="0 (nothing came) to 5 (full).")
@click.option("--evenness", type=click.FloatRange(0, 5), help="0 (wild) to 5 (like a lawn).")
@click.option("--off-types", type=click.FloatRange(0, 100), metavar="PERCENT", help="Plants of another kind.")
@click.option("--sign", "signs", type=click.Choice(tuple(SIGNS)), multiple=True, help="What was seen; may be repeated.")
@click.option("--went", type=click.Choice(WENT), help="How it left: cut, as living trays, or kept.")
@click.option("--why", help="What was wrong, in your words.")
@click.option("--photo", type=click.Path(exists=True, dir_okay=False, path_type=Path), help="A picture of it.")
@common
@click.pass_obj
def outcome(
    context: Context,
    batch: str | None,
    stand: float | None,
    evenness: float | None,
    off_types: float | None,
    signs: tuple[str, ...],
    went: str | None,
    why: str | None,
    photo: Path | None,
    at: str | None,
    by: str | None,
) -> None:
    """Note how a batch turned out; what is entered later replaces what was entered before."""
    desk = Desk(context, by, at)
    wish = OutcomeWish(
        batch=batch,
        stand=stand,
        evenness=evenness,
        off_types_pct=off_types,
        signs=signs,
        went=went or "",
        why=why or "",
        photo=None if photo is None else _kept(photo, desk.farm.storage.folder),
    )
    desk.note(outcome_deed(desk, wish))


def _kept(photo: Path, folder: Path) -> str:
    """Keep a picture beside the ledger, and return its name there.

    Raises:
        RefusedError: It cannot be read, or is no picture.
        StoreError: It cannot be kept.
    """
    from monitor.stores.photos import keep_photo

    try:
        raw = photo.read_bytes()
    except OSError as exc:
        raise RefusedError(f"{photo} cannot be read: {exc.strerror}") from exc
    return keep_photo(raw, folder)
