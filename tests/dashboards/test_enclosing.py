"""Pictures that go out with alarms: drawn once, by the real process; one that fails or is slow costs nothing."""

from __future__ import annotations

import io
import logging
import threading
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from PIL import Image

from alerts.findings import Tick
from dashboards.drawing import Order
from dashboards.enclosing import REST, Enclosing
from monitor.errors import PictureError, StoreError
from monitor.live import LiveBuffer
from monitor.readings import Block
from tests.dashboards.test_alarmdays import COLD, PROFILES, finding
from tests.dashboards.test_batchdays import readings
from tests.support.farms import Book, farm
from tests.support.influx import wait_until

NOW = Book().at("2026-03-07", "09:00")
FOUND = finding("cold", sensor="cold-1")
ROWS = Block.from_readings(readings("cold-1", NOW - timedelta(hours=40), [3 + n / 8 for n in range(40)]))


class Hand:
    """Draws as it is told to, and remembers; stands for the drawing process."""

    def __init__(self, does: Callable[[Hand], bytes]) -> None:
        """Draw so."""
        self._does, self.drawn = does, 0
        self.closed = threading.Event()

    def draw(self, order: Order) -> bytes:
        """Return a drawing."""
        assert order.form == "png"
        self.drawn += 1
        return self._does(self)

    def close(self) -> None:
        """Draw no more."""
        self.closed.set()


def until_closed(hand: Hand) -> bytes:
    """Draw for ever, as a machine that is far too slow."""
    hand.closed.wait()
    raise PictureError("ended")


def no_ink(_hand: Hand) -> bytes:
    """Fail."""
    raise PictureError("no ink")


@pytest.fixture
def tick(tmp_path_factory: pytest.TempPathFactory) -> Tick:
    """Return the moment in a farm with two sensors in its cold store."""
    where = farm(tmp_path_factory.mktemp("farm"), more=COLD)
    return Tick(now=NOW, farm=where, profiles=PROFILES, batches={}, live=LiveBuffer(), watching_since=NOW)


def rows(sensors: object, _begin: object, _end: object) -> Block:
    """Return readings of the first sensor, none of the other."""
    return ROWS if sensors == ["cold-1"] else Block.from_readings([])


def test_the_real_process_draws_it(tick: Tick) -> None:
    """A PNG of the picture's width with more than one colour in it, and a line that says what it shows."""
    enclosing = Enclosing(rows, patience=timedelta(seconds=60))

    enclosed = enclosing.picture(FOUND, tick)
    enclosing.close()

    assert enclosed is not None
    image = Image.open(io.BytesIO(enclosed.png))
    assert image.format == "PNG"
    assert 1200 <= image.width <= 1260
    assert image.height > 100
    shades = np.asarray(image.convert("L"))
    assert int((shades < 128).sum()) > 500
    assert enclosed.words.startswith("The picture: The cold store, Thu 5 Mar 09:00 to Sat 7 Mar 09:00")


def test_it_is_drawn_once_whoever_it_goes_to(tick: Tick) -> None:
    """Again only ten minutes later, or for another alarm; whoever drew is closed."""
    hand = Hand(lambda _: b"png")
    enclosing = Enclosing(rows, lambda: hand)

    first = enclosing.picture(FOUND, tick)
    second = enclosing.picture(FOUND, replace(tick, now=NOW + timedelta(minutes=9)))
    once = hand.drawn
    enclosing.picture(replace(FOUND, rule="too damp"), tick)
    enclosing.picture(FOUND, replace(tick, now=NOW + timedelta(minutes=10)))

    assert first is not None
    assert second is first
    assert (once, hand.drawn) == (1, 3)
    assert hand.closed.is_set()


def test_one_that_fails_is_logged_and_left_out(tick: Tick, caplog: pytest.LogCaptureFixture) -> None:
    """The next person's mail does not ask for it again."""
    hand = Hand(no_ink)
    enclosing = Enclosing(rows, lambda: hand)

    with caplog.at_level(logging.WARNING):
        found = [enclosing.picture(FOUND, tick) for _ in range(2)]

    assert (found, hand.drawn) == ([None, None], 1)
    assert "no ink" in caplog.text


def test_a_store_that_does_not_answer_is_logged(tick: Tick, caplog: pytest.LogCaptureFixture) -> None:
    """What fails before the drawing costs as little."""

    def broken(*_: object) -> Block:
        raise StoreError("the store is away")

    with caplog.at_level(logging.WARNING):
        assert Enclosing(broken).picture(FOUND, tick) is None
    assert "the store is away" in caplog.text


def test_one_that_is_slow_is_ended_and_none_is_tried_for_a_while(tick: Tick, caplog: pytest.LogCaptureFixture) -> None:
    """Ten minutes; then the next is tried."""
    hand = Hand(until_closed)
    enclosing = Enclosing(rows, lambda: hand, patience=timedelta(milliseconds=50))

    with caplog.at_level(logging.WARNING):
        assert enclosing.picture(FOUND, tick) is None
    other = replace(FOUND, rule="too damp")
    resting = enclosing.picture(other, replace(tick, now=NOW + REST - timedelta(seconds=1)))
    tried = hand.drawn
    enclosing.picture(other, replace(tick, now=NOW + REST))

    assert hand.closed.is_set()
    assert resting is None
    assert "picture.too_slow" in caplog.text
    assert (tried, hand.drawn) == (1, 2)


def test_a_store_that_hangs_costs_the_same_wait(tick: Tick) -> None:
    """Nothing is drawn once it answers after all."""
    go_on = threading.Event()

    def hanging(*_: object) -> Block:
        go_on.wait()
        return ROWS

    hand = Hand(lambda _: b"png")
    enclosing = Enclosing(hanging, lambda: hand, patience=timedelta(milliseconds=50))
    found = enclosing.picture(FOUND, tick)
    go_on.set()
    wait_until(lambda: not any(thread.name == "enclosing" for thread in threading.enumerate()))

    assert found is None
    assert hand.drawn == 0


def test_a_service_that_stops_does_not_wait(tick: Tick) -> None:
    """What is being drawn is given up, and nothing is begun."""
    hand = Hand(until_closed)
    enclosing = Enclosing(rows, lambda: hand, patience=timedelta(seconds=60))
    waiting = threading.Thread(target=enclosing.picture, args=(FOUND, tick))
    waiting.start()
    wait_until(lambda: hand.drawn == 1)
    enclosing.close()
    waiting.join(timedelta(seconds=20).total_seconds())

    assert not waiting.is_alive()
    assert enclosing.picture(replace(FOUND, rule="too damp"), tick) is None
    assert hand.drawn == 1
