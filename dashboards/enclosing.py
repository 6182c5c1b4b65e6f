"""The pictures that go out with alarms: drawn by a process that lives no longer, waited for a few seconds at most.

A message is worth more than its picture: whatever goes wrong here is logged, and the message goes without.
"""

from __future__ import annotations

import logging
import threading
from collections import OrderedDict
from collections.abc import Callable
from concurrent.futures import Future, InvalidStateError
from contextlib import suppress
from datetime import datetime, timedelta

from alerts.channels import Enclosure
from alerts.findings import Finding, Tick
from dashboards.alarmdays import alarm_days, picture_words
from dashboards.batchdays import rounded_down
from dashboards.charts import WIDE
from dashboards.drawing import Drawer, Order
from dashboards.pictures import Draws
from dashboards.waterdays import Read

log = logging.getLogger(__name__)

PATIENCE = timedelta(seconds=8)
"""A message waits so long for its picture. Ours."""

REST = timedelta(minutes=10)
"""Where one could not be drawn in time, no other is tried for so long: the messages of that time wait for none."""

_MOST = 8


class Enclosing:
    """Draws what goes out with alarms, each once in ten minutes, whoever it goes to."""

    def __init__(
        self, read: Read, make_drawer: Callable[[], Draws] = Drawer, *, patience: timedelta = PATIENCE
    ) -> None:
        """Take where readings come from, what makes whoever draws one picture, and how long a picture is waited for."""
        self._read, self._make_drawer, self._patience = read, make_drawer, patience
        self._kept: OrderedDict[tuple[str, datetime], Enclosure | None] = OrderedDict()
        self._rests_until: datetime | None = None
        self._lock = threading.Lock()
        self._drawer: Draws | None = None
        self._closed = False

    def picture(self, finding: Finding, tick: Tick) -> Enclosure | None:
        """Return the picture of what a finding is about; None: there is none, or none in time. Never raises."""
        if self._closed or (self._rests_until is not None and tick.now < self._rests_until):
            return None
        key = (finding.key, rounded_down(tick.now, REST))
        if key not in self._kept:
            self._kept[key] = self._waited_for(finding, tick)
            while len(self._kept) > _MOST:
                self._kept.popitem(last=False)
        return self._kept[key]

    def _waited_for(self, finding: Finding, tick: Tick) -> Enclosure | None:
        """Return a picture made in a thread of its own, or None where it fails or takes too long."""
        made: Future[Enclosure | None] = Future()
        threading.Thread(target=self._make, args=(made, finding, tick), name="enclosing", daemon=True).start()
        try:
            return made.result(self._patience.total_seconds())
        except TimeoutError:
            made.cancel()
            self._rests_until = tick.now + REST
            log.warning("picture.too_slow finding=%s waited_s=%g", finding.key, self._patience.total_seconds())
            self._end_drawing()
        except Exception as exc:  # whatever it is, the message goes out
            log.warning("picture.not_drawn finding=%s why=%s: %s", finding.key, type(exc).__name__, exc)
        return None

    def _make(self, made: Future[Enclosure | None], finding: Finding, tick: Tick) -> None:
        """Gather and draw a picture, and hand it or its failure over."""
        with suppress(InvalidStateError):  # nobody waits for it any more
            try:
                made.set_result(self._drawn(made, finding, tick))
            except Exception as exc:  # told to whoever waits
                made.set_exception(exc)

    def _drawn(self, made: Future[Enclosure | None], finding: Finding, tick: Tick) -> Enclosure | None:
        """Return a picture; None: nothing that is measured bears on the finding, or nobody waits for it any more."""
        picture = alarm_days(finding, tick, self._read)
        if picture is None:
            return None
        drawer = self._make_drawer()
        with self._lock:
            if self._closed or made.cancelled():
                return None
            self._drawer = drawer
        try:
            png = drawer.draw(Order(picture=picture, width=WIDE, form="png"))
        finally:
            drawer.close()
        return Enclosure(png=png, words=picture_words(picture))

    def _end_drawing(self) -> None:
        """End the drawing that is under way, if one is."""
        with self._lock:
            if self._drawer is not None:
                self._drawer.close()

    def close(self) -> None:
        """Draw no more; what is being drawn is given up. A second call does nothing."""
        with self._lock:
            self._closed = True
        self._end_drawing()
