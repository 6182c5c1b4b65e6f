"""Pictures are drawn once, elsewhere, and kept while there is room; what goes wrong is said and tried again."""

from __future__ import annotations

import re
import threading
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta

import pytest

from dashboards.daypicture import DayPicture, content_key
from dashboards.drawing import Drawer, Order
from dashboards.pictures import Pictures
from monitor.errors import PictureError
from tests.dashboards.test_charts import whole_picture
from tests.support.influx import wait_until


class Counting:
    """Draws nothing, slowly or not, and counts; refuses what is called so."""

    def __init__(self) -> None:
        """Draw at once."""
        self.drawn: list[Order] = []
        self.may_go_on = threading.Event()
        self.may_go_on.set()
        self.refuses: set[str] = set()

    def draw(self, order: Order) -> bytes:
        """Return a drawing that names what it shows."""
        self.may_go_on.wait()
        self.drawn.append(order)
        if order.picture.title in self.refuses:
            raise PictureError("no ink")
        return (
            f'<svg class="marks" width="10" height="20" viewBox="0 0 10 20">{order.picture.title} clip3</svg>'.encode()
        )

    def close(self) -> None:
        """Go on, if it still waits."""
        self.may_go_on.set()


@pytest.fixture
def counting() -> Counting:
    """Return a drawer that counts."""
    return Counting()


@pytest.fixture
def pictures(counting: Counting) -> Iterator[Pictures]:
    """Return pictures with room for three drawings."""
    kept = Pictures(counting, most=3)
    yield kept
    kept.close()


def named(title: str) -> DayPicture:
    """Return a picture of its own content."""
    return replace(whole_picture(), title=title)


def test_one_content_is_drawn_once(pictures: Pictures, counting: Counting) -> None:
    """Whoever asks, and in whichever colours."""
    first = pictures.svg(named("one"))
    second = pictures.svg(named("one"), theme="night")

    assert len(counting.drawn) == 1
    assert "one" in first
    assert "one" in second


def test_a_page_does_not_wait_for_a_picture(pictures: Pictures, counting: Counting) -> None:
    """What is not drawn yet is not ready, at once; warmed, it is ready when it is drawn."""
    counting.may_go_on.clear()
    pictures.warm([named("one")])

    assert pictures.ready(named("one")) is None

    counting.may_go_on.set()
    assert pictures.svg(named("one")) == pictures.ready(named("one"))


def test_the_oldest_goes_where_there_is_no_more_room(pictures: Pictures, counting: Counting) -> None:
    """Three are kept; the fourth takes the place of the one that was asked for longest ago."""
    for title in ("one", "two", "three", "one", "four"):
        pictures.svg(named(title))

    assert pictures.ready(named("one")) is not None
    assert pictures.ready(named("two")) is None


def test_what_failed_is_tried_again(pictures: Pictures, counting: Counting) -> None:
    """A refusal is passed on, and not kept."""
    counting.refuses = {"one"}
    with pytest.raises(PictureError, match="no ink"):
        pictures.svg(named("one"))
    counting.refuses = set()

    assert pictures.ready(named("one")) is None
    assert "one" in pictures.svg(named("one"))


def test_what_was_given_up_is_said_so(counting: Counting) -> None:
    """A drawing that makes room while somebody waits for it says so; none is begun after the end."""
    kept = Pictures(counting, most=1)
    counting.may_go_on.clear()
    kept.warm([named("one")], widths=("wide",))
    said: list[str] = []

    def ask() -> None:
        with pytest.raises(PictureError) as refused:
            kept.svg(named("two"))
        said.append(str(refused.value))

    waiting = threading.Thread(target=ask)
    waiting.start()
    wait_until(lambda: content_key(named("two")) in {key for key, _, _ in kept._kept}, 10)
    kept.warm([named("three")], widths=("wide",))
    waiting.join(10)
    kept.close()

    assert len(said) == 1
    assert "given up" in said[0]
    with pytest.raises(PictureError, match="stopping"):
        kept.warm([named("four")])


def test_two_drawings_in_one_page_share_no_names(pictures: Pictures) -> None:
    """The clips of each carry its own key; the page gives it its size."""
    one, two = pictures.svg(named("one")), pictures.svg(named("two"))

    names = [re.findall(r"p[0-9a-f]{20}-3", each) for each in (one, two)]
    assert all(names)
    assert names[0] != names[1]
    assert 'width="10"' not in one
    assert 'aria-hidden="true"' in one
    assert 'viewBox="0 0 10 20"' in one


def test_the_drawing_process_draws_says_what_is_wrong_and_comes_back() -> None:
    """The real one: a picture; a picture that cannot be; one killed between two orders; none after it was closed."""
    drawer = Drawer()
    try:
        svg = drawer.draw(Order(picture=whole_picture(), width=340))
        with pytest.raises(PictureError, match="could not be drawn"):
            drawer.draw(Order(picture=replace(whole_picture(), zone="nowhere"), width=340))  # type: ignore[arg-type]
        assert drawer._process is not None
        drawer._process.kill()
        drawer._process.wait()
        again = drawer.draw(Order(picture=replace(whole_picture(), panels=()), width=340))
        last = drawer._process
    finally:
        drawer.close()

    assert svg.startswith(b"<svg")
    assert again.startswith(b"<svg")
    assert last is not None
    assert last.poll() is not None
    with pytest.raises(PictureError, match="stopping"):
        drawer.draw(Order(picture=whole_picture(), width=340))


def test_the_drawing_process_ends_with_whoever_started_it() -> None:
    """Its standard input ends, and so does it: a service that is killed leaves nothing behind."""
    drawer = Drawer()
    try:
        drawer.draw(Order(picture=replace(whole_picture(), panels=(), lit=()), width=340))
        process = drawer._process
        assert process is not None
        assert process.stdin is not None
        process.stdin.close()

        assert process.wait(timeout=timedelta(seconds=20).total_seconds()) == 0
    finally:
        drawer.close()
