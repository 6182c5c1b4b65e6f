"""``traywarden profiles``: the crops that are known, and what each needs, with its sources."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING

import click

from dashboards.facts.profiles import profile_facts, profiles_facts
from monitor.cli.common import Context, json_option
from monitor.profilefile import find_profile, shipped_texts
from monitor.profiles import Figure, PhaseKind, Profile, Span

if TYPE_CHECKING:
    from monitor.suggest import Proposed

COMMON_CARE = (
    "Sow only untreated seed meant for food or shoots.",
    "Use drinking-quality water; throw soak water away.",
    "Cut above the medium with a clean blade; into the cold store or sold the same day.",
    "Smell, slime or grey fuzz: bin the whole tray; do not cut round it.",
    "This tool watches conditions; it cannot see germs. A tray that grew well can still be unsafe: people who are "
    "pregnant, very young, old or ill are at higher risk from raw shoots.",
    "Trays sold living: rules differ from place to place. Local food-safety rules decide in all of this.",
)
"""What holds for every crop, whatever its profile says."""


def _days(profile: Profile, kind: PhaseKind) -> str:
    """Return a phase's days, e.g. ``4-6 (5)``; a dash where the crop has no such phase."""
    plan = profile.plan(kind)
    if plan is None:
        return "-"
    return f"{plan.days.low:g}-{plan.days.high:g} ({plan.days.usual:g})"


@click.group(invoke_without_command=True, epilog="Example: traywarden profiles")
@json_option
@click.pass_context
def profiles(ctx: click.Context) -> None:
    """List the crops that are known; `profiles show CROP` tells what one needs."""
    if ctx.invoked_subcommand is not None:
        return
    context: Context = ctx.obj
    known = context.profiles()
    if context.as_json:
        context.echo_json(profiles_facts(known.values()))
        return
    context.echo(
        f"{'crop':<15} {'name':<22} {'seed':<7} {'covered, d':<11} {'blackout, d':<12} harvest, d since sowing"
    )
    for each in known.values():
        seed = "sticky" if each.sticky else "soak" if each.soak_hours else "dry"
        own = "" if each.origin == "shipped" else f"   from {each.origin}"
        context.echo(
            f"{each.id:<15} {each.name:<22} {seed:<7} {_days(each, PhaseKind.GERMINATION):<11} "
            f"{_days(each, PhaseKind.BLACKOUT):<12} {_days(each, PhaseKind.HARVEST)}{own}"
        )


@profiles.command(epilog="Example: traywarden profiles show basil --toml > profiles/basil.toml")
@click.argument("crop")
@click.option("--toml", is_flag=True, help="Print the file, ready to copy into your own folder and change.")
@json_option
@click.pass_obj
def show(context: Context, crop: str, toml: bool) -> None:
    """Show what a crop needs, each figure with its source."""
    profile = find_profile(context.profiles(), crop)
    if toml:
        click.echo(shipped_texts().get(profile.id, f"# {profile.id} is your own: {profile.origin}"))
        return
    if context.as_json:
        context.echo_json(profile_facts(profile))
        return
    for line in _lines(profile):
        context.echo(line)


@profiles.command(epilog="Example: traywarden profiles suggest basil --toml > profiles/basil.toml")
@click.argument("crop")
@click.option("--toml", is_flag=True, help="Print the profile with these figures, to keep in your own folder or not.")
@json_option
@click.pass_obj
def suggest(context: Context, crop: str, toml: bool) -> None:
    """Propose days, bands and refill point from your own good batches; nothing is changed by itself."""
    from dashboards.lookbackmake import good_facts
    from monitor.errors import RefusedError
    from monitor.stores.opening import open_readings
    from monitor.suggest import LEAST, propose
    from monitor.suggestfile import suggested_text

    profile = find_profile(context.profiles(), crop)
    store = open_readings(context.farm())
    try:
        good = good_facts(
            context.farm(), context.profiles(), context.ledger().entries(), profile.id, store, now=context.clock()
        )
    finally:
        store.close()
    if len(good) < LEAST:
        raise RefusedError(
            f"{len(good)} good batches of {profile.id} are over; from {LEAST} on their days and bands are proposed. "
            "`traywarden outcome` notes how a batch turned out"
        )
    proposed = propose(good)
    text, left_out = suggested_text(_text_of(context, profile), proposed, f"{profile.id}.toml")
    if toml:
        click.echo(text, nl=False)
        return
    if context.as_json:
        context.echo_json(
            {
                "schema": "traywarden.profile-suggestion/1",
                "crop": profile.id,
                "batches": [each.record.batch.id for each in good],
                "proposed": [{**asdict(each), "phase": each.phase.value if each.phase else None} for each in proposed],
                "left_out": [each.key for each in left_out],
                "toml": text,
            }
        )
        return
    context.echo(f"{profile.name}: proposed by {len(good)} good batches; nothing is changed. Low / usual / high")
    for each in proposed:
        context.echo(
            f"  {_proposed_words(each)}{'; left out: the profile would refuse it' if each in left_out else ''}"
        )
    context.echo(f"To keep it: traywarden profiles suggest {profile.id} --toml > profiles/{profile.id}.toml")


def _text_of(context: Context, profile: Profile) -> str:
    """Return the file that a profile comes from."""
    folder = context.farm().profile_folder
    own = None if folder is None else folder / profile.origin.split(" (")[0]
    return own.read_text(encoding="utf-8") if own is not None and own.is_file() else shipped_texts()[profile.id]


def _proposed_words(each: Proposed) -> str:
    """Return one proposed figure with what is behind it."""
    name = f"{each.phase.value + ', ' if each.phase else ''}{each.key.replace('_', ' ')}"
    ends = (each.low, each.usual, each.high) if each.usual is not None else (each.low, each.high)
    figures = " / ".join("-" if value is None else f"{value:g}" for value in ends)
    middle = f", the middle one between {each.interval[0]:g} and {each.interval[1]:g} (95 %)" if each.interval else ""
    return f"{name:<30} {figures:<18} {each.batches} batches{middle}"


def _span(name: str, span: Span | None, unit: str) -> list[str]:
    """Return a span with its source, in a list; empty where there is none."""
    if span is None:
        return []
    return [f"  {name:<26} {span.low:g} / {span.usual:g} / {span.high:g} {unit:<12} {span.source}"]


def _figure(name: str, figure: Figure | None, unit: str) -> list[str]:
    """Return a figure with its source, in a list; empty where there is none."""
    return [] if figure is None else [f"  {name:<26} {figure.value:g} {unit:<12} {figure.source}"]


def _lines(profile: Profile) -> list[str]:
    """Return a profile in lines."""
    sticky = "sticky seed: no soak, not to be touched while covered" if profile.sticky else "not sticky"
    lines = [
        f"{profile.name} ({profile.species}), {profile.id}, {profile.origin}",
        f"  {sticky}; germinates {profile.manner.value}",
        "Figures: low / usual / high, per nominal 10 x 20 inch tray, with their source",
        *_span("seed", profile.seed_g_per_tray, "g"),
        *_span("soak", profile.soak_hours, "h"),
        *_span("weight on the stack", profile.stack_weight_kg, "kg"),
    ]
    for plan in profile.phases:
        lines += [f"{plan.kind.value.capitalize()}", *_span("days", plan.days, "d")]
        for quantity, bands in plan.bands.items():
            for band in bands:
                low = "" if band.low is None else f"from {band.low:g} "
                high = "" if band.high is None else f"to {band.high:g} "
                lines.append(f"  {quantity.value + ', ' + band.where.value:<26} {low}{high}  {band.source}")
        lines += _span("hours of light", plan.light_hours, "h a day")
        lines += _span("daily light integral", plan.daily_light_mol_m2, "mol m-2 d-1")
    lines += [
        "Harm, from how far and how long outside",
        *_figure("too cold", profile.harm.cold, "degC h"),
        *_figure("too hot", profile.harm.heat, "degC h"),
        *_figure("too dry", profile.harm.dry, "kPa h"),
        *_figure("too damp", profile.harm.damp, "kPa h"),
        "Water and harvest",
        *_span("first water, day", profile.first_water_day, "d"),
        *_span("then every", profile.water_every_days, "d"),
        *_span("a pour", profile.water_ml_per_pour, "ml"),
        *_figure("watered at (share left)", profile.refill_fraction, ""),
        *_figure("limp at (share left)", profile.wilting_fraction, ""),
        *_figure("blackout ends at", profile.blackout_ends_at_cm, "cm"),
        *_span("cut at", profile.cut_at_cm, "cm"),
        *_span("keeps living", profile.holding_days_living, "d"),
        *_span("yield", profile.yield_g_per_tray, "g"),
        *_figure("base temperature", profile.base_temp_c, "degC"),
        *_figure("1000 seeds", profile.thousand_seed_g, "g"),
        f"  storage: {profile.storage['text']}  {profile.storage['source']}",
    ]
    lines += [f"Note: {note}" for note in profile.notes]
    lines += ["Take care"]
    lines += [f"  {line}" for line in (*([profile.allergens] if profile.allergens else []), *profile.cautions)]
    lines += [f"  {line}" for line in COMMON_CARE]
    return lines
