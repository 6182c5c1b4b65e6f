"""Photos are kept small and bare, and nothing but a photo is."""

from __future__ import annotations

import io
from pathlib import Path

import pytest
from PIL import Image

from monitor.errors import NotFoundError, RefusedError
from monitor.stores.photos import LONGEST_SIDE, MOST_PIXELS, keep_photo, read_photo

WHERE_IT_WAS = b"41.1579 N 8.6291 W"


def taken(kind: str = "JPEG", size: tuple[int, int] = (60, 40), *, turned: int | None = None) -> bytes:
    """Return a photo as a phone writes it: with place, camera and time beside what is seen."""
    image = Image.new("RGB", size, (30, 120, 40))
    image.paste((220, 30, 30), (0, 0, size[0] // 2, size[1] // 2))  # red in the upper left
    exif = Image.Exif()
    exif[0x010F] = "Saltcellar Phones"
    exif[0x0132] = "2026:03:04 07:30:00"
    exif[0x010E] = WHERE_IT_WAS.decode()
    if turned is not None:
        exif[0x0112] = turned
    written = io.BytesIO()
    image.save(written, kind, exif=exif, comment=WHERE_IT_WAS) if kind == "JPEG" else image.save(
        written, kind, exif=exif
    )
    return written.getvalue()


def seen(raw: bytes) -> Image.Image:
    """Return a picture, read."""
    image = Image.open(io.BytesIO(raw))
    image.load()
    return image


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
def test_nothing_but_what_is_seen_is_kept(tmp_path: Path, kind: str) -> None:
    """Place, camera and time are gone, whatever kind of file it was."""
    raw = taken(kind)

    kept = read_photo(keep_photo(raw, tmp_path), tmp_path)

    assert WHERE_IT_WAS in raw
    assert WHERE_IT_WAS not in kept
    assert b"Saltcellar" not in kept
    assert b"Exif" not in kept
    assert dict(seen(kept).getexif()) == {}
    assert seen(kept).format == "JPEG"


def test_a_large_one_is_made_small(tmp_path: Path) -> None:
    """Its longer side has as many points as are kept; its shape stays."""
    kept = seen(read_photo(keep_photo(taken(size=(4000, 3000)), tmp_path), tmp_path))

    assert kept.size == (LONGEST_SIDE, LONGEST_SIDE * 3 // 4)


def test_one_held_sideways_stands_upright(tmp_path: Path) -> None:
    """What the phone only noted, that it was turned, is done to the picture."""
    kept = seen(read_photo(keep_photo(taken(size=(60, 40), turned=6), tmp_path), tmp_path)).convert("RGB")

    assert kept.size == (40, 60)
    red, green, _ = kept.getpixel((35, 5))  # type: ignore[misc] # three colours, by convert
    assert red > 150
    assert green < 90


def test_the_same_photo_twice_is_one(tmp_path: Path) -> None:
    """Named by what it shows."""
    assert keep_photo(taken(), tmp_path) == keep_photo(taken(), tmp_path)
    assert len(list((tmp_path / "photos").iterdir())) == 1


@pytest.mark.parametrize(
    "raw",
    [
        pytest.param(b"", id="nothing"),
        pytest.param(b"<svg xmlns='http://www.w3.org/2000/svg'><script>alert(1)</script></svg>", id="a drawing"),
        pytest.param(b"\xff\xd8\xff\xe0 not a photo", id="a broken head"),
        pytest.param(taken()[:200], id="cut off"),
        pytest.param(b"GIF89a\x01\x00\x01\x00\x00\x00\x00;", id="a kind that is not taken"),
    ],
)
def test_what_is_no_photo_is_refused(tmp_path: Path, raw: bytes) -> None:
    """With what is taken; nothing is left behind."""
    with pytest.raises(RefusedError, match="JPEG, PNG or WebP"):
        keep_photo(raw, tmp_path)

    assert not (tmp_path / "photos").exists()


def test_one_that_would_fill_the_memory_is_refused_unread(tmp_path: Path) -> None:
    """A small file can claim to be huge."""
    written = io.BytesIO()
    side = int(MOST_PIXELS**0.5) + 200
    Image.new("1", (side, side)).save(written, "PNG")

    with pytest.raises(RefusedError, match="smaller one"):
        keep_photo(written.getvalue(), tmp_path)


@pytest.mark.parametrize("name", ["../ledger.db", "x.jpg", "0123456789abcdef.jpg", "0123456789abcdef.svg", ""])
def test_only_kept_photos_are_read(tmp_path: Path, name: str) -> None:
    """No name leads out of their folder."""
    (tmp_path / "ledger.db").write_bytes(b"precious")

    with pytest.raises(NotFoundError, match="no photo"):
        read_photo(name, tmp_path)
