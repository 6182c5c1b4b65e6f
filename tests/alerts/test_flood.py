"""Much at once: bundled by the rates of a flood, nothing lost; news kept for a round, told as it stands then."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from alerts.findings import Priority
from alerts.flood import Flood, through
from alerts.news import News, kept_after, still_worth
from alerts.nudges import goes_at_once
from tests.support.air import moment
from tests.support.farms import Book, farm

NOW = datetime(2026, 3, 8, 12, tzinfo=UTC)


def news(name: str, *, priority: Priority = Priority.URGENT, wakes: bool = True, passing: bool = False) -> News:
    """Return a piece of news of a root of that name."""
    return News(
        key=name, title=f"Too cold: {name}", text="Look.", priority=priority, since=NOW, spot="cellar", rule="too cold",
        root=name, wakes=wakes, is_passing=passing,
    )  # fmt: skip


def test_ten_alarms_in_ten_minutes_are_no_flood() -> None:
    """[ISA-18.2], from memory: a flood begins with more than ten; up to that each piece of news goes by itself."""
    flood, told = through(Flood(), 10, [news("a"), news("b")], NOW)

    assert not flood.is_on
    assert [each.title for each in told] == ["Too cold: a", "Too cold: b"]


def test_a_flood_is_told_in_one_message_and_then_every_ten_minutes() -> None:
    """Eleven alarms: one bundle; what comes meanwhile waits for the next."""
    flood, first = through(Flood(), 11, [news("a"), news("b")], NOW)
    flood, second = through(flood, 3, [news("c")], NOW + timedelta(minutes=4))
    flood, third = through(flood, 9, [news("d")], NOW + timedelta(minutes=11))

    assert [each.title for each in first] == ["2 things are wrong at once"]
    assert "Too cold: a. Look." in first[0].text
    assert second == ()
    assert "Too cold: c" in third[0].text
    assert "Too cold: d" in third[0].text


def test_calm_again_tells_what_was_held() -> None:
    """Fewer than five in ten minutes: the flood is over, and the rest is told at once."""
    flood, _ = through(Flood(), 11, [news("a"), news("b")], NOW)
    flood, _ = through(flood, 1, [news("c")], NOW + timedelta(minutes=2))
    flood, told = through(flood, 0, [], NOW + timedelta(minutes=13))

    assert [each.title for each in told] == ["Too cold: c"]
    assert flood == Flood()


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 14), st.integers(0, 3), st.integers(1, 9)), max_size=12))
def test_nothing_is_lost_in_a_flood(looks: list[tuple[int, int, int]]) -> None:
    """A law: every piece of urgent news is told once, alone or in a bundle, at the latest when it is calm."""
    flood, now, made, texts = Flood(), NOW, 0, []
    for raised, count, minutes in [*looks, (0, 0, 30), (0, 0, 30)]:
        fresh = [news(f"<{made + place}>") for place in range(count)]
        made += count
        flood, told = through(flood, raised, fresh, now)
        texts += [each.title + each.text for each in told]
        now += timedelta(minutes=minutes)

    assert [sum(f"<{place}>" in text for text in texts) for place in range(made)] == [1] * made


def test_what_ended_before_the_round_is_said_so(tmp_path: Path) -> None:
    """Over since then; a mere drift that ended is not told at all; of one root only the last."""
    over = {"a": None, "b": NOW, "c": NOW}
    kept = [news("a"), news("a"), news("b"), news("c", passing=True)]

    told = still_worth(kept, over.get, farm(tmp_path))

    assert [each.title for each in told] == ["Too cold: a", "Too cold: b, over since Sun 8 Mar 12:00"]


def test_what_was_told_at_once_is_not_told_again_at_the_round() -> None:
    """The milder news of the same root is dropped."""
    assert kept_after([news("a"), news("b")], [news("a")], [news("c")]) == [news("b"), news("c")]


@pytest.mark.parametrize(
    ("priority", "wakes", "hour", "at_once"),
    [
        pytest.param(Priority.URGENT, True, 2, True, id="cold breaks quiet hours"),
        pytest.param(Priority.URGENT, False, 2, False, id="dry air does not"),
        pytest.param(Priority.URGENT, False, 12, True, id="but it does not wait by day"),
        pytest.param(Priority.MEDIUM, True, 12, False, id="the rest waits for the round"),
    ],
)
def test_what_goes_at_once(tmp_path: Path, priority: Priority, wakes: bool, hour: int, at_once: bool) -> None:
    """By priority and quiet hours, 22:00 to 06:00 here."""
    quiet = farm(tmp_path, more='[[person]]\nid = "rui"\nchannels = ["console"]\nquiet = "22:00-06:00"\n')
    only = replace(quiet, people={"rui": quiet.people["rui"]})

    tick = moment(only, Book(), NOW.replace(hour=hour), {})

    assert goes_at_once(news("a", priority=priority, wakes=wakes), tick) is at_once
