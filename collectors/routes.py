"""Which sensors a topic feeds: filters with + and # worked out once a topic; pure."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable

from monitor.farm import Sensor
from monitor.feeds import comes_by_broker

_REMEMBERED = 10_000


def matches(topic_filter: str, topic: str) -> bool:
    """Tell whether an MQTT topic filter takes a topic. Source: [MQTT5] section 4.7."""
    if topic.startswith("$") and topic_filter[:1] in "+#":
        return False
    wanted, given = topic_filter.split("/"), topic.split("/")
    for place, level in enumerate(wanted):
        if level == "#":
            return True
        if place >= len(given) or level not in ("+", given[place]):
            return False
    return len(wanted) == len(given)


def covers(wide: str, narrow: str) -> bool:
    """Tell whether a filter takes every topic that another takes."""
    if narrow.startswith("$") and wide[:1] in "+#":
        return False
    one, other = wide.split("/"), narrow.split("/")
    for place, level in enumerate(one):
        if level == "#":
            return True
        if place >= len(other) or other[place] == "#" or level not in ("+", other[place]):
            return False
    return len(one) == len(other)


class Routes:
    """The sensors of a farm by topic; plain topics are looked up, filters with + or # tried; answers are remembered."""

    def __init__(self, sensors: Iterable[Sensor]) -> None:
        """Take the sensors that have a topic."""
        self._sensors = tuple(sensor for sensor in sensors if sensor.topic is not None)
        plain: defaultdict[str, list[Sensor]] = defaultdict(list)
        self._wide: list[tuple[str, Sensor]] = []
        for sensor in self._sensors:
            topic = sensor.topic or ""
            if _is_wide(topic):
                self._wide.append((topic, sensor))
            else:
                plain[topic].append(sensor)
        self._plain = {topic: tuple(fed) for topic, fed in plain.items()}
        self._place = {sensor.id: place for place, sensor in enumerate(self._sensors)} if self._wide else {}
        self._known: dict[str, tuple[Sensor, ...]] = {}

    @property
    def filters(self) -> tuple[str, ...]:
        """Return the topic filters to subscribe to: one that lies within another is left out.

        A broker may hand a message over once for each filter that takes it ([MQTT5] 3.3.4). What devices push over
        HTTP is not asked of a broker.
        """
        topics = [sensor.topic for sensor in self._sensors if sensor.topic is not None]
        all_ = tuple(dict.fromkeys(topic for topic in topics if comes_by_broker(topic)))
        wide = [each for each in all_ if _is_wide(each)]  # no other takes more than itself
        return tuple(each for each in all_ if not any(other != each and covers(other, each) for other in wide))

    def of(self, topic: str) -> tuple[Sensor, ...]:
        """Return the sensors that a topic feeds, in the farm's order; empty where no sensor claims it."""
        plain = self._plain.get(topic, ())
        if not self._wide:
            return plain
        found = self._known.get(topic)
        if found is None:
            fed = [*plain, *(sensor for wide, sensor in self._wide if matches(wide, topic))]
            found = tuple(sorted(fed, key=lambda sensor: self._place[sensor.id]))
            if len(self._known) < _REMEMBERED:
                self._known[topic] = found
        return found


def _is_wide(topic: str) -> bool:
    """Tell whether a filter takes more than one topic."""
    return "+" in topic or "#" in topic
