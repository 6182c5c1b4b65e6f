"""``POST /ingest`` of the running monitor: what was answered 202 is on disk, whatever happens next."""

from __future__ import annotations

import json
import os
import signal
import urllib.error
import urllib.request
from pathlib import Path

import pytest

from monitor.stores.sqlite import SqliteReadingStore
from tests.live.test_serving import started, write_farm
from tests.support.farms import sensor_text

pytestmark = pytest.mark.live
TOKEN = "saltcellar-node-3-0123456789"
DEVICE = '[[device]]\nid = "node-3"\ntoken_file = "node-3.token"\n'


def push(address: str, value: float, token: str = TOKEN) -> tuple[int, dict[str, object]]:
    """Push one reading; return status and answer."""
    body = json.dumps([{"n": "node-3:temp", "u": "Cel", "v": value, "t": 1772442000 + round(value)}]).encode()
    headers = {"Authorization": f"Bearer {token}", "Content-Type": "application/senml+json"}
    request = urllib.request.Request(f"{address}/ingest", data=body, headers=headers)
    try:
        with urllib.request.urlopen(request, timeout=20) as answer:
            return answer.status, json.load(answer)
    except urllib.error.HTTPError as exc:
        return exc.code, json.load(exc)


def test_what_was_answered_202_survives_a_kill(tmp_path: Path) -> None:
    """Beside the pages, on their address, without their sign-in; a stranger is turned away."""
    sensor = sensor_text("air", "temperature", "cellar", record="temp").replace("t/air", "push/node-3")
    command = write_farm(tmp_path, "port = 0", sensor + DEVICE)
    (tmp_path / "node-3.token").write_text(TOKEN, encoding="utf-8")
    with started(command, "run") as (process, address):
        stranger, _ = push(address, 20, token="a-guess-of-a-stranger-0")
        answers = [push(address, value)[0] for value in (20, 21, 22)]
        with urllib.request.urlopen(address, timeout=20) as page:
            front = page.status
        os.kill(process.pid, signal.SIGKILL)
        process.communicate(timeout=20)
    store = SqliteReadingStore(tmp_path / "data" / "readings.db")
    kept, count = store.latest(["air"])["air"].value, store.count()
    store.close()

    assert (stranger, answers, front) == (401, [202, 202, 202], 200)
    assert (kept, count) == (22.0, 3)
