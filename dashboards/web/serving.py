"""The pages' server: uvicorn in a thread of its own, and the poll that hears what other processes wrote."""

from __future__ import annotations

import logging
import socket
import threading
from collections.abc import Sequence
from contextlib import suppress
from datetime import timedelta
from ipaddress import ip_address

import uvicorn
from starlette.routing import BaseRoute

from alerts.alarms import AlarmState
from dashboards.web.app import build_app
from dashboards.web.house import House
from monitor.errors import PagesError, TraywardenError
from monitor.farm import PagesSettings

log = logging.getLogger(__name__)

_POLL = timedelta(seconds=1)
_ALARMS_EVERY = 5  # polls
_STOPS_WITHIN_S = 5


def open_socket(pages: PagesSettings) -> socket.socket:
    """Return a socket that listens where the pages are to be served.

    Raises:
        PagesError: The address is not this machine's, or the port is taken.
    """
    family = socket.AF_INET6 if ip_address(pages.address).version == 6 else socket.AF_INET
    found = socket.socket(family, socket.SOCK_STREAM)
    found.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        found.bind((pages.address, pages.port))
        found.listen()  # from now on who asks waits, instead of being refused until the server runs
    except OSError as exc:
        found.close()
        raise PagesError(
            f"the pages cannot be served at {pages.address} port {pages.port}: {exc.strerror}; name another port (or 0 "
            "for a free one) or an address of this machine under [pages] in farm.toml"
        ) from exc
    return found


def check_doors(house: House) -> None:
    """Refuse to serve an address that others reach before anybody has a password.

    Raises:
        PagesError: Nobody has one; it says how to set it.
    """
    pages = house.farm.pages
    if house.is_open or house.doors.has_passwords:
        return
    why = "behind a proxy" if pages.behind_proxy else f"at {pages.address}, which other machines reach"
    person = next(iter(house.farm.people))
    raise PagesError(
        f"the pages are to be served {why}, but nobody has a password; set one with `traywarden password {person}`, or "
        "leave address out under [pages] in farm.toml to serve this machine only"
    )


class PageServer:
    """Serves one house until it is stopped."""

    def __init__(self, house: House, listening: socket.socket, beside: Sequence[BaseRoute] = ()) -> None:
        """Take a house, a bound socket, and routes that lie before the gate; nothing is served yet.

        Raises:
            PagesError: The certificate cannot be used.
        """
        pages = house.farm.pages
        self.house, self._socket = house, listening
        try:
            config = uvicorn.Config(
                build_app(house, beside),
                log_config=None,
                access_log=False,
                lifespan="off",
                ssl_certfile=str(pages.cert_file) if pages.cert_file else None,
                ssl_keyfile=str(pages.key_file) if pages.key_file else None,
                proxy_headers=pages.behind_proxy,
                forwarded_allow_ips="*" if pages.behind_proxy else "",
                server_header=False,
                timeout_graceful_shutdown=_STOPS_WITHIN_S,
            )
            config.load()
        except OSError as exc:
            raise PagesError(f"the pages' certificate {pages.cert_file} or key {pages.key_file}: {exc}") from exc
        self._server = uvicorn.Server(config)
        self._stopped = threading.Event()
        self._thread = threading.Thread(target=self._run, name="pages", daemon=True)
        self._poller = threading.Thread(target=self._poll, name="pages poll", daemon=True)
        self._warmer = threading.Thread(target=self._warm, name="pages warm", daemon=True)
        self._version = house.ledger.version()
        self._alarms: dict[str, AlarmState] = {}

    @property
    def port(self) -> int:
        """Return the TCP port."""
        return int(self._socket.getsockname()[1])

    @property
    def address(self) -> str:
        """Return the address that a person at this machine types."""
        pages = self.house.farm.pages
        if pages.url is not None:
            return pages.url
        ip = ip_address(pages.address)
        host = "localhost" if ip.is_unspecified else f"[{ip}]" if ip.version == 6 else str(ip)
        return f"{'https' if pages.cert_file else 'http'}://{host}:{self.port}"

    def start(self) -> None:
        """Serve, in the background."""
        self._thread.start()
        self._poller.start()
        self._warmer.start()

    def _run(self) -> None:
        """Serve until stopped; what goes wrong is logged, and the monitor goes on."""
        try:
            self._server.run(sockets=[self._socket])
        except Exception:
            log.exception("pages.failed")

    def _warm(self) -> None:
        """Have the pictures drawn that will be looked at first."""
        house = self.house
        try:
            house.gallery.warm(house.lookout.moment(house.clock()).tick, house.store.read, house.nudges)
        except TraywardenError as exc:
            log.warning("pictures.not_warmed why=%s", exc)
        except Exception:
            if not self._stopped.is_set():  # the stores close while it reads
                log.exception("pictures.not_warmed")

    def _poll(self) -> None:
        """Ring when another process has written entries or alarms, while anybody listens."""
        turn = 0
        while not self._stopped.wait(_POLL.total_seconds()):
            turn += 1
            if not self.house.bell.listeners:
                continue
            with suppress(TraywardenError):
                version = self.house.ledger.version()
                if version != self._version:
                    self._version = version
                    self.house.bell.ring("ledger")
                if turn % _ALARMS_EVERY == 0:
                    self._hear_alarms()

    def _hear_alarms(self) -> None:
        """Ring when an alarm stands elsewhere than at the last look."""
        alarms = {key: alarm.state for key, alarm in self.house.alarms().items()}
        if alarms != self._alarms:
            self._alarms = alarms
            self.house.bell.ring("alarms")

    def stop(self) -> None:
        """End the open streams, then the server; a second call does nothing."""
        self._stopped.set()
        self.house.bell.close()
        self._server.should_exit = True
        self.house.gallery.close()
        for thread in (self._thread, self._poller, self._warmer):
            if thread.ident is not None:
                thread.join(_STOPS_WITHIN_S + 1)
        self._socket.close()
