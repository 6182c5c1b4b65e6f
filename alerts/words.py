"""The words of a task: the whole move, told to someone who has never done it, and the cautions that belong to it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime

from alerts.tasks import TaskKind, TrayGroup
from monitor.amounts import say_cm, say_day, say_g, say_list, say_ml, say_time, say_trays
from monitor.farm import Farm
from monitor.profiles import Manner, PhaseKind, Profile
from monitor.sowby import SowBy, SowDay

HEAVY = "A stack under its weight is heavy: lift it from low down, never over your head; two people for a tall one."
CLEANERS = (
    "Wash first, then the cleaner at its label's rate and contact time, then rinse. Never mix cleaners: bleach with "
    "acid, vinegar, peroxide or ammonia gives poisonous gas."
)
DOUBTFUL = "Smell, slime or grey fuzz: bin the whole tray and clean before using it again; do not cut round it."
CUTTING = (
    "Clean hands, blade and table; cut above the medium; drinking water only; into the cold store or sold the same day."
)
LIVING = "Rules for trays sold living differ from place to place: ask your food-safety inspector."
SOAK_WATER = "Use drinking-quality water, and throw soak water away."
LIMP_AND_HEAVY = "Limp although heavy is rot, not thirst: pour nothing there."
WET = "Water and lamps do not go together: lamp off first, no water near plugs and sockets."
NOT_CUT = "What you cut today gets none."
SEED = "Sow only untreated seed meant for food or shoots."
RULES = "Your local food-safety rules decide."


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """What is said of a task."""

    move: str
    cautions: tuple[str, ...]


HERE = "where they stand"


def _on(place: str) -> str:
    """Return a place with its preposition; where none is known, as it is."""
    return place if place == HERE else f"on {place}"


def say_where(farm: Farm, groups: Sequence[TrayGroup]) -> str:
    """Return where trays stand, e.g. ``4 on rack 1 shelf 2 and 8 on rack 2 shelf 1``; one place needs no count."""
    counts: dict[str, int] = {}
    for group in groups:
        name = farm.places.name(group.spot) if group.spot else HERE
        counts[name] = counts.get(name, 0) + group.trays
    if len(counts) == 1:
        return next(iter(counts))
    return say_list([f"{trays} on {name}" for name, trays in counts.items()])


def say_places(farm: Farm, groups: Sequence[TrayGroup]) -> str:
    """Return the places alone, e.g. ``rack 1 shelf 2 and rack 2 shelf 1``."""
    names = [farm.places.name(group.spot) if group.spot else HERE for group in groups]
    return say_list(list(dict.fromkeys(names)))


def _back_to(farm: Farm, groups: Sequence[TrayGroup]) -> str:
    """Return where trays go back to: the place, or their own of several."""
    several = len({group.spot for group in groups}) > 1
    return f"their places ({say_where(farm, groups)})" if several else say_where(farm, groups)


def _piles(groups: Sequence[TrayGroup]) -> str:
    """Return the names of the piles that trays lie in, as the opening of a sentence; empty where there is none."""
    names = sorted({group.stack for group in groups if group.stack})
    if not names:
        return ""
    return f"Pile {say_list(names)}: what lies above them comes off first and goes back under its own weight. "


def say_drain(profile: Profile) -> Said:
    """Return how a soak is ended."""
    return Said(
        move=(
            f"Pour the soak water off the {profile.name.lower()} seed, rinse it in drinking water, let it drip, "
            "and sow it today. Seed left under water for more than a day drowns."
        ),
        cautions=(SOAK_WATER,),
    )


def say_look(profile: Profile, groups: Sequence[TrayGroup]) -> Said:
    """Return how a stack is looked at."""
    if profile.sticky:
        return Said(
            move=(
                "Lift one tray's cover at the edge and look, no longer than a breath: roots gone down and most seed "
                "leaves clear of the gel? Then it can come out today. Still shiny gel: cover back at once."
            ),
            cautions=(HEAVY,),
        )
    return Said(
        move=_piles(groups) + "Lift each tray, look and smell: even white roots are right; mist dry edges; then back "
        "into the dark under the same weight.",
        cautions=(HEAVY, DOUBTFUL),
    )


def say_uncover(farm: Farm, profile: Profile, groups: Sequence[TrayGroup]) -> Said:
    """Return how trays come out of their stack, or from under their cover."""
    place = _back_to(farm, groups)
    stacked = profile.manner is Manner.STACKED
    lift = "Weight off, lift each tray straight up" if stacked else "Take the cover off each tray"
    dark = profile.plan(PhaseKind.BLACKOUT) is not None
    after = "each under its own blackout cover, no water yet" if dark else "into the light, no water yet"
    ready = (
        " Gel still shiny, or roots not holding at a light tug: cover back at once and answer not yet."
        if profile.sticky
        else " Most not up yet: back under the weight and answer not yet."
        if stacked
        else " Most not up yet: cover back and answer not yet."
    )
    cautions = (HEAVY, DOUBTFUL) if stacked else (DOUBTFUL,)
    return Said(move=f"{_piles(groups)}{lift}, back to {place}, {after}.{ready}", cautions=cautions)


def say_end_blackout(farm: Farm, profile: Profile, groups: Sequence[TrayGroup]) -> Said:
    """Return how trays come into the light."""
    height = profile.blackout_ends_at_cm
    tall = f"Stems about {say_cm(height.value, farm.units)} tall: " if height else ""
    move = f"{tall}blackout covers off, under the lamp {_on(say_places(farm, groups))}."
    move += " Pale leaves are right, they green within a day. Much shorter: cover back and answer not yet."
    return Said(move=move[0].upper() + move[1:], cautions=(DOUBTFUL,))


def say_water(
    farm: Farm, ml_per_tray: float, groups: Sequence[TrayGroup], *, is_guess: bool = True, is_ripe: bool = False
) -> Said:
    """Return how much is poured, where; a guess is checked by hand first, and what is cut today gets none."""
    trays = sum(group.trays for group in groups)
    total = f", {say_ml(ml_per_tray * trays, farm.units)} in all" if trays > 1 else ""
    there = say_where(farm, groups)
    stand = f", {there}" if len({group.spot for group in groups}) > 1 else f" {_on(there)}"
    where = f"({say_trays(trays)}{stand}{total})"
    ripe = f" {NOT_CUT}" if is_ripe else ""
    each = say_ml(ml_per_tray, farm.units)
    if is_guess:
        move = f"Lift a tray first: one that feels heavy gets none. A light one gets {each} into its bottom tray, "
        return Said(move=f"{move}not over the leaves {where}.{ripe}", cautions=())
    tray = "each bottom tray" if trays > 1 else "its bottom tray"
    return Said(move=f"Pour {each} into {tray}, not over the leaves {where}. {LIMP_AND_HEAVY}{ripe}", cautions=())


def say_harvest(farm: Farm, profile: Profile, groups: Sequence[TrayGroup], *, closing: bool, over: bool) -> Said:
    """Return how trays are cut or go out living."""
    height = f"{say_cm(profile.cut_at_cm.low, farm.units)} to {say_cm(profile.cut_at_cm.high, farm.units)}"
    opening = (
        "Past its best: cut what is still good today, bin the rest"
        if over
        else "Last good day: cut today, or send it out living"
        if closing
        else f"Ready from now on, at {height}: cut as you sell, or send it out living"
    )
    allergy = (f"Declare: {profile.allergens}",) if profile.allergens else ()
    return Said(
        move=f"{opening} ({say_where(farm, groups)}). Leaves dry, no water for half a day before cutting; a tray "
        "that goes out living is watered before it goes.",
        cautions=(CUTTING, profile.storage["text"], *allergy, DOUBTFUL, LIVING, RULES),
    )


def say_clear(farm: Farm, groups: Sequence[TrayGroup]) -> Said:
    """Return how a place is cleared and washed."""
    return Said(
        move=(
            f"Clear {say_places(farm, groups)}: old roots and medium out of the room, then wash trays, covers, weights "
            "and the shelf, and let them dry."
        ),
        cautions=(CLEANERS,),
    )


def say_look_over(profile: Profile, *, covered: bool) -> Said:
    """Return how trays are looked over beside which others were spoilt."""
    seek = (
        "Grey or green fuzz between the seeds or on the stems, slime, a sour smell: that tray goes into the bin. Even "
        "white hairs at the roots that vanish under a mist are root hairs, not mould."
    )
    if covered and profile.sticky:
        return Said(move=f"Leave its cover on; look round the edges, and smell. {seek}", cautions=(DOUBTFUL,))
    if covered:
        return Said(
            move=f"Lift each tray, look and smell, and back under the same weight. {seek}", cautions=(HEAVY, DOUBTFUL)
        )
    return Said(move=f"Look at each tray from above and from the side, and smell. {seek}", cautions=(DOUBTFUL,))


def say_wash(place: str) -> Said:
    """Return how a shelf is washed on which other trays stand."""
    return Said(
        move=(
            f"Lamp off at its switch; set the other trays aside without stacking them; wash {place} and the empty "
            "trays and covers, let all dry, and put the trays back. Wash your hands before you touch the next ones."
        ),
        cautions=(CLEANERS, WET),
    )


def say_sow(farm: Farm, profile: Profile, plan: SowBy, day: SowDay, now: datetime, *, stands: int) -> Said:
    """Return how many trays are to be sown for a promise, from when to when, and when their seed is soaked."""
    spare = plan.to_sow - plan.trays
    count = f"{say_trays(plan.to_sow)} ({plan.trays} and {spare} spare)" if spare else say_trays(plan.to_sow)
    each_g = profile.seed_g_per_tray.usual * farm.tray_size(next(iter(farm.tray_kinds)))
    seed = f"{say_g(each_g, farm.units)} of seed each"
    if plan.to_sow > 1:
        seed += f", {say_g(each_g * plan.to_sow, farm.units)} in all"
    there = (
        f"{stands} {'stands' if stands == 1 else 'stand'} for it, {plan.trays} do not"
        if stands
        else "Nothing stands for it yet"
    )
    when = f"usually {say_day(plan.usual.on)}, at the latest {say_day(plan.latest.on)}"
    if day.on > plan.usual.on:
        when = f"as soon as you can, at the latest {say_day(plan.latest.on)}"
    elif plan.usual.on == plan.latest.on:
        when = f"on {say_day(plan.latest.on)}, not later"
    return Said(move=f"{there}. Sow {count}, {when}; {seed}.{say_soak(farm, day, now)}", cautions=(SEED,))


def say_soak(farm: Farm, day: SowDay, now: datetime) -> str:
    """Return when seed goes into water for its sowing, as a sentence after others; empty where it is sown dry."""
    if day.soak_at is None:
        return ""
    start = say_time(max(day.soak_at, now), farm.zone)
    return f" Soak it first, e.g. {start} for sowing {say_time(day.sow_at, farm.zone)}."


def say_ring(whom: str, day: date, lacking: int, stands: int, offer: str) -> Said:
    """Return what a buyer is told when a promise cannot be met any more, and what can be offered."""
    there = f"{say_trays(stands)} will be there" if stands else "none will be there"
    return Said(
        move=(
            f"Ring {whom}: {say_trays(lacking)} cannot be ready on {say_day(day)}, {there}. Offer other trays, fewer, "
            f"or a later day: {offer}."
        ),
        cautions=(),
    )


_ANSWERS: dict[TaskKind, str] = {
    TaskKind.DRAIN: "drain",
    TaskKind.LOOK: "look",
    TaskKind.UNCOVER: "uncover",
    TaskKind.END_BLACKOUT: "lights",
    TaskKind.WATER: "water",
    TaskKind.HARVEST: "harvest",
    TaskKind.CLEAR: "clean --batch",
    TaskKind.LOOK_OVER: "look",
    TaskKind.WASH: "clean",
    TaskKind.SOW: "sow",
    TaskKind.RING: "promise --change",
}


def answer_of(kind: TaskKind, batch: str) -> str:
    """Return the short command that says a task is done."""
    tail = " --grams ..." if kind is TaskKind.HARVEST else ""
    return f"traywarden {_ANSWERS[kind]} {batch}{tail}"


def not_yet_of(kind: TaskKind, batch: str) -> str:
    """Return the short command that says "not yet"."""
    return f"traywarden not-yet {batch} {kind.value.split()[0]}"
