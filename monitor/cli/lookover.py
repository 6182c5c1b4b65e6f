"""What `traywarden check` looks over: the file, what it names on this machine, and what the broker hands out."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from ipaddress import ip_address
from pathlib import Path

from collectors.hints import Unclaimed, unclaimed, unreadable
from monitor.doors import Doors
from monitor.errors import BrokerError, ConfigError, Fault
from monitor.farm import Farm, Sensor
from monitor.farmfile import farm_text_of, read_farm
from monitor.people import WEEKDAYS
from monitor.profilefile import load_profiles
from monitor.tomlfaults import line_of

_THIS_MACHINE = ("127.0.0.1", "::1", "localhost")


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """What came of listening to the broker.

    Attributes:
        says: How the broker is, in one line.
        broken: It should answer and does not.
        unclaimed: Topics that no sensor claims.
        unreadable: Why a topic that sensors claim cannot be read, by topic.
        silent: Sensors with a topic on which nothing came.
    """

    says: str
    broken: bool = False
    unclaimed: tuple[Unclaimed, ...] = ()
    unreadable: tuple[tuple[str, str], ...] = ()
    silent: tuple[str, ...] = ()


def look_over(path: Path, *, now: datetime) -> tuple[Farm | None, tuple[Fault, ...]]:
    """Return what can be made of a farm's file, and every fault of it, of what it names, and of the farm's profiles."""
    try:
        text = farm_text_of(path)
    except ConfigError as exc:
        return None, exc.faults
    farm, faults = read_farm(text, file=path.name, folder=path.resolve().parent)
    if farm is None:
        return None, faults
    known = {fault.key for fault in faults}
    named = [
        Fault(file=path.name, line=line_of(text, key), key=key, found=found, allowed=allowed)
        for key, found, allowed in _not_there(farm, now)
        if key not in known
    ]
    ours = sorted((*faults, *named), key=lambda fault: fault.line or 0)
    try:
        dict(load_profiles(farm.profile_folder))  # a dict has all of them read
    except ConfigError as exc:
        return farm, (*ours, *exc.faults)
    return farm, tuple(ours)


def _secret_files(farm: Farm) -> Iterator[tuple[str, Path]]:
    """Yield the files that hold secrets, with the keys that name them."""
    named = [(f"channel[{at}].url_file", channel.url_file) for at, channel in enumerate(farm.channels.values())]
    named.append(("broker.password_file", farm.broker.password_file))
    named.append(("pages.key_file", farm.pages.key_file))
    named.append(("storage.influx.token_file", farm.storage.influx.token_file if farm.storage.influx else None))
    named += [(f"device[{at}].token_file", device.token_file) for at, device in enumerate(farm.feeds.devices.values())]
    for key, path in named:
        if path is not None:
            yield key, path


def _not_there(farm: Farm, now: datetime) -> Iterator[tuple[str, str, str]]:
    """Yield (key, found, allowed) for what the file names and this machine has not."""
    others = (("broker.ca_file", farm.broker.ca_file), ("pages.cert_file", farm.pages.cert_file))
    for key, path in (*_secret_files(farm), *others):
        if path is not None and not path.is_file():
            yield key, str(path), "no such file; make it, or mend the path (it starts from farm.toml's folder)"
    folder = farm.profile_folder
    if folder is not None and not folder.is_dir():
        yield "farm.profiles", str(folder), "no such folder; make it, or mend the path"
    if farm.storage.folder.exists() and not farm.storage.folder.is_dir():
        yield "storage.folder", str(farm.storage.folder), "a folder is needed, and this is a file"
    if farm.records_from > now:
        yield (
            "farm.records_from",
            f"{farm.records_from:%Y-%m-%d}",
            "a day that has been; every reading would be flagged",
        )


def warnings(farm: Farm) -> list[str]:
    """Return what is allowed, but probably not meant."""
    return [*_of_people(farm), *_of_secrets(farm), *_of_pages(farm), *_of_sensors(farm), *_of_storage(farm)]


def _of_pages(farm: Farm) -> Iterator[str]:
    """Yield what keeps the pages from being served, and passwords that cross the network in the clear."""
    pages = farm.pages
    reached = pages.behind_proxy or not ip_address(pages.address).is_loopback
    if not reached or not pages.serve:
        return
    if not Doors(farm.storage.folder).has_passwords:
        person = next(iter(farm.people), "NAME")
        yield f"the pages will not start: nobody has a password; set one with `traywarden password {person}`"
    if not pages.behind_proxy and pages.cert_file is None:
        yield "passwords for the pages cross the network unencrypted; give cert_file and key_file, or a proxy"


def _of_people(farm: Farm) -> Iterator[str]:
    """Yield people who are never told in time, and days on which nobody is."""
    for person in farm.people.values():
        if person.quiet is not None and all(person.quiet.covers(each) for each in farm.rounds):
            yield f"person {person.id}: every round lies in the quiet hours, so nudges wait for their end"
    for day in WEEKDAYS if farm.people else ():
        if not any(day in person.days for person in farm.people.values()):
            yield f"nobody is on duty on {day}; {next(iter(farm.people))}, who stands first, is told then"


def _of_secrets(farm: Farm) -> Iterator[str]:
    """Yield secrets that others can read or overhear, and environment variables that are not set here."""
    for _, path in _secret_files(farm):
        if path.is_file() and path.stat().st_mode & 0o077:
            yield f"{path} holds a secret and can be read by others; chmod 600 it"
    broker, influx = farm.broker, farm.storage.influx
    variables = [channel.url_env for channel in farm.channels.values()]
    for variable in (*variables, broker.password_env, influx.token_env if influx else None):
        if variable and not os.environ.get(variable):
            yield f"the environment variable {variable} is not set here; the service needs it"
    has_password = broker.password_file is not None or broker.password_env is not None
    if has_password and not broker.tls and broker.host not in _THIS_MACHINE:
        yield "the broker's password goes over the network unencrypted; set tls = true if the broker can"


def _claim(sensor: Sensor) -> tuple[str | None, ...]:
    """Return what a sensor takes from which topic; two that take the same are probably one."""
    one_of_its_kind = sensor.quantity.value if sensor.record is None and sensor.pointer is None else None
    return sensor.topic, sensor.record, sensor.pointer, one_of_its_kind


def _of_sensors(farm: Farm) -> Iterator[str]:
    """Yield sensors that take the same value of the same topic."""
    first: dict[tuple[str | None, ...], str] = {}
    for sensor in farm.sensors.values():
        other = first.setdefault(_claim(sensor), sensor.id)
        if sensor.topic is not None and other != sensor.id:
            yield f"sensors {other} and {sensor.id} take the same value of {sensor.topic}; is one of them a slip?"


def _of_storage(farm: Farm) -> Iterator[str]:
    """Yield folders that cannot be written by whoever checks."""
    for folder in (farm.storage.folder, farm.storage.ledger_copies):
        if folder is not None and folder.is_dir() and not os.access(folder, os.W_OK):
            yield f"{folder} cannot be written by you; the user that the service runs as must be able to"


def listen_over(farm: Farm, *, listen_s: float, now: datetime) -> Heard:
    """Return what a broker says and hands out within a while."""
    from collectors.listening import listen
    from collectors.routes import Routes

    broker = farm.broker
    where = f"{broker.host}:{broker.port}"
    if broker.embedded and broker.port == 0:
        return Heard(says="broker: the embedded one, on whichever port is free; give it a port to be listened to here")
    try:
        found = listen(broker, within=timedelta(seconds=listen_s))
    except BrokerError as exc:
        if broker.embedded:
            return Heard(says=f"broker: the embedded one runs within `traywarden run`; nothing answers at {where} now")
        return Heard(says=f"broker: {exc}", broken=True)
    routes = Routes(farm.sensors.values())
    heard = [sensor.id for topic in found.payloads for sensor in routes.of(topic)]
    count = len(found.payloads)
    return Heard(
        says=f"broker: {where} answers; {count} topic{'' if count == 1 else 's'} heard in {listen_s:g} s",
        unclaimed=tuple(unclaimed(found.payloads, found.retained, routes, farm)),
        unreadable=tuple(unreadable(found.payloads, routes, heard_s=now.timestamp()).items()),
        silent=tuple(sensor.id for sensor in farm.sensors.values() if sensor.topic and sensor.id not in heard),
    )
