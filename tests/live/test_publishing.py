"""A connection that only publishes, against a real broker, and against none."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from collectors.embedded_broker import free_port
from collectors.publishing import Publisher
from monitor.errors import ChannelError
from monitor.farm import BrokerSettings
from tests.support.mosquitto import Mosquitto

pytestmark = pytest.mark.live
SETTINGS = BrokerSettings(embedded=False, host="127.0.0.1", port=1)


def test_a_broker_that_is_away_costs_the_message_and_is_found_again(tmp_path: Path) -> None:
    """The outbox keeps what was not taken; once the broker is there the same connection takes it."""
    broker = Mosquitto(tmp_path)
    publisher = Publisher(replace(SETTINGS, port=broker.port), within_s=0.2)
    with pytest.raises(ChannelError, match="is not connected; the message waits in the outbox"):
        publisher.publish("told", b"1")
    broker.start()
    try:
        assert publisher.answers_within(20)
        publisher.publish("told", b"2")
        with pytest.raises(ChannelError, match="did not take the message"):
            publisher.publish("told/#", b"3")
    finally:
        publisher.close()
        publisher.close()
        broker.stop()


def test_settings_that_cannot_be_used_are_the_channels_trouble(tmp_path: Path) -> None:
    """A password that cannot be read is no reason for a watcher to end."""
    settings = replace(SETTINGS, port=free_port(), user="ines", password_file=tmp_path / "none.txt")

    with pytest.raises(ChannelError, match="the broker's password file"):
        Publisher(settings, within_s=0.2).publish("told", b"1")
