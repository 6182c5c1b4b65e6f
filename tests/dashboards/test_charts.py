"""The days of a batch as a drawing: what stands in it, that a strict page takes it, and its colours."""

from __future__ import annotations

import io
import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from importlib.resources import files
from xml.etree import ElementTree
from zoneinfo import ZoneInfo

import altair
import numpy as np
import pytest

from dashboards.charts import NARROW, WIDE, draw, drawing_of, picture_png
from dashboards.colours import ROLES, coloured
from dashboards.daypicture import DayPicture, Mark, Panel, Shade, Silence, Trace, Wanted
from monitor.readings import to_ms

SOWN = datetime(2026, 10, 21, 9, 0, tzinfo=UTC)  # the clocks go back on the fourth day
HOUR = timedelta(hours=1)
DAYS = 6


def whole_picture() -> DayPicture:
    """Return a picture with everything that one can hold: gap, band, silence, comparison, marks, lamp."""
    at_ms = np.array([to_ms(SOWN + HOUR * n / 6) for n in range(DAYS * 144) if not 300 < n < 420], dtype=np.int64)
    value = 20 + np.sin(at_ms / 9e6)
    end = SOWN + 24 * DAYS * HOUR
    air = Panel(
        name="temperature",
        unit="°C",
        traces=(Trace(name="<air & 1>", at_ms=at_ms, value=value), Trace(name="air-2", at_ms=at_ms, value=value + 1)),
        wanted=(
            Wanted(begins_at=SOWN, ends_at=SOWN + 48 * HOUR, low=18.0, high=22.0),
            Wanted(begins_at=SOWN + 48 * HOUR, ends_at=end, low=16.0, high=None),
        ),
        beneath=(Trace(name="Batch 3", at_ms=at_ms, value=value - 1),),
    )
    damp = Panel(
        name="humidity",
        unit="%",
        traces=(),
        silences=(Silence(begins_at=SOWN, ends_at=end, why="not measured under the cover"),),
    )
    return DayPicture(
        title="Batch 12 radish",
        zone=ZoneInfo("Europe/Lisbon"),
        sown_at=SOWN,
        begins_at=SOWN - 2 * HOUR,
        ends_at=end,
        phases=(
            Shade(name="germination", begins_at=SOWN, ends_at=SOWN + 48 * HOUR),
            Shade(name="blackout", begins_at=SOWN + 48 * HOUR, ends_at=end, is_guess=True),
        ),
        panels=(air, damp),
        marks=(
            Mark(what="sown", at=SOWN, row="moved on"),
            Mark(what="watered", at=SOWN + 30 * HOUR, row="watered"),
            Mark(what="water", at=SOWN + 29 * HOUR, row="asked for"),
        ),
        lit=tuple((SOWN + 24 * n * HOUR - 3 * HOUR, SOWN + 24 * n * HOUR + 13 * HOUR) for n in range(DAYS)),
    )


@pytest.fixture(scope="module")
def svg() -> str:
    """Return that picture, drawn wide."""
    return draw(whole_picture(), width=WIDE)


def words(svg: str) -> set[str]:
    """Return the texts in a drawing."""
    return {text.text or "" for text in ElementTree.fromstring(svg).iter("{http://www.w3.org/2000/svg}text")}


def spans(svg: str) -> set[str]:
    """Return the lines of texts that have several."""
    return {text.text or "" for text in ElementTree.fromstring(svg).iter("{http://www.w3.org/2000/svg}tspan")}


def test_everything_is_named_on_the_picture_itself(svg: str) -> None:
    """Phases, panels, rows of marks, days and batch days, and what is not measured: in words."""
    found = words(svg)

    assert {"germination", "blackout (taken as begun)", "temperature, °C", "humidity, %"} <= found
    assert {"moved on", "watered", "asked for", "not measured under the cover", "air-2", "<air & 1>"} <= found
    assert {"Wed 21", "day 0", "Sun 25", "day 4"} <= spans(svg)


def test_a_strict_page_takes_it(svg: str) -> None:
    """No style attribute, no style sheet, no script, no link outside, no paper of its own."""
    assert not re.findall(r"(?<!-)\bstyle=|<style|<script|javascript:|on\w+=|@import", svg)
    assert set(re.findall(r"https?://[^\"' ]+", svg)) <= {"http://www.w3.org/2000/svg", "http://www.w3.org/1999/xlink"}
    assert 'fill="white"' not in svg
    assert "role=" not in svg  # the page says what it shows; the parts would only be noise


def test_a_gap_is_a_gap(svg: str) -> None:
    """The line breaks where nothing was heard for twenty hours: it is begun twice."""
    lines = re.findall(r'aria-label|<path[^>]* d="(M[^"]*)"[^>]*stroke-width="1.3"', svg)
    drawn = [line for line in lines if line.count("L") > 50]

    assert len(drawn) == 2
    assert all(line.count("M") == 2 for line in drawn)


def test_series_of_one_panel_differ_in_shape_not_only_in_name(svg: str) -> None:
    """The second line is broken; the band's ends are broken lines too."""
    assert re.search(
        r'stroke-width="1.3"[^>]*stroke-dasharray="6,3"|stroke-dasharray="6,3"[^>]*stroke-width="1.3"', svg
    )
    assert re.search(r'stroke-dasharray="5,3"', svg)


@pytest.mark.parametrize(("theme", "place"), [("day", 0), ("night", 1)])
def test_a_theme_has_its_own_colours(svg: str, theme: str, place: int) -> None:
    """All stand-ins are gone, and what is left are colours of that theme alone."""
    shown = coloured(svg, theme)  # type: ignore[arg-type] # both names are themes

    used = set(re.findall(r"#[0-9a-f]{6}", shown))
    assert used
    assert used <= {pair[place] for pair in ROLES.values()}


def test_in_a_page_the_colours_are_the_pages(svg: str) -> None:
    """Only names that the style sheet gives a value to."""
    shown = coloured(svg, "page")

    assert not re.findall(r"#[0-9a-f]{6}", shown)
    assert set(re.findall(r"var\(--pic-([a-z]+)\)", shown)) <= set(ROLES)


def test_the_drawing_is_what_the_renderer_understands() -> None:
    """Checked against the whole schema of Vega-Lite, which drawing skips for the sake of time."""
    altair.Chart.from_dict(drawing_of(whole_picture(), NARROW))


def test_it_is_as_wide_as_was_asked(svg: str) -> None:
    """A phone's and a desk's."""
    narrow = draw(whole_picture(), width=NARROW)

    widths = [float(re.findall(r'<svg [^>]*?width="([\d.]+)"', each)[0]) for each in (svg, narrow)]
    assert widths == pytest.approx([WIDE, NARROW], abs=6)


def test_mails_get_a_png_on_white_paper(svg: str) -> None:
    """Readable by any mail program: no transparency that a dark one would swallow."""
    from PIL import Image

    image = Image.open(io.BytesIO(picture_png(coloured(svg, "day"), scale=1.0))).convert("RGBA")

    assert image.width == pytest.approx(WIDE, abs=6)
    assert image.getpixel((1, image.height - 2)) == (255, 255, 255, 255)


def test_a_picture_without_readings_is_drawn_too() -> None:
    """A farm without sensors sees its phases and marks."""
    bare = replace(whole_picture(), panels=(), lit=())

    assert "germination" in words(draw(bare, width=NARROW))


def contrast(one: str, other: str) -> float:
    """Return the contrast of two colours. Source: [WCAG22] relative luminance and contrast ratio."""

    def luminance(colour: str) -> float:
        parts = [int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)]
        red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
        return 0.2126 * red + 0.7152 * green + 0.0722 * blue

    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


@pytest.mark.parametrize(("place", "paper"), [(0, "#f7f3ea"), (1, "#15121a")])
def test_lines_and_words_stand_out_from_every_shade(place: int, paper: str) -> None:
    """Ink on each phase's shade, words at 4.5 to 1, lines of the band at 3 to 1; [WCAG22] 1.4.3 and 1.4.11."""
    for role in ("soak", "germination", "blackout", "light", "harvest", "overgrown"):
        assert contrast(ROLES["ink"][place], ROLES[role][place]) >= 4.5
    assert contrast(ROLES["soft"][place], paper) >= 4.5
    assert contrast(ROLES["band"][place], paper) >= 3
    assert contrast(ROLES["grey"][place], paper) >= 3


def test_the_style_sheet_names_the_same_colours() -> None:
    """Day, night, and day again on paper, as the code has them."""
    sheet = (files("dashboards") / "static" / "traywarden.css").read_text(encoding="utf-8")
    named = re.findall(r"--pic-([a-z]+): (#[0-9a-f]{6});", sheet)

    by_role: dict[str, list[str]] = {}
    for role, colour in named:
        by_role.setdefault(role, []).append(colour)
    assert by_role == {role: [day, night, day] for role, (day, night) in ROLES.items()}


def test_a_phase_that_began_just_now_has_its_name_before_it() -> None:
    """Behind its beginning the name would run out of the picture; it was cut off there."""
    picture = whole_picture()
    late = Shade(name="harvest window", begins_at=picture.ends_at - 3 * HOUR, ends_at=picture.ends_at)

    strip = drawing_of(replace(picture, phases=(*picture.phases, late)), WIDE)["vconcat"][0]
    sides = {layer["mark"]["align"] for layer in strip["layer"] if layer["mark"]["type"] == "text"}
    usual = drawing_of(picture, WIDE)["vconcat"][0]

    assert sides == {"left", "right"}
    assert {each["mark"]["align"] for each in usual["layer"] if each["mark"]["type"] == "text"} == {"left"}
