"""``traywarden ready`` and ``traywarden sow-by``: what will be ready, and when to sow for a day."""

from __future__ import annotations

from datetime import timedelta
from itertools import groupby

import click

from alerts.coming import coming_day, loss_words, to_sow_words
from alerts.promised import LOOKS_AHEAD, lead_words, owed_at, supplies_at
from dashboards.facts.coming import ready_facts, sow_by_facts
from monitor.ahead import ReadyRow
from monitor.ahead import ready as ready_rows
from monitor.amounts import say_day, say_g, say_list, say_time, say_trays
from monitor.cli.common import Context, json_option
from monitor.cli.rounds import tick_of
from monitor.clock import local_day
from monitor.profilefile import find_profile
from monitor.sowby import SowBy, SowDay, sow_by

_DAYS = 8


@click.command(epilog="Example: traywarden ready friday")
@click.argument("day", required=False)
@json_option
@click.pass_obj
def ready(context: Context, day: str | None) -> None:
    """Count the trays that are inside their harvest window on each coming day, and what of them is still free.

    DAY shows that day alone; without it, a week. A tray that is promised on one day is not counted again later.
    """
    tick = tick_of(context, context.clock())
    today = local_day(tick.now, tick.farm.zone)
    days = [today + timedelta(days=n) for n in range(_DAYS)] if day is None else [coming_day(day, today)]
    asked = owed_at(tick, days[-1] + LOOKS_AHEAD)
    rows = ready_rows(days, asked, supplies_at(tick))
    if context.as_json:
        context.echo_json(ready_facts(days, rows))
        return
    context.echo(f"Ready at {tick.farm.name}, {say_day(days[0])}" + (f" to {say_day(days[-1])}" if day is None else ""))
    if not rows:
        context.echo("Nothing is ready then, and nothing is promised.")
        return
    for on, group in groupby(rows, key=lambda row: row.on):
        context.echo(f"\n{say_day(on)}")
        for row in group:
            profile = tick.profiles.get(row.crop)
            context.echo(f"   {profile.name.lower() if profile else row.crop}: {_row_words(row)}")
    context.echo("\nFree: what you could still promise for that day without taking a tray from another promise.")


def _row_words(row: ReadyRow) -> str:
    """Return one crop on one day in words."""
    batches = f" (batch {say_list(list(row.batches))})" if row.batches else ""
    words = [f"{say_trays(row.ready)} ready{batches}"]
    if row.promised:
        words.append(f"{row.promised} promised")
    if row.lacking:
        words.append(f"{row.lacking} OF THOSE LACK")
    words.append(f"{row.free} free")
    if row.free_living != row.free:
        words.append(f"{row.free_living} free living")
    return ", ".join(words)


@click.command("sow-by", epilog="Example: traywarden sow-by pea friday --trays 8")
@click.argument("crop")
@click.argument("day")
@click.option("--trays", type=click.IntRange(min=1), required=True, help="Trays that are to be ready.")
@click.option("--living", is_flag=True, help="They go out living: they may be older by their holding days.")
@json_option
@click.pass_obj
def sow_by_command(context: Context, crop: str, day: str, trays: int, living: bool) -> None:
    """Say when to sow, and to soak, so that trays are ready on a day, and how many with spare ones."""
    farm = context.farm()
    tick = tick_of(context, context.clock())
    profile = find_profile(context.profiles(), crop)
    on = coming_day(day, local_day(tick.now, farm.zone))
    plan = sow_by(farm, profile, on, trays, tick.batches.values(), living=living)
    each_g = profile.seed_g_per_tray.usual * farm.tray_size(next(iter(farm.tray_kinds)))
    too_late = tick.now > plan.latest.latest_start_at
    ready_from = local_day(tick.now, farm.zone) + timedelta(days=plan.lead.opens)
    if context.as_json:
        context.echo_json(sow_by_facts(profile, on, plan, tick, living=living))
        return
    what = "living " if living else ""
    context.echo(f"{say_trays(trays)} of {what}{profile.name.lower()} for {say_day(on)}")
    if too_late:
        context.echo(
            f"TOO LATE: the last day to sow was {say_day(plan.latest.on)}. "
            f"Sown today, ready from {say_day(ready_from)} on."
        )
    for head, each in (("usually", plan.usual), ("earliest", plan.earliest), ("latest", plan.latest)):
        context.echo(f"   {head:<9} {_day_words(each, plan, context)}")
    seed = f"{say_g(each_g, farm.units)} of seed each, {say_g(each_g * plan.to_sow, farm.units)} in all"
    context.echo(f"Sow {to_sow_words(plan)}: {seed}.")
    context.echo(loss_words(plan.loss))
    context.echo(f"{lead_words(plan.lead, living=living)}.")


def _day_words(each: SowDay, plan: SowBy, context: Context) -> str:
    """Return a day of sowing, with its soak."""
    zone = context.farm().zone
    past = "  (past)" if context.clock() > each.latest_start_at else ""
    if each.soak_at is None:
        return f"sow {say_day(each.on)}{past}"
    return f"soak {say_time(each.soak_at, zone)}, sow {say_time(each.sow_at, zone)}{past}"
