"""`python -m tests.support.fastclock BEGIN STARTED SPEED COMMAND...`: the command line with a clock that runs faster.

BEGIN is the instant shown at STARTED (seconds since 1970, by the machine's clock); from there it runs SPEED times as
fast. What wakes at an interval wakes that much more often.
"""

from __future__ import annotations

import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

from monitor.cli import root
from monitor.cli.common import Context
from monitor.clock import Clock
from monitor.service import clockwork, collecting


def fast_clock(begin: datetime, started_s: float, speed: float) -> Clock:
    """Return a clock that shows ``begin`` at ``started_s`` and runs ``speed`` times as fast as the machine's."""
    return lambda: begin + timedelta(seconds=(time.time() - started_s) * speed)


def main() -> None:
    """Run a command by such a clock."""
    begin, started_s, speed, farm, *command = sys.argv[1:]
    clockwork.LOOK_AGAIN /= float(speed)
    collecting._BEAT /= float(speed)
    clock = fast_clock(datetime.fromisoformat(begin).astimezone(UTC), float(started_s), float(speed))
    root.main(command, obj=Context(farm_path=Path(farm), clock=clock), standalone_mode=True)


if __name__ == "__main__":
    main()
