"""``traywarden outcome``: how a batch turned out, with a picture of it if there is one."""

from __future__ import annotations

import hashlib
import shutil
from pathlib import Path
from typing import Any

import click

from monitor.cli.common import Context
from monitor.cli.desk import Desk, common
from monitor.errors import RefusedError
from monitor.ledger import EntryKind
from monitor.outcomes import SIGNS, WENT
from monitor.verbs import SPOILT_CARE, is_spoilt

PHOTOS = "photos"
PICTURES = (".jpg", ".jpeg", ".png", ".webp")
NOT_SOLD = (
    "A mouldy or doubtful batch is not sold, nor is what stood beside it until you know; local food-safety rules."
)
_SPOILT_SIGNS = ("mould", "rot")


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
    given: dict[str, Any] = {
        "stand": stand,
        "evenness": evenness,
        "off_types_pct": off_types,
        "signs": list(dict.fromkeys(signs)) or None,
        "went": went,
        "why": why,
    }
    data = {key: value for key, value in given.items() if value is not None}
    if not data and photo is None:
        raise RefusedError("say how it turned out: e.g. --stand 4 --evenness 4, or --sign patchy, or --photo FILE")
    desk = Desk(context, by, at)
    found = desk.batch(batch, EntryKind.OUTCOME)
    if photo is not None:
        data["photo"] = keep_photo(photo, desk.farm.storage.folder)
    if any(sign in _SPOILT_SIGNS for sign in signs) or (why is not None and is_spoilt(why)):
        desk.care += [SPOILT_CARE, NOT_SOLD]
    desk.write([desk.entry(EntryKind.OUTCOME, found, data=data)], [f"Noted of {desk.name(found)}: {_words(data)}."])


def _words(data: dict[str, Any]) -> str:
    """Return what was noted."""
    said = []
    if "stand" in data:
        said.append(f"stand {data['stand']:g} of 5")
    if "evenness" in data:
        said.append(f"evenness {data['evenness']:g} of 5")
    if "off_types_pct" in data:
        said.append(f"{data['off_types_pct']:g} % off-types")
    said += [str(sign) for sign in data.get("signs", ())]
    said += [str(data[key]) for key in ("went", "why") if key in data]
    if "photo" in data:
        said.append(f"picture {data['photo']}")
    return ", ".join(said)


def keep_photo(photo: Path, folder: Path) -> str:
    """Copy a picture beside the ledger under the hash of what it holds, and return its name there.

    Raises:
        RefusedError: It is no picture by its ending, or it cannot be read or kept.
    """
    ending = photo.suffix.casefold()
    if ending not in PICTURES:
        raise RefusedError(f"{photo} is no picture that can be kept; give one of {', '.join(PICTURES)}")
    try:
        name = hashlib.sha256(photo.read_bytes()).hexdigest()[:16] + ending
        kept = folder / PHOTOS
        kept.mkdir(parents=True, exist_ok=True)
        if not (kept / name).exists():
            shutil.copyfile(photo, kept / name)
    except OSError as exc:
        raise RefusedError(f"{photo} cannot be kept in {folder / PHOTOS}: {exc.strerror}") from exc
    return name
