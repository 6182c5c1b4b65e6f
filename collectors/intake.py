"""How a collector that holds nothing back stores what it has: decode, flag, store, settle, hand on; one at a time.

The collectors beside MQTT (Modbus, files, HTTP push) share one intake, which returns when all of it is on disk.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence

from collectors.pipeline import Message, Pipeline, Prepared
from monitor.errors import RejectedRowsError
from monitor.readings import Block
from monitor.stores.protocol import ReadingStore
from monitor.unread import REFUSED

log = logging.getLogger(__name__)


def store_all(messages: Sequence[Message], pipeline: Pipeline, store: ReadingStore) -> Prepared:
    """Store what some messages become; rows that the store refuses for good are to be set aside.

    Raises:
        StoreError: Nothing was promised; nothing is remembered of it.
    """
    prepared = pipeline.prepare(messages)
    try:
        store.append(prepared.block)
    except RejectedRowsError as exc:
        prepared.aside.extend((Message(REFUSED, row.encode(), messages[-1].arrived_at), why) for row, why in exc.rows)
    return prepared


class Intake:
    """Takes messages of any collector, and returns when their readings are on disk."""

    def __init__(
        self, pipeline: Pipeline, store: ReadingStore, *, after_commit: Callable[[Block], None] = lambda _block: None
    ) -> None:
        """Take the pipeline and the store that the MQTT collector has too, and who is told of each stored block."""
        self.pipeline = pipeline
        self._store, self._after_commit = store, after_commit

    def take(self, messages: Sequence[Message]) -> Prepared:
        """Store what some messages become, and return it; ``aside`` still lists what could not be read.

        Raises:
            StoreError: Nothing was promised; the same messages may be given again.
        """
        with self.pipeline.turn:
            prepared = store_all(messages, self.pipeline, self._store)
            aside = list(prepared.aside)
            self.pipeline.settle(prepared)
        prepared.aside = aside
        try:
            self._after_commit(prepared.block)
        except Exception:  # what goes wrong with who follows the readings costs no reading
            log.exception("after_commit.failed")
        return prepared
