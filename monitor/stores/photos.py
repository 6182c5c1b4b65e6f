"""Photos beside the ledger: made small, cleared of what a phone writes into them, named by their content."""

from __future__ import annotations

import hashlib
import io
import os
import re
from pathlib import Path
from typing import TYPE_CHECKING

from monitor.errors import NotFoundError, RefusedError, StoreError

if TYPE_CHECKING:
    from PIL.Image import Image

FOLDER = "photos"
"""In the storage folder, beside the ledger."""
LONGEST_SIDE = 1600
"""Photos are kept no larger. Ours: a tray's leaves can be told apart. [px]"""
MOST_PIXELS = 80_000_000
"""A picture of more is refused unread; it would fill the memory. Ours."""
_QUALITY = 82
_NAME = re.compile(r"[0-9a-f]{16}\.(?:jpg|jpeg|png|webp)")
_KINDS = ("JPEG", "PNG", "WEBP")


def is_photo(name: str) -> bool:
    """Tell whether a path below the storage folder is that of a kept photo."""
    folder, _, rest = name.partition("/")
    return folder == FOLDER and _NAME.fullmatch(rest) is not None


def keep_photo(raw: bytes, storage: Path) -> str:
    """Keep a photo, and return its name: smaller, upright, and without place, camera and time in it.

    Args:
        raw: A JPEG, PNG or WebP file.
        storage: The farm's storage folder.

    Raises:
        RefusedError: It is no such picture, or too large.
        StoreError: It cannot be written.
    """
    small = _cleared(raw)
    name = hashlib.sha256(small).hexdigest()[:16] + ".jpg"
    folder = storage / FOLDER
    try:
        folder.mkdir(parents=True, exist_ok=True)
        part = folder / f".{name}.part"
        with part.open("wb") as file:
            file.write(small)
            file.flush()
            os.fsync(file.fileno())
        part.replace(folder / name)
    except OSError as exc:
        raise StoreError(f"the photo cannot be kept in {folder}: {exc.strerror}") from exc
    return name


def _cleared(raw: bytes) -> bytes:
    """Return a picture as a new JPEG that holds nothing but what is seen."""
    from PIL import Image, ImageOps, UnidentifiedImageError

    try:
        with Image.open(io.BytesIO(raw), formats=_KINDS) as found:
            if found.width * found.height > MOST_PIXELS:
                raise RefusedError(f"that picture has {found.width} x {found.height} points; take a smaller one")
            found.draft("RGB", (LONGEST_SIDE, LONGEST_SIDE))
            upright = ImageOps.exif_transpose(found)
            upright.thumbnail((LONGEST_SIDE, LONGEST_SIDE))
            bare = _on_white(upright)
    except (UnidentifiedImageError, OSError, ValueError, SyntaxError, Image.DecompressionBombError) as exc:
        raise RefusedError("that is no photo that can be kept; give a JPEG, PNG or WebP file") from exc
    written = io.BytesIO()
    bare.save(written, "JPEG", quality=_QUALITY, optimize=True, exif=b"", icc_profile=None)
    return written.getvalue()


def _on_white(image: Image) -> Image:
    """Return a picture's points alone, in plain colours, what was transparent in white."""
    from PIL import Image as images

    rgba = image.convert("RGBA")
    bare = images.new("RGB", rgba.size, "white")
    bare.paste(rgba, mask=rgba.getchannel("A"))
    return bare


def read_photo(name: str, storage: Path) -> bytes:
    """Return a kept photo.

    Raises:
        NotFoundError: There is none of this name.
    """
    path = storage / FOLDER / name
    if _NAME.fullmatch(name) is None or not path.is_file():
        raise NotFoundError(f"there is no photo {name!r}")
    return path.read_bytes()
