"""What `traywarden check` says of the servers that keep a farm's records, and of its broker where work is shared."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass

from monitor.errors import BrokerError, TraywardenError
from monitor.farm import Farm, InfluxSettings, PostgresSettings


@dataclass(frozen=True, slots=True, kw_only=True)
class Server:
    """How a server was found.

    Attributes:
        name: What it is.
        says: How it is, in one line.
        broken: It cannot be used as farm.toml asks.
    """

    name: str
    says: str
    broken: bool = False


def look_at_servers(farm: Farm) -> Iterator[Server]:
    """Yield how the servers are that farm.toml names for readings and ledger; none for what lies in files."""
    if farm.storage.influx is not None:
        yield _influx(farm, farm.storage.influx)
    if farm.storage.postgres is not None:
        yield _postgres(farm, farm.storage.postgres)


def _influx(farm: Farm, settings: InfluxSettings) -> Server:
    """Return whether the InfluxDB answers, takes the token and has the database."""
    from monitor.stores.opening import open_influx

    try:
        open_influx(farm, settings).close()
    except TraywardenError as exc:
        return Server(name="InfluxDB", says=str(exc), broken=True)
    return Server(name="InfluxDB", says=f"{settings.url} answers, and has the database {settings.database}")


def _postgres(farm: Farm, settings: PostgresSettings) -> Server:
    """Return whether PostgreSQL answers and has the ledger's database; its tables are made where there are none."""
    from monitor.stores.ledger import open_ledger

    try:
        with closing(open_ledger(farm.storage.folder, settings)) as ledger:
            entries = ledger.version()
    except TraywardenError as exc:
        return Server(name="PostgreSQL", says=str(exc), broken=True)
    return Server(name="PostgreSQL", says=f"{settings.address} answers; the ledger's newest entry is {entries}")


def without_sharing(farm: Farm) -> str | None:
    """Return why collectors cannot share the messages of a broker that answers; None: they can, or need not."""
    from collectors.listening import speaks_v5

    if not farm.storage.is_shared:
        return None
    if farm.broker.embedded:
        return (
            "collectors cannot share the embedded broker, which runs within `traywarden run`; for `collect` set up a "
            'broker of your own (README, "Several rooms")'
        )
    try:
        if speaks_v5(farm.broker):
            return None
    except BrokerError as exc:
        return f"whether the broker speaks MQTT 5 could not be found out: {exc}"
    return "the broker speaks no MQTT 5, so collectors cannot share its messages; `traywarden run` manages without"
