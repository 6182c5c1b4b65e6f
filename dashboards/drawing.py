"""The process that draws pictures, beside the service; ``python -m dashboards.drawing`` is started by `Drawer`.

The renderer holds Python's lock for as long as it draws, a tenth of a second, nearly a whole one the first time; in
the service's own process nothing else would move meanwhile, no reading and no page. The process ends when its
standard input does, so it never outlives the service.
"""

from __future__ import annotations

import pickle
import subprocess
import sys
import threading
from dataclasses import dataclass
from typing import IO, Literal

from dashboards.daypicture import DayPicture
from monitor.errors import PictureError

_LENGTH = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class Order:
    """One picture to draw.

    Attributes:
        picture: What.
        width: How wide. [px]
        form: ``svg`` with stand-ins for colours, or ``png`` in the colours of the day.
    """

    picture: DayPicture
    width: int
    form: Literal["svg", "png"] = "svg"


def _put(pipe: IO[bytes], value: object) -> None:
    """Send a value with its length before it."""
    packed = pickle.dumps(value)
    pipe.write(len(packed).to_bytes(_LENGTH, "big") + packed)
    pipe.flush()


def _take(pipe: IO[bytes]) -> object:
    """Return the next value.

    Raises:
        EOFError: The other side has gone.
    """
    head = pipe.read(_LENGTH)
    size = int.from_bytes(head, "big")
    packed = pipe.read(size) if len(head) == _LENGTH else b""
    if len(head) < _LENGTH or len(packed) < size:
        raise EOFError("the other side has gone")
    return pickle.loads(packed)  # comes from our own process only


class Drawer:
    """Hands orders to the drawing process, one at a time; starts it at the first, and again if it died."""

    def __init__(self) -> None:
        """Start nothing yet."""
        self._process: subprocess.Popen[bytes] | None = None
        self._lock = threading.Lock()
        self._is_closed = False

    def draw(self, order: Order) -> bytes:
        """Return a picture.

        Raises:
            PictureError: It could not be drawn; says why.
        """
        with self._lock:
            if self._is_closed:
                raise PictureError("pictures are no longer drawn: the service is stopping")
            process = self._running()
            if process.stdin is None or process.stdout is None:
                raise PictureError("the drawing process has no pipes")
            try:
                _put(process.stdin, order)
                answer = _take(process.stdout)
            except (OSError, EOFError) as exc:
                self._end()
                raise PictureError("the drawing process ended; the picture is drawn when it is next asked for") from exc
        if isinstance(answer, bytes):
            return answer
        raise PictureError(f"this picture could not be drawn: {answer}")

    def _running(self) -> subprocess.Popen[bytes]:
        """Return the drawing process, started where there is none."""
        if self._process is not None and self._process.poll() is not None:
            self._end()
        if self._process is None:
            command = [sys.executable, "-m", "dashboards.drawing"]
            self._process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE)
        return self._process

    def _end(self) -> None:
        """End the process, and let go of its pipes."""
        process, self._process = self._process, None
        if process is None:
            return
        process.kill()
        for pipe in (process.stdin, process.stdout):
            if pipe is not None:
                try:
                    pipe.close()
                except BrokenPipeError:  # an order that it never read
                    continue
        process.wait()

    def close(self) -> None:
        """End the drawing process; a second call does nothing."""
        self._is_closed = True  # an order that is being drawn ends with its process
        process = self._process
        if process is not None:
            process.kill()
        with self._lock:
            self._end()


def _serve() -> None:
    """Draw what is ordered until standard input ends."""
    import os
    import signal

    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is the service's to answer
    os.nice(5)
    incoming, outgoing = sys.stdin.buffer, sys.stdout.buffer
    sys.stdout = sys.stderr  # whatever a library prints does not get among the answers
    while True:
        try:
            order = _take(incoming)
        except EOFError:
            return
        _put(outgoing, _answer(order))


def _answer(order: object) -> bytes | str:
    """Return a picture, or why there is none."""
    from dashboards.charts import draw, picture_png
    from dashboards.colours import coloured

    if not isinstance(order, Order):
        return f"an order was expected, not {type(order).__name__}"
    try:
        svg = draw(order.picture, width=order.width)
        return svg.encode() if order.form == "svg" else picture_png(coloured(svg, "day"))
    except Exception as exc:  # whatever a picture holds, the next one is drawn
        return f"{type(exc).__name__}: {exc}"


if __name__ == "__main__":
    from dashboards.drawing import (
        _serve as serve,
    )  # by its own name, so that orders are of the class that is known here

    serve()
