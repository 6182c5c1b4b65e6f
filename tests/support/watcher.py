"""`python -m tests.support.watcher LASTS FARM NAME ROOM...`: `traywarden watch` whose leases last so many seconds."""

from __future__ import annotations

import signal
import sys
import threading
from datetime import timedelta
from pathlib import Path

import click

from monitor.cli.run import set_up_log
from monitor.farmfile import load_farm
from monitor.profilefile import shipped_profiles
from monitor.service.watching import Watching


def main() -> None:
    """Watch until stopped."""
    lasts_s, path, name, *rooms = sys.argv[1:]
    set_up_log("info")
    stopped = threading.Event()
    signal.signal(signal.SIGTERM, lambda *_: stopped.set())
    watching = Watching(
        load_farm(Path(path)), shipped_profiles(), name, rooms=rooms, lasts=timedelta(seconds=float(lasts_s)),
        look_every=timedelta(seconds=2), tell=lambda words: click.echo(words),
    )  # fmt: skip
    watching.start()
    click.echo("Ctrl-C stops it.")
    stopped.wait()
    watching.stop()


if __name__ == "__main__":
    main()
