"""A drawer for pages that are tested without the drawing process: it names what it was to draw."""

from __future__ import annotations

from html import escape

from dashboards.drawing import Order


class Sketcher:
    """Draws a frame with the picture's title in it, at once."""

    def __init__(self) -> None:
        """Have drawn nothing yet."""
        self.orders: list[Order] = []

    def draw(self, order: Order) -> bytes:
        """Return a drawing that names what it shows."""
        self.orders.append(order)
        title = escape(order.picture.title)
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{order.width}" height="20" '
            f'viewBox="0 0 {order.width} 20"><text fill="#0b0c01">{title}</text></svg>'
        ).encode()

    def close(self) -> None:
        """Let go of nothing."""
