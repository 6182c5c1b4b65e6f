"""One line of the line protocol, as monitor/stores/influx.py writes it, read back as a reading; pure."""

from __future__ import annotations

import re

from monitor.readings import Doubt, Flag, Reading, from_ms

_TAG = r"(?:\\.|[^\\, ])+"
_LINE = re.compile(
    rf"\w+,sensor=(?P<sensor>{_TAG}),spot={_TAG} "
    r"value=(?P<value>[^,\s]+)(?:,flag=(?P<flag>\d+)i)?(?:,doubt=(?P<doubt>\d+)i)? (?P<at>-?\d+)"
)


def reading_of_line(line: str) -> Reading | None:
    """Return the reading that a line holds; None: it is none of ours, or was cut off.

    A line of one of several collectors leaves flag and doubt out, for who sees the whole series.
    """
    found = _LINE.fullmatch(line)
    if found is None:
        return None
    try:
        return Reading(
            sensor=re.sub(r"\\(.)", r"\1", found["sensor"]),
            measured_at=from_ms(int(found["at"])),
            value=float(found["value"]),
            flag=Flag(int(found["flag"] or Flag.NOT_EVALUATED)),
            doubt=Doubt(int(found["doubt"] or 0)),
        )
    except (ValueError, OverflowError):
        return None
