"""What findings pass through before they are told: one root, one piece of news; pure."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence

from alerts.alarms import Alarm
from alerts.answers import short_key
from alerts.findings import Finding, Priority, Stage, Tick
from alerts.news import News
from alerts.rules import ALL
from monitor.amounts import say_list

_NAMED = 4


def gather(findings: tuple[Finding, ...], tick: Tick) -> tuple[Finding, ...]:
    """Return the findings of all rules, behind those already there."""
    return (*findings, *(finding for rule in ALL.values() for finding in rule(tick)))


def once_each(findings: tuple[Finding, ...], tick: Tick) -> tuple[Finding, ...]:
    """Return one finding a key: the most pressing, and among equals the one furthest from its limit."""
    best: dict[str, Finding] = {}
    for finding in findings:
        known = best.get(finding.key)
        if known is None or _weight(finding) > _weight(known):
            best[finding.key] = finding
    return tuple(best.values())


_SAYS_MORE = {"too damp": "mould weather"}
"""What is left out where a finding that says more of the same root holds in the same room."""


def rooted(findings: tuple[Finding, ...], tick: Tick) -> tuple[Finding, ...]:
    """Return the findings without those of which another tells the root."""
    held = {(finding.rule, finding.spot.split("/")[0]) for finding in findings}
    return tuple(
        finding for finding in findings if (_SAYS_MORE.get(finding.rule), finding.spot.split("/")[0]) not in held
    )


STAGES: tuple[Stage, ...] = (gather, rooted, once_each)


def look(tick: Tick) -> tuple[Finding, ...]:
    """Return what is wrong now, through all stages."""
    findings: tuple[Finding, ...] = ()
    for stage in STAGES:
        findings = stage(findings, tick)
    return findings


def _weight(finding: Finding) -> tuple[int, float]:
    """Return what ranks findings: priority, then how far from the limit."""
    far = 0.0 if finding.value is None or finding.limit is None else abs(finding.value - finding.limit)
    return int(finding.priority), far


def group_of(finding: Finding) -> str:
    """Return the root that findings share: one rule in one room (or store), whichever shelf or batch shows it."""
    return f"{finding.rule}|{finding.spot.split('/')[0]}"


def news_of(before: Mapping[str, Alarm], after: Mapping[str, Alarm], tick: Tick) -> tuple[News, ...]:
    """Return what is new: a root that had no active alarm, or whose most pressing one has become more pressing."""
    groups: dict[str, list[Alarm]] = defaultdict(list)
    for alarm in after.values():
        if alarm.is_active:
            groups[group_of(alarm.finding)].append(alarm)
    told: dict[str, int] = defaultdict(int)
    for alarm in before.values():
        if alarm.is_active:
            group = group_of(alarm.finding)
            told[group] = max(told[group], int(alarm.priority))
    return tuple(
        _news(group, alarms, tick)
        for group, alarms in groups.items()
        if max(int(alarm.priority) for alarm in alarms) > max(told[group], int(Priority.LOW))
    )


def _news(group: str, alarms: Sequence[Alarm], tick: Tick) -> News:
    """Return the news of one root, led by whom it harms most."""
    ordered = sorted(alarms, key=lambda alarm: _weight(alarm.finding), reverse=True)
    worst = ordered[0].finding
    spots = list(dict.fromkeys(alarm.finding.spot for alarm in ordered))
    names = [tick.farm.places.name(spot) for spot in spots]
    where = say_list(names[:_NAMED]) + (f" and {len(names) - _NAMED} more places" if len(names) > _NAMED else "")
    others = list(
        dict.fromkeys(a.finding.batch for a in ordered[1:] if a.finding.batch and a.finding.batch != worst.batch)
    )
    also = f" It also harms batch{'es' if len(others) > 1 else ''} {say_list(others)}." if others else ""
    urgent = worst.priority is Priority.URGENT
    answer = f" I am on it: traywarden heard {short_key(ordered[0].key)}" if urgent else ""
    return News(
        key=f"{group}|{int(worst.priority)}|{ordered[0].last_change_at.isoformat()}",
        title=f"{worst.rule.capitalize()}: {where}",
        text=f"{worst.cause} {worst.consequence}{also} {worst.action}{answer}",
        priority=worst.priority,
        since=min(alarm.finding.since for alarm in alarms),
        spot=worst.spot,
    )
