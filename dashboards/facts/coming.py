"""What is promised, what will be ready, when to sow for a day: as the documented JSON."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date, timedelta
from typing import Any

from alerts.coming import cover_json, every_words, sow_by_json
from alerts.findings import Tick
from monitor.ahead import Cover, ReadyRow
from monitor.clock import local_day
from monitor.profiles import Profile
from monitor.promises import Promise
from monitor.sowby import SowBy


def is_ahead(each: Promise, today: date) -> bool:
    """Tell whether a promise asks for anything from today on."""
    return next(iter(each.days(today, today + timedelta(days=800))), None) is not None


def promise_json(each: Promise, today: date) -> dict[str, Any]:
    """Return a promise as the documented JSON."""
    terms = each.terms_on(today)
    return {
        "id": each.id,
        "crop": terms.crop,
        "trays": terms.trays,
        "whom": terms.whom,
        "living": terms.living,
        "for": terms.for_on.isoformat(),
        "every_days": terms.every_days,
        "says": every_words(terms),
        "ends_on": each.ends_on.isoformat() if each.ends_on else None,
        "entries": [entry.id for entry in each.entries],
    }


def promises_facts(shown: Iterable[Promise], covers: Iterable[Cover], until: date, tick: Tick) -> dict[str, Any]:
    """Return promises, and what stands for each of their days until a day."""
    today = local_day(tick.now, tick.farm.zone)
    return {
        "schema": "traywarden.promises/1",
        "until": until.isoformat(),
        "promises": [promise_json(each, today) for each in shown],
        "days": [cover_json(each, tick) for each in covers],
    }


def ready_facts(days: Sequence[date], rows: Iterable[ReadyRow]) -> dict[str, Any]:
    """Return what is ready, promised and free on some days."""
    return {
        "schema": "traywarden.ready/1",
        "days": [each.isoformat() for each in days],
        "ready": [
            {
                "on": row.on.isoformat(),
                "crop": row.crop,
                "ready": row.ready,
                "ready_living": row.ready_living,
                "promised": row.promised,
                "lacking": row.lacking,
                "free": row.free,
                "free_living": row.free_living,
                "batches": list(row.batches),
            }
            for row in rows
        ],
    }


def sow_by_facts(profile: Profile, on: date, plan: SowBy, tick: Tick, *, living: bool) -> dict[str, Any]:
    """Return when to sow so that trays are ready on a day, and how many."""
    farm = tick.farm
    each_g = profile.seed_g_per_tray.usual * farm.tray_size(next(iter(farm.tray_kinds)))
    ready_from = local_day(tick.now, farm.zone) + timedelta(days=plan.lead.opens)
    return {
        "schema": "traywarden.sow-by/1",
        "crop": profile.id,
        "for": on.isoformat(),
        "living": living,
        "too_late": tick.now > plan.latest.latest_start_at,
        "sown_today_ready_from": ready_from.isoformat(),
        "seed_g": round(each_g * plan.to_sow),
        **sow_by_json(plan),
    }
