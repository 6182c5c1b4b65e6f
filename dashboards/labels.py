"""Tray labels to print on sheets of stickers: crop, seed lot, sowing day, the days to come, and a code; pure.

A sheet's sizes are given in millimetres; no maker's sheet is meant by any of them.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from alerts.findings import Tick
from alerts.holding import HEAD
from alerts.warmth import heat_of
from monitor.amounts import say_day
from monitor.batches import Batch
from monitor.clock import local_day
from monitor.errors import NotFoundError, RefusedError
from monitor.phases import Move, spans
from monitor.profiles import Profile

MOST = 400
"""More labels at once are taken for a slip of the hand."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LabelSheet:
    """A sheet of labels as it lies in the printer.

    Attributes:
        id: What it is called: width and height of a label in mm, e.g. ``70x37``.
        page: What the whole page is, in words.
        page_mm: Width and height of the page. [mm]
        label_mm: Width and height of a label. [mm]
        columns: Labels side by side.
        rows: Labels one under the other.
        step_mm: From one label's left (upper) edge to the next one's, across and down. [mm]
        margin_mm: From the page's left and upper edge to the first label. [mm]
    """

    id: str
    page: str
    page_mm: tuple[float, float]
    label_mm: tuple[float, float]
    columns: int
    rows: int
    step_mm: tuple[float, float]
    margin_mm: tuple[float, float]

    @property
    def on_page(self) -> int:
        """Return how many labels a page has."""
        return self.columns * self.rows


_A4, _LETTER = (210.0, 297.0), (215.9, 279.4)


def _sheet(
    page: str, page_mm: tuple[float, float], width: float, height: float, columns: int, rows: int, gap: float = 0.0
) -> LabelSheet:
    """Return a sheet whose labels lie in the middle of the page, with a gap between columns and none between rows."""
    across = columns * width + (columns - 1) * gap
    return LabelSheet(
        id=f"{width:g}x{height:g}",
        page=page,
        page_mm=page_mm,
        label_mm=(width, height),
        columns=columns,
        rows=rows,
        step_mm=(width + gap, height),
        margin_mm=(round((page_mm[0] - across) / 2, 3), round((page_mm[1] - rows * height) / 2, 3)),
    )


SHEETS: Mapping[str, LabelSheet] = {
    each.id: each
    for each in (
        _sheet("A4, 24 labels", _A4, 70.0, 37.0, 3, 8),
        _sheet("A4, 21 labels", _A4, 63.5, 38.1, 3, 7, gap=2.54),
        _sheet("A4, 14 labels", _A4, 99.1, 38.1, 2, 7, gap=2.54),
        _sheet("A4, 8 labels", _A4, 99.1, 67.7, 2, 4, gap=2.54),
        _sheet("A4, 8 labels", _A4, 105.0, 74.0, 2, 4),
        _sheet("US letter, 30 labels", _LETTER, 66.7, 25.4, 3, 10, gap=3.175),
        _sheet("US letter, 10 labels", _LETTER, 101.6, 50.8, 2, 5, gap=4.8),
        _sheet("a roll, one label", (100.0, 50.0), 100.0, 50.0, 1, 1),
        _sheet("a roll, one label", (62.0, 40.0), 62.0, 40.0, 1, 1),
    )
}
"""By size. Common practice, no source: sizes from memory; measure yours, and print one page on plain paper first."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LabelDay:
    """One day to come on a label.

    Attributes:
        what: What is to be done, in a word.
        when: On which day, or from when to when.
    """

    what: str
    when: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Label:
    """One tray's label.

    Attributes:
        batch: Batch id.
        crop: What a grower calls it.
        lot: Seed lot; empty: none was entered.
        sown: Sowing day, in words.
        days: The days to come.
        hold: What stands against cutting it, in words; empty: nothing.
        url: What the code opens.
        code: The code as an SVG drawing.
    """

    batch: str
    crop: str
    lot: str
    sown: str
    days: tuple[LabelDay, ...]
    hold: str
    url: str
    code: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LabelPages:
    """Labels laid out on pages.

    Attributes:
        farm: The farm's name.
        sheet: The sheet that they are printed on.
        pages: Places of each page, row by row; None: a place that stays empty.
        count: How many labels there are.
        reachable: A phone can open what the codes hold.
    """

    farm: str
    sheet: LabelSheet
    pages: tuple[tuple[Label | None, ...], ...]
    count: int
    reachable: bool


def label_sheet(said: str) -> LabelSheet:
    """Return the sheet of a size.

    Raises:
        NotFoundError: There is none; those that are there are named.
    """
    found = SHEETS.get(said.strip().lower().replace("×", "x").replace(",", "."))
    if found is None:
        raise NotFoundError(f"there is no label sheet of {said!r}; there are, in mm: {', '.join(SHEETS)}")
    return found


def label_of(batch: Batch, profile: Profile, tick: Tick, base: str) -> Label:
    """Return the label of a batch's trays.

    Raises:
        RefusedError: It was not sown yet.
    """
    if batch.sown_at is None:
        raise RefusedError(f"batch {batch.id} still soaks; its labels are printed when it is sown")
    zone = tick.farm.zone
    url = f"{base.rstrip('/')}/batch/{batch.id}"
    return Label(
        batch=batch.id,
        crop=profile.name,
        lot=batch.lot or "",
        sown=say_day(local_day(batch.sown_at, zone)),
        days=_days(batch, profile, tick, zone),
        hold=HEAD if batch.holds else "",
        url=url,
        code=code_svg(url),
    )


_WORDS = {Move.UNCOVER: "Uncover", Move.END_BLACKOUT: "Light", Move.HARVEST: "Cut"}


def _days(batch: Batch, profile: Profile, tick: Tick, zone: ZoneInfo) -> tuple[LabelDay, ...]:
    """Return the days to come of the first standing part: usual days, and the whole window of the harvest."""
    part = next(iter(batch.standing), None)
    heat = heat_of(batch, part, profile, tick) if part else None
    line = spans(batch, part, profile, now=tick.now, zone=zone, heat=heat)
    begun = max((place for place, span in enumerate(line) if span.began_at is not None), default=0)
    found: dict[str, LabelDay] = {}
    for span in line[begun:]:
        word = _WORDS.get(span.move) if span.move else None
        if word is None or span.window is None or word in found or (word == "Cut" and batch.holds):
            continue
        when = say_day(span.window.usual)
        if span.move is Move.HARVEST:
            when = f"{say_day(span.window.earliest)} to {say_day(span.window.latest)}"
        found[word] = LabelDay(what=word, when=when)
    return tuple(found.values())


def code_svg(text: str) -> str:
    """Return a QR code as an SVG drawing with its quiet zone, 15 % of which may be lost (level M).

    Source: quiet zone of four modules and levels of [ISO18004].
    """
    import segno

    drawing: str = segno.make(text, error="m", micro=False).svg_inline(omitsize=True, border=4, svgclass="code")
    return drawing


def lay_out(
    labels: Sequence[tuple[Label, int]], sheet: LabelSheet, *, farm: str, skip: int = 0, reachable: bool = True
) -> LabelPages:
    """Return labels on pages.

    Args:
        labels: Each label, and how often it is printed.
        sheet: The sheet.
        farm: The farm's name.
        skip: How many places of the first page were used up before.
        reachable: A phone can open what the codes hold.

    Raises:
        RefusedError: There is nothing to print, or too much, or the whole first page is left out.
    """
    count = sum(times for _, times in labels)
    if not 0 < count <= MOST:
        raise RefusedError(f"{count} labels: say from 1 to {MOST}")
    if not 0 <= skip < sheet.on_page:
        raise RefusedError(
            f"{skip} places left out: such a page has {sheet.on_page}; say from 0 to {sheet.on_page - 1}"
        )
    places: list[Label | None] = [None] * skip
    places += [label for label, times in labels for _ in range(times)]
    pages = tuple(tuple(places[first : first + sheet.on_page]) for first in range(0, len(places), sheet.on_page))
    return LabelPages(farm=farm, sheet=sheet, pages=pages, count=count, reachable=reachable)


def labels_for(
    wanted: Iterable[tuple[str, int | None]],
    sheet: LabelSheet,
    tick: Tick,
    *,
    base: str,
    skip: int = 0,
    reachable: bool = True,
) -> LabelPages:
    """Return the labels of some batches on pages.

    Args:
        wanted: Batch ids, each with how many labels; None: one for each tray that stands.
        sheet: The sheet.
        tick: The moment.
        base: Address of the pages.
        skip: How many places of the first page were used up before.
        reachable: A phone can open that address.

    Raises:
        NotFoundError: There is no such batch, or its crop has no profile.
        RefusedError: There is nothing to print, or too much.
    """
    found = []
    for said, times in wanted:
        batch = tick.batches.get(said)
        profile = tick.profiles.get(batch.crop) if batch else None
        if batch is None or profile is None:
            raise NotFoundError(f"there is no batch {said!r} of a known crop; `traywarden batches` lists them")
        standing = sum(part.trays for part in batch.standing)
        found.append((label_of(batch, profile, tick, base), standing if times is None else times))
    return lay_out(found, sheet, farm=tick.farm.name, skip=skip, reachable=reachable)


def label_css(sheet: LabelSheet) -> str:
    """Return the style of one sheet: page and labels in mm, letters as large as the label allows."""
    from dashboards.printing import fill

    width, height = sheet.label_mm
    code_mm = min(height - 4, width * 0.42)
    text_mm = max(1.8, min(height / 13.2, (width - code_mm - 4) / 12))
    return fill("labels.css.j2", sheet=sheet, code_mm=round(code_mm, 2), text_mm=round(text_mm, 2))


def render(pages: LabelPages, *, style: str | None = None) -> str:
    """Return labels as HTML to print; everything that a person typed is escaped.

    Args:
        pages: The labels.
        style: Address of the style; None: it stands in the page.
    """
    from markupsafe import Markup

    from dashboards.printing import fill

    inline = "" if style else label_css(pages.sheet)
    return fill("labels.html.j2", labels=pages, style=style, inline=Markup(inline), drawn=Markup)


def labels_facts(pages: LabelPages, made_at: datetime) -> dict[str, object]:
    """Return labels as the documented JSON."""
    once = {label.batch: label for page in pages.pages for label in page if label is not None}
    times = [label.batch for page in pages.pages for label in page if label is not None]
    return {
        "schema": "traywarden.labels/1",
        "at": made_at.isoformat(),
        "size": pages.sheet.id,
        "pages": len(pages.pages),
        "labels": [
            {
                "batch": label.batch,
                "crop": label.crop,
                "lot": label.lot or None,
                "sown": label.sown,
                "days": [{"what": day.what, "when": day.when} for day in label.days],
                "on_hold": bool(label.hold),
                "opens": label.url,
                "times": times.count(label.batch),
            }
            for label in once.values()
        ],
    }
