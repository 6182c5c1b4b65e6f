"""An urgent alarm goes out by real mail with its picture, drawn by the real process; whatever fails, it goes out."""

from __future__ import annotations

import io
import logging
from collections.abc import Iterator
from datetime import datetime, timedelta
from email import message_from_bytes, policy
from email.message import EmailMessage
from pathlib import Path

import numpy as np
import pytest
from aiosmtpd.controller import Controller
from PIL import Image

from alerts.channels import Enclosure, open_channels
from collectors.embedded_broker import free_port
from dashboards.enclosing import Enclosing
from monitor.clock import ManualClock
from monitor.errors import ChannelError
from monitor.ledger import EntryKind, NewEntry
from monitor.profilefile import shipped_profiles
from monitor.readings import Block, Reading
from monitor.service import Service
from tests.support.farms import Book, farm, sensor_text

pytestmark = pytest.mark.live

NOW = Book().at("2026-03-07", "09:00")
MINUTES = timedelta(minutes=10)
SENSORS = sensor_text("cold-1", "temperature", "cold") + sensor_text("air-1", "temperature", "cellar/1")


class Post:
    """Keeps the mails that a server takes; refuses those that are larger than it likes."""

    def __init__(self) -> None:
        self.most_bytes = 10_000_000
        self.mails: list[bytes] = []

    async def handle_DATA(self, _server: object, _session: object, envelope: object) -> str:
        """Take one mail."""
        content = bytes(envelope.content)  # type: ignore[attr-defined] # untyped there
        if len(content) > self.most_bytes:
            return "552 message exceeds fixed maximum message size"
        self.mails.append(content)
        return "250 taken"

    def read(self) -> list[tuple[str, str, list[bytes]]]:
        """Return (subject, text, PNG files) of each mail."""
        found = []
        for raw in self.mails:
            mail = message_from_bytes(raw, policy=policy.default)
            assert isinstance(mail, EmailMessage)
            parts = list(mail.walk())
            text = next(part.get_content() for part in parts if part.get_content_type() == "text/plain")
            pngs = [part.get_content() for part in parts if part.get_content_type() == "image/png"]
            found.append((str(mail["Subject"]), text, pngs))
        return found


@pytest.fixture
def post() -> Iterator[tuple[Post, str]]:
    """Run a mail server; return what it takes, and its address for Apprise."""
    taken, port = Post(), free_port()
    controller = Controller(taken, hostname="127.0.0.1", port=port)
    controller.start()
    yield taken, f"mailto://127.0.0.1:{port}/?from=monitor@saltcellar.example&to=uli@saltcellar.example&mode=insecure"
    controller.stop()


def text_of(*, pictures: bool | None = None) -> str:
    """Return the tables of a farm in which Uli is reached by mail, and by a file."""
    asked = "" if pictures is None else f"pictures = {str(pictures).lower()}\n"
    return (
        f'{SENSORS}[[channel]]\nid = "mail"\nkind = "apprise"\nurl_file = "address.txt"\n{asked}'
        '[[channel]]\nid = "console"\nkind = "console"\n[[channel]]\nid = "file"\nkind = "jsonl"\npath = "out.jsonl"\n'
        '[[person]]\nid = "uli"\nchannels = ["mail", "file"]\n'
    )


class Run:
    """A service with a cold store and a sown rack, and the sensors' last days behind it."""

    def __init__(self, folder: Path, address: str, *, pictures: bool | None = None) -> None:
        """Open the service; nothing was measured yet."""
        (folder / "address.txt").write_text(address, encoding="utf-8")
        where = farm(folder, more=text_of(pictures=pictures))
        self.clock = ManualClock(NOW)
        self.service = Service(
            where, shipped_profiles(), clock=self.clock, console=io.StringIO(), watching_since=NOW - timedelta(days=3)
        )
        sown = NewEntry(
            kind=EntryKind.SOWN, at=NOW - timedelta(days=5), by="uli", batch="1", trays=6, spot="cellar/1/1",
            data={"crop": "radish", "tray_kind": "1020"},
        )  # fmt: skip
        lit = NewEntry(kind=EntryKind.LIGHTS_ON, at=NOW - timedelta(days=2), by="uli", batch="1")
        self.service.ledger.append([sown, lit], recorded_at=NOW)

    def measured(self, sensor: str, usual: float, lately: float, *, hours: float) -> None:
        """Have a sensor send three days of readings, the last hours of them otherwise."""
        rows = []
        at = NOW - timedelta(days=3)
        while at <= NOW:
            value = lately if at > NOW - timedelta(hours=hours) else usual
            wave = (at - NOW) / timedelta(hours=6) % 1  # a sensor that says the same for days is told as stuck
            rows.append(Reading(sensor=sensor, measured_at=at, value=value + 0.4 * wave))
            at += MINUTES / 2
        block = Block.from_readings(rows)
        self.service.store.append(block)
        self.service._take(block)

    def look(self, at: datetime = NOW) -> None:
        """Have the service judge and tell."""
        self.clock.now = at
        self.service.run_due(at)


@pytest.fixture
def opened(post: tuple[Post, str], monkeypatch: pytest.MonkeyPatch) -> Iterator[list[Run]]:
    """Stop what a test opens; a busy machine draws slowly, so that pictures are waited for longer than usual."""
    monkeypatch.setattr(Enclosing.__init__, "__kwdefaults__", {"patience": timedelta(minutes=1)})
    found: list[Run] = []
    yield found
    for run in found:
        run.service.stop()


def seen(png: bytes) -> tuple[str | None, int, int]:
    """Return (format, width, how many pixels are dark)."""
    image = Image.open(io.BytesIO(png))
    return image.format, image.width, int((np.asarray(image.convert("L")) < 128).sum())


def test_an_alarm_of_the_cold_store_carries_what_was_measured_there(
    tmp_path: Path, post: tuple[Post, str], opened: list[Run]
) -> None:
    """One PNG, named in the text; the file channel beside it has the text alone."""
    taken, address = post
    run = Run(tmp_path, address)
    opened.append(run)
    run.measured("cold-1", 3, 11, hours=3)
    run.look()

    (found,) = [each for each in taken.read() if "cold store" in each[0]]
    _, text, pngs = found
    assert len(pngs) == 1
    kind, width, dark = seen(pngs[0])
    assert (kind, width > 1200, dark > 500) == ("PNG", True, True)
    assert "The picture: The cold store, Thu 5 Mar 09:00 to Sat 7 Mar 09:00: temperature." in " ".join(text.split())
    lines = (tmp_path / "out.jsonl").read_text(encoding="utf-8")
    assert "cold store" in lines
    assert "The picture" not in lines


def test_an_alarm_of_a_batch_carries_the_batch_s_days_and_a_round_carries_none(
    tmp_path: Path, post: tuple[Post, str], opened: list[Run]
) -> None:
    """Its last two days; the round's mail of the same morning is text."""
    taken, address = post
    run = Run(tmp_path, address)
    opened.append(run)
    run.measured("air-1", 20, 38, hours=6)
    run.look()

    mails = taken.read()
    alarms = [each for each in mails if "too hot" in each[0].lower()]
    rounds = [each for each in mails if each[0].startswith("Round")]
    assert [len(pngs) for _, _, pngs in alarms] == [1]
    assert seen(alarms[0][2][0])[0] == "PNG"
    assert "The picture: Batch 1 radish, Thu 5 Mar 09:00" in " ".join(alarms[0][1].split())
    assert [len(pngs) for _, _, pngs in rounds] == [0]


def test_a_reminder_that_nobody_has_answered_carries_it_too(
    tmp_path: Path, post: tuple[Post, str], opened: list[Run]
) -> None:
    """A quarter of an hour later, with the picture of that hour."""
    taken, address = post
    run = Run(tmp_path, address)
    opened.append(run)
    run.measured("cold-1", 3, 11, hours=3)
    run.look()
    run.look(NOW + timedelta(minutes=16))

    (found,) = [each for each in taken.read() if "Nobody has answered: temp" in each[0]]
    assert len(found[2]) == 1
    assert "to Sat 7 Mar 09:16: temperature." in " ".join(found[1].split())


def test_a_channel_that_takes_none_has_none_drawn(
    tmp_path: Path, post: tuple[Post, str], opened: list[Run], monkeypatch: pytest.MonkeyPatch
) -> None:
    """``pictures = false``: nothing is even asked for."""
    asked: list[object] = []
    monkeypatch.setattr(Service, "_enclose", lambda _self, payload: asked.append(payload))
    taken, address = post
    run = Run(tmp_path, address, pictures=False)
    opened.append(run)
    run.measured("cold-1", 3, 11, hours=3)
    run.look()

    assert any("cold store" in subject for subject, _, _ in taken.read())
    assert asked == []


def test_a_drawing_that_fails_leaves_the_mail_as_it_was(
    tmp_path: Path,
    post: tuple[Post, str],
    opened: list[Run],
    monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
) -> None:
    """The real process, which cannot be started: the alarm goes out at once, without, and the log says why."""
    monkeypatch.setattr("dashboards.drawing.sys.executable", str(tmp_path / "no-python"))
    taken, address = post
    run = Run(tmp_path, address)
    opened.append(run)
    run.measured("cold-1", 3, 11, hours=3)
    with caplog.at_level(logging.WARNING):
        run.look()

    (found,) = [each for each in taken.read() if "cold store" in each[0]]
    assert found[2] == []
    assert "The picture" not in found[1]
    assert "picture.not_drawn" in caplog.text


def test_a_server_that_refuses_the_picture_gets_the_words(
    tmp_path: Path, post: tuple[Post, str], opened: list[Run]
) -> None:
    """Too large for it: the next try, half a minute later, goes without."""
    taken, address = post
    taken.most_bytes = 6_000
    run = Run(tmp_path, address)
    opened.append(run)
    run.measured("cold-1", 3, 11, hours=3)
    run.look()
    at_first = [each for each in taken.read() if "cold store" in each[0]]
    run.look(NOW + timedelta(minutes=2))

    (found,) = [each for each in taken.read() if "cold store" in each[0]]
    assert at_first == []
    assert found[2] == []


@pytest.mark.parametrize(
    ("scheme", "pictures", "takes"),
    [("mailto", None, True), ("mailto", False, False), ("json", None, False), ("json", True, True)],
)
def test_who_takes_pictures_unless_told_otherwise(
    tmp_path: Path, scheme: str, pictures: bool | None, takes: bool
) -> None:
    """Mail does, anything else only where farm.toml says so."""
    (tmp_path / "address.txt").write_text(
        f"{scheme}://127.0.0.1:{free_port()}/?from=a@saltcellar.example&to=b@saltcellar.example"
    )
    asked: list[object] = []

    def picture(payload: object) -> Enclosure | None:
        asked.append(payload)
        return None

    channel = open_channels(farm(tmp_path, more=text_of(pictures=pictures)), picture=picture)["mail"]
    with pytest.raises(ChannelError):
        channel.send("text", title="title", payload={"key": "k"})

    assert bool(asked) is takes
