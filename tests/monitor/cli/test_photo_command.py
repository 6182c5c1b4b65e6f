"""A photo goes with a note from the command line, as from a page."""

from __future__ import annotations

import io
from pathlib import Path

from PIL import Image

from monitor.stores.ledger import open_ledger
from monitor.stores.photos import read_photo
from tests.monitor.cli.test_commands import Cellar


def test_a_note_takes_a_photo(tmp_path: Path) -> None:
    """It is kept beside the ledger, and the entry names it."""
    cellar = Cellar(tmp_path)
    cellar.says("sow", "radish", "--trays", "4", "--spot", "1/1", "--untreated")
    written = io.BytesIO()
    Image.new("RGB", (20, 20), "green").save(written, "PNG")
    picture = tmp_path / "tray.png"
    picture.write_bytes(written.getvalue())

    cellar.says("note", "1", "white fuzz, left edge", "--photo", str(picture))

    ledger = open_ledger(tmp_path / "data")
    entry = ledger.entries()[-1]
    ledger.close()
    assert entry.data["text"] == "white fuzz, left edge"
    assert read_photo(str(entry.data["photo"]), tmp_path / "data").startswith(b"\xff\xd8")
