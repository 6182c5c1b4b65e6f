"""What a service does beside judging: the sign that all is well, and the nightly copy of the ledger."""

from __future__ import annotations

import json
import logging
from collections.abc import Callable
from datetime import datetime

from alerts.channels import Publish
from alerts.outbox_sql import SqlOutbox
from alerts.ping import ping, ping_address
from monitor.backup import copy_ledger, ledger_steps
from monitor.clock import local_day
from monitor.errors import ChannelError
from monitor.farm import Farm
from monitor.health import Health
from monitor.stores.engine import LEDGER_FILE
from monitor.stores.ledger import SqlLedger

log = logging.getLogger(__name__)

COPY_STATE = "last ledger copy"


def tell_well(farm: Farm, health: Callable[[datetime], Health], now: datetime, publish: Publish) -> None:
    """Send the sign that all is well, where farm.toml asks for one and all is well; a failure is logged only."""
    settings = farm.ping
    if settings is None or not health(now).is_well:
        return
    try:
        if settings.topic is not None:
            publish(settings.topic, json.dumps({"schema": "traywarden.well/1", "at": now.isoformat()}).encode())
        address = ping_address(settings)
        if address is not None:
            ping(address)
    except ChannelError as exc:
        log.warning("ping.failed why=%s", exc)


def copy_nightly(farm: Farm, ledger: SqlLedger, outbox: SqlOutbox, now: datetime) -> None:
    """Copy the ledger once a local day, where farm.toml names a folder for it.

    Raises:
        TraywardenError: It cannot be copied now; it is tried again at the next call.
    """
    folder = farm.storage.ledger_copies
    today = local_day(now, farm.zone).isoformat()
    if folder is None or outbox.state(COPY_STATE) == today:
        return
    copied = copy_ledger(
        farm.storage.folder / LEDGER_FILE,
        folder,
        now=now,
        keep=farm.storage.keep_copies,
        write_ledger=ledger_steps(farm.storage, lambda: ledger.engine).write,
    )
    outbox.put([], state={COPY_STATE: today}, now=now)
    log.info("ledger.copied to=%s", copied)
