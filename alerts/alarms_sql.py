"""Alarm states in the ledger database, so that a restart neither forgets nor repeats one."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Engine, Row, select

from alerts.alarms import Alarm, AlarmState
from alerts.findings import Finding, Priority
from alerts.ward import WHOLE, Ward
from monitor.readings import from_ms, to_ms
from monitor.stores.engine import insert_into, store_errors, writing
from monitor.stores.schema import ALARM


class SqlAlarms:
    """The table of alarms."""

    def __init__(self, engine: Engine) -> None:
        """Take a database that stands at the present schema."""
        self._engine = engine

    def load(self, ward: Ward = WHOLE) -> dict[str, Alarm]:
        """Return the alarms of some rooms by key; without them, all."""
        with store_errors("reading alarms"), self._engine.connect() as connection:
            rows = connection.execute(select(ALARM)).all()
        return {row._mapping["key"]: _alarm(row) for row in rows if ward.has(row._mapping["spot"])}

    def save(self, alarms: Iterable[Alarm]) -> None:
        """Write alarms down as they stand now."""
        with writing(self._engine, "writing alarms") as connection:
            self.save_in(connection, alarms)

    def save_in(self, connection: Connection, alarms: Iterable[Alarm]) -> None:
        """Write alarms down in a transaction that is on already."""
        for alarm in alarms:
            values = _values(alarm)
            statement = insert_into(connection, ALARM).values(values)
            connection.execute(statement.on_conflict_do_update(index_elements=["key"], set_=values))


def _values(alarm: Alarm) -> dict[str, Any]:
    """Return an alarm as its table has it."""
    finding = alarm.finding
    return {
        "key": alarm.key,
        "state": alarm.state.value,
        "rule": finding.rule,
        "spot": finding.spot,
        "batch": finding.batch,
        "level": int(finding.priority),
        "first_at": to_ms(alarm.first_at),
        "last_change_at": to_ms(alarm.last_change_at),
        "data": {
            "sensor": finding.sensor,
            "since": to_ms(finding.since),
            "value": finding.value,
            "limit": finding.limit,
            "cause": finding.cause,
            "consequence": finding.consequence,
            "action": finding.action,
            "harm": finding.harm,
            "wakes": finding.wakes,
            "is_passing": finding.is_passing,
            "gone_since": None if alarm.gone_since is None else to_ms(alarm.gone_since),
        },
    }


def _alarm(row: Row[Any]) -> Alarm:
    """Return a row of the table as an alarm."""
    values = row._mapping
    data = values["data"]
    gone: datetime | None = None if data["gone_since"] is None else from_ms(data["gone_since"])
    finding = Finding(
        rule=values["rule"],
        spot=values["spot"],
        batch=values["batch"],
        sensor=data["sensor"],
        priority=Priority(values["level"]),
        since=from_ms(data["since"]),
        value=data["value"],
        limit=data["limit"],
        cause=data["cause"],
        consequence=data["consequence"],
        action=data["action"],
        harm=float(data.get("harm", 0.0)),
        wakes=bool(data.get("wakes", True)),
        is_passing=bool(data.get("is_passing", False)),
    )
    return Alarm(
        key=values["key"],
        state=AlarmState(values["state"]),
        finding=finding,
        first_at=from_ms(values["first_at"]),
        last_change_at=from_ms(values["last_change_at"]),
        gone_since=gone,
    )
