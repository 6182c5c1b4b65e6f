"""The event stream: open pages hear at once which facts changed, and fetch the parts that show them."""

from __future__ import annotations

from collections.abc import AsyncIterator

from starlette.requests import Request
from starlette.responses import StreamingResponse
from starlette.routing import BaseRoute, Route

from dashboards.web.house import House

BEAT_S = 10.0
"""A sign of life goes out this often, so that a phone notices a dead line. [s]"""
_GATHER_S = 0.3
_MOST = 200
"""How many streams are kept open at once. Our choice."""


def routes(house: House) -> list[BaseRoute]:
    """Return the stream's route."""

    async def events(request: Request) -> StreamingResponse:
        headers = {"Cache-Control": "no-store", "X-Accel-Buffering": "no"}
        if house.bell.listeners >= _MOST:
            return StreamingResponse(_nothing(), status_code=503, headers=headers)
        return StreamingResponse(_stream(house), media_type="text/event-stream", headers=headers)

    return [Route("/events", events)]


async def _nothing() -> AsyncIterator[bytes]:
    """Yield nothing but a wish to come back later."""
    yield b"retry: 30000\n\n"


async def _stream(house: House) -> AsyncIterator[bytes]:
    """Yield one event a change, and a beat where nothing changes."""
    ear = house.bell.open()
    try:
        yield b"retry: 2000\nevent: beat\ndata:\n\n"
        async for topics in ear.listen(beat_s=BEAT_S, gather_s=_GATHER_S):
            if topics:
                yield f"event: changed\ndata: {' '.join(sorted(topics))}\n\n".encode()
            else:
                yield b"event: beat\ndata:\n\n"
    finally:
        house.bell.shut(ear)
