"""Pictures by their content: each drawn once, off the event loop, kept while there is room; a page never waits."""

from __future__ import annotations

import re
import threading
from collections import OrderedDict
from collections.abc import Iterable
from concurrent.futures import CancelledError, Future, ThreadPoolExecutor
from typing import Literal, Protocol

from dashboards.charts import NARROW, WIDE, own_names
from dashboards.colours import Theme, coloured
from dashboards.daypicture import DayPicture, content_key
from dashboards.drawing import Drawer, Order
from monitor.errors import PictureError

_SIZE = re.compile(r'(<svg [^>]*?) width="\d+(?:\.\d+)?" height="\d+(?:\.\d+)?"')
Width = Literal["wide", "narrow"]
_PX = {"wide": WIDE, "narrow": NARROW}


class Draws(Protocol):
    """Whoever draws."""

    def draw(self, order: Order) -> bytes:
        """Return a picture."""
        ...

    def close(self) -> None:
        """Draw no more."""
        ...


class Pictures:
    """The pictures of a running service."""

    def __init__(self, drawer: Draws | None = None, *, most: int = 96) -> None:
        """Keep at most so many drawings; the one that was asked for longest ago goes first."""
        self._drawer = drawer if drawer is not None else Drawer()
        self._most = most
        self._kept: OrderedDict[tuple[str, str, str], Future[bytes]] = OrderedDict()
        self._lock = threading.Lock()
        self._closed = False
        self._hand = ThreadPoolExecutor(max_workers=1, thread_name_prefix="pictures")

    def svg(self, picture: DayPicture, *, width: Width = "wide", theme: Theme = "page") -> str:
        """Return a picture in the colours of a theme, drawn now if it was not before.

        Raises:
            PictureError: It could not be drawn.
        """
        key = content_key(picture)
        return finished(self._drawn(key, picture, width, "svg").decode(), key, theme)

    def ready(self, picture: DayPicture, *, width: Width = "wide", theme: Theme = "page") -> str | None:
        """Return a picture if it is drawn already; else None, at once."""
        key = content_key(picture)
        with self._lock:
            known = self._kept.get((key, width, "svg"))
        if known is None or not known.done() or known.cancelled() or known.exception() is not None:
            return None
        return finished(known.result().decode(), key, theme)

    def png(self, picture: DayPicture) -> bytes:
        """Return a picture as PNG, in the colours of the day.

        Raises:
            PictureError: It could not be drawn.
        """
        return self._drawn(content_key(picture), picture, "wide", "png")

    def _drawn(self, key: str, picture: DayPicture, width: Width, form: Literal["svg", "png"]) -> bytes:
        """Return a drawing, waited for.

        Raises:
            PictureError: It could not be drawn, or was given up.
        """
        try:
            return self._future(key, picture, width, form).result()
        except CancelledError as exc:
            raise PictureError("the drawing was given up: too many were asked for, or the service stops") from exc

    def warm(self, pictures: Iterable[DayPicture], widths: tuple[Width, ...] = ("wide", "narrow")) -> None:
        """Have pictures drawn ahead; returns at once.

        Raises:
            PictureError: No more are drawn.
        """
        for picture in pictures:
            for width in widths:
                self._future(content_key(picture), picture, width, "svg")

    def _future(self, key: str, picture: DayPicture, width: Width, form: Literal["svg", "png"]) -> Future[bytes]:
        """Return the drawing, begun where nobody has asked for it yet, or where it failed."""
        whole = (key, width, form)
        with self._lock:
            known = self._kept.get(whole)
            if known is not None and not (known.done() and (known.cancelled() or known.exception() is not None)):
                self._kept.move_to_end(whole)
                return known
            if self._closed:
                raise PictureError("pictures are no longer drawn: the service is stopping")
            order = Order(picture=picture, width=_PX[width], form=form)
            made = self._kept[whole] = self._hand.submit(self._drawer.draw, order)
            while len(self._kept) > self._most:
                _, oldest = self._kept.popitem(last=False)
                oldest.cancel()
            return made

    def close(self) -> None:
        """Draw no more; a second call does nothing."""
        with self._lock:
            self._closed = True
        self._drawer.close()
        self._hand.shutdown(wait=True, cancel_futures=True)


def finished(drawn: str, key: str, theme: Theme) -> str:
    """Return a drawing coloured, with names of its own inside, and sized by the page that it stands in.

    Args:
        drawn: With stand-ins for colours.
        key: Its content's key, by which its inner names become its own.
        theme: Whose colours.
    """
    svg = own_names(coloured(drawn, theme), key)
    if theme != "page":
        return svg
    return _SIZE.sub(r'\1 focusable="false" aria-hidden="true"', svg, count=1)
