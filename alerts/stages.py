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
        if known is None or weight(finding) > weight(known):
            best[finding.key] = finding
    return tuple(best.values())


_ROOTS: dict[str, tuple[str, ...]] = {
    "drifting out": ("too cold", "too hot"),
    "too damp": ("mould weather", "condensation"),
    "mould weather": ("condensation",),
    "too little light": ("lamp is off", "lamps shifted"),
    "lamp is off": ("lamps shifted",),
    "lamp is on at night": ("lamps shifted",),
    "too short a day of light": ("lamp is off", "lamps shifted"),
    "too long a day of light": ("lamp is on at night", "lamps shifted"),
    "too little light so far": ("lamp is off", "lamps shifted", "too short a day of light"),
    "sensor disagrees": ("still air",),
    "sensor is silent": ("broker is gone", "readings are not taken in", "no collector runs", "nothing is heard"),
    "nothing is heard": ("broker is gone", "readings are not taken in", "no collector runs"),
}
"""What is left out where a finding that tells its root, or more of it, holds in the same room."""
_EVERYWHERE = ("broker is gone", "readings are not taken in", "no collector runs")


def rooted(findings: tuple[Finding, ...], tick: Tick) -> tuple[Finding, ...]:
    """Return the findings without those of which another tells the root."""
    held = {finding.root for finding in findings}
    everywhere = {finding.rule for finding in findings if finding.rule in _EVERYWHERE}
    return tuple(
        finding
        for finding in findings
        if not any(
            root in everywhere or f"{root}|{finding.spot.split('/')[0]}" in held
            for root in _ROOTS.get(finding.rule, ())
        )
    )


def in_care(findings: tuple[Finding, ...], tick: Tick) -> tuple[Finding, ...]:
    """Return the findings of the rooms that are judged here; last, since a root may lie in another's care."""
    return findings if tick.ward.is_whole else tuple(each for each in findings if tick.ward.has(each.spot))


STAGES: tuple[Stage, ...] = (gather, rooted, once_each, in_care)


def look(tick: Tick) -> tuple[Finding, ...]:
    """Return what is wrong now, through all stages."""
    findings: tuple[Finding, ...] = ()
    for stage in STAGES:
        findings = stage(findings, tick)
    return findings


def weight(finding: Finding) -> tuple[int, float, float]:
    """Return what ranks findings: priority, then how near to harm, then how far from the limit."""
    far = 0.0 if finding.value is None or finding.limit is None else abs(finding.value - finding.limit)
    return int(finding.priority), finding.harm, far


def news_of(before: Mapping[str, Alarm], after: Mapping[str, Alarm], tick: Tick) -> tuple[News, ...]:
    """Return what is new: a root that had no active alarm, or whose most pressing one has become more pressing."""
    groups: dict[str, list[Alarm]] = defaultdict(list)
    for alarm in after.values():
        if alarm.is_active:
            groups[alarm.finding.root].append(alarm)
    told: dict[str, int] = defaultdict(int)
    for alarm in before.values():
        if alarm.is_active:
            root = alarm.finding.root
            told[root] = max(told[root], int(alarm.priority))
    return tuple(
        _news(root, alarms, tick)
        for root, alarms in groups.items()
        if max(int(alarm.priority) for alarm in alarms) > max(told[root], int(Priority.LOW))
    )


def _news(root: str, alarms: Sequence[Alarm], tick: Tick) -> News:
    """Return the news of one root, led by whom it harms most."""
    ordered = sorted(alarms, key=lambda alarm: weight(alarm.finding), reverse=True)
    worst = ordered[0].finding
    spots = list(dict.fromkeys(alarm.finding.spot for alarm in ordered if alarm.finding.spot))
    names = [tick.farm.places.name(spot) for spot in spots]
    where = say_list(names[:_NAMED]) + (f" and {len(names) - _NAMED} more places" if len(names) > _NAMED else "")
    others = list(
        dict.fromkeys(a.finding.batch for a in ordered[1:] if a.finding.batch and a.finding.batch != worst.batch)
    )
    also = f" It also harms batch{'es' if len(others) > 1 else ''} {say_list(others)}." if others else ""
    urgent = worst.priority is Priority.URGENT
    answer = f" I am on it: traywarden heard {short_key(ordered[0].key)}" if urgent else ""
    return News(
        key=f"{root}|{int(worst.priority)}|{ordered[0].last_change_at.isoformat()}",
        title=f"{worst.rule.capitalize()}: {where}" if where else worst.rule.capitalize(),
        text=f"{worst.cause} {worst.consequence}{also} {worst.action}{answer}",
        priority=worst.priority,
        since=min(alarm.finding.since for alarm in alarms),
        spot=worst.spot,
        rule=worst.rule,
        root=root,
        wakes=worst.wakes,
        is_passing=worst.is_passing,
    )
