"""What wakes a service ends when it is told to, whatever it is in the middle of."""

from __future__ import annotations

import threading
from datetime import datetime, timedelta

from monitor.clock import system_clock
from monitor.service.clockwork import Clockwork


def test_it_stops_in_the_middle_of_a_waking() -> None:
    """A waking that ends while the clockwork stops sets no other, and nobody waits for anybody for ever."""
    begun, go_on = threading.Event(), threading.Event()
    wakings: list[datetime] = []

    def wake(now: datetime) -> datetime:
        wakings.append(now)
        begun.set()
        assert go_on.wait(20)
        return now + timedelta(hours=1)

    clockwork = Clockwork(system_clock, wake)
    clockwork.start()
    clockwork.at_once()
    assert begun.wait(20)
    stopping = threading.Thread(target=clockwork.stop, daemon=True)
    stopping.start()
    threading.Timer(0.2, go_on.set).start()  # by then it waits for the waking
    asking = threading.Thread(target=clockwork.at_once, daemon=True)  # as a lease that was lost does in that moment
    asking.start()

    for each in (stopping, asking):
        each.join(10)

    assert go_on.is_set()
    assert not stopping.is_alive()
    assert not asking.is_alive()
    assert len(wakings) == 1
