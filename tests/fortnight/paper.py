"""Pages as a printer would have them: HTML to PDF by headless Chromium, PDF to pictures and text by pdfium."""

from __future__ import annotations

import shutil
import subprocess
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pypdfium2 as pdfium

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or ""
_DPI = 60


@dataclass(frozen=True, slots=True)
class Printed:
    """A printed document.

    Attributes:
        texts: The text of each page, blanks and line ends as one space.
        margins_mm: Of each page, the empty space at its left, top, right and bottom. [mm]
    """

    texts: tuple[str, ...]
    margins_mm: tuple[tuple[float, float, float, float], ...]

    @property
    def text(self) -> str:
        """Return the text of all pages."""
        return " ".join(self.texts)


def to_pdf(pages: list[Path], folder: Path) -> list[Path]:
    """Print pages to PDF, each beside its picture's place in a folder, and return them."""
    made = []
    for page in pages:
        target = folder / f"{page.stem}.pdf"
        command = [CHROMIUM, "--headless", "--no-sandbox", "--disable-gpu", f"--user-data-dir={folder / 'browser'}"]
        command += ["--no-pdf-header-footer", f"--print-to-pdf={target}", page.as_uri()]
        done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=90)
        assert target.exists(), done.stderr
        made.append(target)
    return made


def printed(pdf: Path) -> Printed:
    """Return what stands on the pages of a PDF."""
    document = pdfium.PdfDocument(pdf)
    try:
        texts, margins = [], []
        for page in document:
            texts.append(" ".join(page.get_textpage().get_text_bounded().split()))
            grey = np.asarray(page.render(scale=_DPI / 72).to_pil().convert("L"))
            margins.append(_margins(grey))
        return Printed(tuple(texts), tuple(margins))
    finally:
        document.close()


def _margins(grey: np.ndarray) -> tuple[float, float, float, float]:
    """Return how much of a page is empty at its left, top, right and bottom, in mm."""
    mm = 25.4 / _DPI
    ink = grey < 200
    columns, rows = np.flatnonzero(ink.any(axis=0)), np.flatnonzero(ink.any(axis=1))
    if not len(columns):
        return (0.0, 0.0, 0.0, 0.0)
    height, width = ink.shape
    return (columns[0] * mm, rows[0] * mm, (width - 1 - columns[-1]) * mm, (height - 1 - rows[-1]) * mm)


def pictures(pdf: Path, folder: Path, *, dpi: int = 80) -> list[Path]:
    """Write each page of a PDF as a PNG, to be looked at, and return the files."""
    document = pdfium.PdfDocument(pdf)
    try:
        made = []
        for number, page in enumerate(document, start=1):
            target = folder / f"{pdf.stem}-{number}.png"
            page.render(scale=dpi / 72).to_pil().save(target)
            made.append(target)
        return made
    finally:
        document.close()
