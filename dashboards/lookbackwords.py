"""The look-back in a grower's words: the verdict in three sentences, and the tables of the page; pure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from dashboards.lookback import Beneath, LookBack
from monitor.amounts import say_day, say_g, say_list, say_ml, say_temp, say_time, say_trays
from monitor.banded import Run
from monitor.clock import local_day
from monitor.comparison import ENOUGH, Compared
from monitor.farm import Farm
from monitor.outcomes import Judged, Outcome
from monitor.phases import Standing
from monitor.readings import Quantity, from_ms
from monitor.review import Nudged, PhaseFacts, PouredFact
from monitor.suspects import NONE, Suspect

NAMED_FROM = 0.8
"""From this chance on the verdict names a cause. Ours; how often it is wrong is in `make bench-lookback`."""
LEANS_FROM = 0.5
LITTLE_KNOWN = 0.7
"""A batch of which less than this share of the time is known has that said in its verdict. Ours."""
_LEAST_SHOWN = 0.02
CAUTIONS = (
    "A mouldy or doubtful batch is not sold, not even in part; nor is what stood beside it until you know why.",
    "Local food-safety rules decide what may be sold, and whom to ask. This page tells of conditions; it cannot see "
    "germs: a tray that grew well can still be unsafe.",
    "Chances are those of a small written model, not of a laboratory. A cause that nobody measured or wrote down can "
    "be the true one.",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Sentence:
    """One sentence of the verdict, with the place on the page that holds its numbers.

    Attributes:
        text: The sentence.
        place: Where its numbers stand: ``outcome``, ``suspects``, ``known`` or another part of the page.
        more: What the link is called.
    """

    text: str
    place: str
    more: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SuspectRow:
    """One suspect on the page.

    Attributes:
        name: What it is.
        chance: Its chance in words.
        share: The same as a whole percent, for the bar.
        speaks_for: What speaks for it, a line each.
        speaks_against: What speaks against it, a line each.
        tell: The check or next sowing that would tell.
    """

    name: str
    chance: str
    share: int
    speaks_for: tuple[str, ...]
    speaks_against: tuple[str, ...]
    tell: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LookBackPage:
    """What the page shows.

    Attributes:
        farm: The farm's name.
        title: Whose look-back it is.
        made: When it was made, in words.
        verdict: Three sentences.
        outcome: How it turned out, a line each.
        phases: The table by phase: heading, then one cell a phase.
        phase_names: Headings of that table.
        beside: (batch, why, outcome) of the batches beside it.
        compared: (factor, this batch, good ones, distance, chance) a row.
        alike: Factors that all of them share to the last digit; left out of that table.
        compared_says: What that table can tell, and cannot.
        suspects: Causes, most likely first; empty: it came good.
        suspects_say: What the list is, one line.
        most_telling: The one check that would settle most; empty: nothing is suspected.
        nudges: (when, what was asked, what came of it).
        pours: (when, how much, asked for or not).
        cautions: Lines that belong on every such page.
        held: Reasons for which it is on hold.
    """

    farm: str
    title: str
    made: str
    verdict: tuple[Sentence, ...]
    outcome: tuple[str, ...]
    phase_names: tuple[str, ...]
    phases: tuple[tuple[str, tuple[str, ...]], ...]
    beside: tuple[tuple[str, str, str], ...]
    compared: tuple[tuple[str, str, str, str, str], ...]
    alike: str
    compared_says: str
    suspects: tuple[SuspectRow, ...]
    suspects_say: str
    most_telling: str
    nudges: tuple[tuple[str, str, str], ...]
    pours: tuple[tuple[str, str, str], ...]
    cautions: tuple[str, ...]
    held: tuple[str, ...]


def page_of(found: LookBack) -> LookBackPage:
    """Return what the page shows of a look-back."""
    record = found.facts.record
    phases = found.facts.phases
    name = f"Batch {record.batch.id} {record.profile.name.lower()}"
    suspects = _suspects(found) if is_asked(found) else ()
    return LookBackPage(
        farm=found.farm.name,
        title=name,
        made=say_time(found.now, found.farm.zone),
        verdict=verdict(found),
        outcome=_outcome_lines(record.outcome, found),
        phase_names=tuple(_phase_head(phase, found.farm) for phase in phases),
        phases=_phase_rows(phases, found.farm),
        beside=tuple(_beside_row(each, found.farm) for each in found.beside),
        compared=tuple(_compared_row(row) for row in found.compared if row.good and not _is_alike(row)),
        alike=say_list([f"{row.name} ({_own(row)})" for row in found.compared if row.good and _is_alike(row)]),
        compared_says=_compared_says(found),
        suspects=suspects,
        suspects_say=_suspects_say(found),
        most_telling=most_telling(found),
        nudges=tuple(_nudge_row(nudge, found.farm) for nudge in record.nudges),
        pours=tuple(_pour_row(pour, found.farm) for phase in phases for pour in phase.pours),
        cautions=CAUTIONS,
        held=found.held,
    )


def is_asked(found: LookBack) -> bool:
    """Tell whether causes are looked for: a batch that came good has none."""
    return found.facts.record.outcome.judged is not Judged.GOOD


# --- the verdict ----------------------------------------------------------------------------------------------------


def verdict(found: LookBack) -> tuple[Sentence, ...]:
    """Return the verdict: how it turned out, what the record supports, and what it cannot tell."""
    return (
        Sentence(text=_how_it_turned_out(found), place="outcome", more="how it turned out"),
        Sentence(text=_what_is_supported(found), place="suspects" if is_asked(found) else "beside", more="why"),
        Sentence(text=_what_is_not_known(found), place="known", more="what is known"),
    )


def _how_it_turned_out(found: LookBack) -> str:
    """Return the first sentence."""
    record = found.facts.record
    outcome = record.outcome
    where = f", {found.farm.places.name(record.spot)}" if record.spot else ""
    lot = f", lot {record.lot}" if record.lot else ""
    said = {
        Judged.POOR: "came out poorly",
        Judged.GOOD: "came good",
        Judged.UNSAID: "was judged by nobody, and is asked about as one that came out poorly",
    }[outcome.judged]
    why = _outcome_words(outcome, found.farm)
    return (
        f"Batch {record.batch.id} {record.profile.name.lower()} ({say_trays(record.batch.sown)}{lot}{where}) {said}"
        f"{': ' + why if why else ''}."
    )


def _outcome_words(outcome: Outcome, farm: Farm) -> str:
    """Return the numbers of an outcome in a few words."""
    parts = []
    if outcome.stand is not None:
        parts.append(f"stand {outcome.stand:g} of 5")
    if outcome.lost:
        parts.append(f"{outcome.lost} of {say_trays(outcome.sown)} thrown away")
    if outcome.yield_g is not None:
        parts.append(f"{say_g(outcome.yield_g, farm.units)} a tray")
    if outcome.days is not None:
        parts.append(f"{outcome.days} days to the cut")
    parts += [str(sign) for sign in outcome.signs]
    return ", ".join(parts)


def _what_is_supported(found: LookBack) -> str:
    """Return the second sentence."""
    if not is_asked(found):
        return f"Nothing is looked for that went wrong; {_beside_words(found)} stand beside it for the next time."
    first = found.suspects[0]
    others = [each for each in found.suspects[1:3] if each.chance >= _LEAST_SHOWN]
    rest = say_list([f"{_in_a_sentence(each)} ({_pct(each.chance)})" for each in others])
    if first.key == NONE:
        shared = _shared_words(found)
        after = f"; next come {rest}" if rest else ""
        return f"Nothing in the record explains it ({_pct(first.chance)}){shared}{after}."
    evidence = _evidence(first)
    if first.chance >= NAMED_FROM:
        return f"The record points to {first.name} ({_pct(first.chance)}){': ' + evidence if evidence else ''}."
    if first.chance >= LEANS_FROM:
        return (
            f"Likeliest by the record is {first.name} ({_pct(first.chance)}"
            f"{': ' + evidence if evidence else ''}), but it is not settled; then {rest}."
        )
    return f"The record settles nothing: {_in_a_sentence(first)} ({_pct(first.chance)}), then {rest}."


def _in_a_sentence(suspect: Suspect) -> str:
    """Return what a suspect is called within a sentence."""
    return "something that is not in it" if suspect.key == NONE else suspect.name


def _shared_words(found: LookBack) -> str:
    """Return that good batches shared what this one had; empty where none did."""
    good = found.good
    if not good:
        return ""
    batches = "batch" if len(good) == 1 else "batches"
    return f": {len(good)} good {batches} beside it had about the same of what was measured"


def _beside_words(found: LookBack) -> str:
    """Return how many batches stand beside it."""
    count = len(found.beside)
    return "no batches" if not count else f"{count} batch{'' if count == 1 else 'es'}"


def _evidence(suspect: Suspect) -> str:
    """Return the dose of a suspect beside what does harm; of a shared cause, how the others came out."""
    value = suspect.dose.value
    if suspect.harmful is not None and value is not None:
        harmful = _bare(suspect.harmful, suspect.unit)
        return f"{dose_words(value, suspect.unit)}, where {harmful} spoils half of all batches"
    if suspect.poor_with_as_much:
        batches = "batch" if len(suspect.poor_with_as_much) == 1 else "batches"
        return f"{batches} {say_list(list(suspect.poor_with_as_much))}, which shared it, came out poorly too"
    return ""


def _what_is_not_known(found: LookBack) -> str:
    """Return the third sentence: what the record cannot tell, and what would."""
    blind = not_measured(found)
    known = known_share(found)
    parts = []
    if blind:
        parts.append(f"It cannot tell about {say_list(blind)}")
    if known is not None and known < LITTLE_KNOWN:
        parts.append(f"its air is known for {_pct(known)} of the time only")
    says = "; ".join(parts) if parts else "All that the model asks about was measured or entered"
    tell = most_telling(found)
    return f"{says[0].upper()}{says[1:]}.{' Next: ' + tell if tell else ''}"


def not_measured(found: LookBack) -> list[str]:
    """Return the causes of which nothing in the record tells, in words."""
    return [suspect.name for suspect in found.suspects if suspect.harmful is not None and suspect.dose.value is None]


def known_share(found: LookBack) -> float | None:
    """Return the share of its time for which the temperature is known; None: none of it. [0-1]."""
    hours = sum(phase.stretch.hours for phase in found.facts.phases)
    known = sum(phase.good_data.get(Quantity.TEMPERATURE, 0.0) * phase.stretch.hours for phase in found.facts.phases)
    return known / hours if hours > 0 and known > 0 else None


def most_telling(found: LookBack) -> str:
    """Return the check or sowing that would settle most; empty where nothing is asked."""
    if not is_asked(found):
        return ""
    if found.suspects[0].key == NONE and found.suspects[0].chance >= LEANS_FROM:
        return found.suspects[0].tell
    if found.suspects[0].chance >= NAMED_FROM:
        return found.suspects[0].tell
    dosed = [each for each in found.suspects if each.key != NONE]
    return max(dosed, key=lambda each: each.tells).tell


# --- tables ---------------------------------------------------------------------------------------------------------


def _pct(share: float) -> str:
    """Return a share as a percentage that does not boast."""
    if share < 0.01:
        return "under 1 %"
    return "over 99 %" if share > 0.99 else f"{share:.0%}".replace("%", " %")


def _number(value: float) -> str:
    """Return a dose with as many digits as mean something."""
    return f"{value:.0f}" if value >= 20 else f"{value:.1f}".rstrip("0").rstrip(".") if value >= 1 else f"{value:.2f}"


def dose_words(value: float, unit: str) -> str:
    """Return a dose with its unit: shares as percentages, one day as one day."""
    if unit.startswith("share "):
        return f"{100 * value:.0f} %{unit.removeprefix('share')}"
    return f"1 day{unit.removeprefix('days')}" if value == 1 and unit.startswith("days") else f"{_number(value)} {unit}"


def _bare(value: float, unit: str) -> str:
    """Return a dose without the words of its unit."""
    return f"{100 * value:.0f} %" if unit.startswith("share ") else _number(value)


def _outcome_lines(outcome: Outcome, found: LookBack) -> tuple[str, ...]:
    """Return how it turned out, a line each."""
    farm = found.farm
    fates = {"cut": outcome.cut, "out living": outcome.living, "thrown away": outcome.lost}
    lines = [f"Trays: {outcome.sown} sown" + "".join(f", {count} {what}" for what, count in fates.items() if count)]
    if outcome.stand is not None or outcome.evenness is not None:
        graded = {"Stand": outcome.stand, "evenness": outcome.evenness}
        lines.append(", ".join(f"{what} {grade:g} of 5" for what, grade in graded.items() if grade is not None))
    if outcome.off_types_pct is not None:
        lines.append(f"Off-types: {outcome.off_types_pct:g} %")
    if outcome.yield_g is not None:
        span = found.facts.record.profile.yield_g_per_tray
        usual = f"{say_g(span.low, farm.units)} to {say_g(span.high, farm.units)}"
        lines.append(f"Cut: {say_g(outcome.yield_g, farm.units)} a tray; the profile gives {usual}")
    if outcome.signs:
        lines.append(f"Seen: {', '.join(outcome.signs)}")
    if outcome.why:
        lines.append(f"In your words: {outcome.why}")
    if outcome.went:
        lines.append(f"It left: {outcome.went}")
    return tuple(lines)


_SURE = {Standing.ENTERED: "", Standing.PRESUMED: " (not entered, taken as done)", Standing.EXPECTED: ""}


def _phase_head(phase: PhaseFacts, farm: Farm) -> str:
    """Return a phase's heading with its days."""
    first = say_day(local_day(from_ms(phase.stretch.begin_ms), farm.zone))
    return f"{phase.stretch.kind.value}, from {first}{_SURE[phase.stretch.begins]}"


def _phase_rows(phases: Sequence[PhaseFacts], farm: Farm) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """Return the table by phase, rows that are empty left out."""
    rows = (
        ("days, and the profile's", [_days(phase) for phase in phases]),
        ("heat sum", [_heat(phase) for phase in phases]),
        ("temperature in band", [_in_band(phase, Quantity.TEMPERATURE) for phase in phases]),
        ("... worst", [_worst(phase, Quantity.TEMPERATURE, farm) for phase in phases]),
        ("humidity in band", [_in_band(phase, Quantity.HUMIDITY) for phase in phases]),
        ("... worst", [_worst(phase, Quantity.HUMIDITY, farm) for phase in phases]),
        ("mean deficit; nearly saturated", [_deficit(phase) for phase in phases]),
        ("light a day", [_light(phase) for phase in phases]),
        ("darkness kept", [_dark(phase) for phase in phases]),
        ("driest; wettest", [_water(phase, farm) for phase in phases]),
        ("pours", [_pours(phase, farm) for phase in phases]),
        ("cover lifted", [_lifts(phase, farm) for phase in phases]),
        ("good data", [_good_data(phase) for phase in phases]),
    )
    return tuple((name, tuple(cells)) for name, cells in rows if any(cells))


def _days(phase: PhaseFacts) -> str:
    """Return a phase's days beside the profile's."""
    if phase.planned is None:
        return f"{phase.stretch.days}"
    low, usual, high = phase.planned
    return f"{phase.stretch.days}; {low:g} to {high:g}, usually {usual:g}"


def _heat(phase: PhaseFacts) -> str:
    """Return a phase's heat sum."""
    if phase.heat_sum is None:
        return ""
    return f"{phase.heat_sum:.0f} °C d" + (f" ({_pct(phase.heat_known)} of it)" if phase.heat_known < 0.95 else "")


def _in_band(phase: PhaseFacts, quantity: Quantity) -> str:
    """Return the share of time in band."""
    found = phase.banded.get(quantity)
    return "" if found is None or found.in_band is None else _pct(found.in_band)


def _worst(phase: PhaseFacts, quantity: Quantity, farm: Farm) -> str:
    """Return the worst excursion: when, how far, how long, and its dose."""
    found = phase.banded.get(quantity)
    if found is None or found.worst is None:
        return ""
    return run_words(found.worst, quantity, farm)


def run_words(run: Run, quantity: Quantity, farm: Farm) -> str:
    """Return one excursion in words."""
    if quantity is Quantity.TEMPERATURE:
        far, dose = say_temp(run.farthest, farm.units), f"{run.dose:.1f} °C h"
    else:
        far, dose = f"{run.farthest:.0f} %", f"{run.dose:.0f} % h"
    side = "under" if run.is_low else "over"
    return f"{say_time(from_ms(run.begin_ms), farm.zone)}, {far}, {_hours(run.hours)} {side} the band ({dose})"


def _hours(hours: float) -> str:
    """Return a span of hours."""
    return f"{hours * 60:.0f} min" if hours < 1 else f"{hours:.1f} h" if hours < 10 else f"{hours:.0f} h"


def _deficit(phase: PhaseFacts) -> str:
    """Return the mean deficit, and the longest time near saturation."""
    if phase.deficit_kpa is None:
        return ""
    wet = f"; {_hours(phase.near_saturation_h)} on end" if phase.near_saturation_h else "; never"
    return f"{phase.deficit_kpa:.2f} kPa{wet}"


def _light(phase: PhaseFacts) -> str:
    """Return hours of light and its integral a day."""
    if phase.light is None:
        return ""
    if phase.light.lit_h is None:
        return "no whole day known"
    amount = f", {phase.light.mol_m2:.1f} mol/m²" if phase.light.mol_m2 is not None else ""
    return f"{phase.light.lit_h:.1f} h{amount}"


def _dark(phase: PhaseFacts) -> str:
    """Return whether it stayed dark under the cover."""
    if not phase.stretch.covered:
        return ""
    if phase.leak_h is None:
        return "not measured"
    return "yes" if phase.leak_h < 0.1 else f"{_hours(phase.leak_h)} with light"


def _water(phase: PhaseFacts, farm: Farm) -> str:
    """Return driest and wettest point."""
    water = phase.water
    if water is None or water.driest is None or water.wettest is None or water.driest_ms is None:
        return ""
    limp = f", limp {_hours(water.limp_h)}" if water.limp_h >= 0.5 else ""
    soaked = f", stood {_hours(water.soaked_h)} on end" if water.soaked_h >= 6 else ""
    when = say_time(from_ms(water.driest_ms), farm.zone)
    return f"{max(water.driest, 0):.0%} left {when}{limp}; {water.wettest:.0%}{soaked}".replace("%", " %")


def _pours(phase: PhaseFacts, farm: Farm) -> str:
    """Return how many pours, how much, and how late those asked for came."""
    if not phase.pours:
        return ""
    known = [pour.ml for pour in phase.pours if pour.ml is not None]
    each = f", {say_ml(sum(known) / len(known), farm.units)} each" if known else ""
    late = sorted(pour.late_h for pour in phase.pours if pour.late_h is not None)
    asked = f"; asked for {len(late)}, {_hours(late[len(late) // 2])} after" if late else ""
    alone = sum(not pour.entered for pour in phase.pours)
    return f"{len(phase.pours)}{each}{asked}{f'; {alone} not entered' if alone else ''}"


def _lifts(phase: PhaseFacts, farm: Farm) -> str:
    """Return when the cover was lifted."""
    return "; ".join(
        f"{say_time(at, farm.zone)}" + (f", {early} day{'' if early == 1 else 's'} early" if early else "")
        for at, early in phase.lifts
    )


def _good_data(phase: PhaseFacts) -> str:
    """Return the share of time with usable readings, by quantity."""
    return ", ".join(f"{quantity.value} {_pct(share)}" for quantity, share in phase.good_data.items())


def _beside_row(each: Beneath, farm: Farm) -> tuple[str, str, str]:
    """Return one batch beside it."""
    record = each.facts.record
    lot = f", lot {record.lot}" if record.lot else ""
    sown = say_day(local_day(from_ms(record.begin_ms), farm.zone))
    words = _outcome_words(record.outcome, farm)
    said = f"{record.outcome.judged.value}{': ' + words if words else ''}"
    return f"{record.batch.id} {record.profile.name.lower()}, sown {sown}{lot}", each.why.value, said


def _is_alike(row: Compared) -> bool:
    """Tell whether a batch and all good ones had the same, to the digits that are shown."""
    return len({f"{each:.{row.digits}f}" for each in (row.value, *row.good)}) == 1


def _compared_row(row: Compared) -> tuple[str, str, str, str, str]:
    """Return one factor."""
    low, high = row.good[0], row.good[-1]
    span = f"{low:.{row.digits}f}" if low == high else f"{low:.{row.digits}f} to {high:.{row.digits}f}"
    far = "-" if row.distance is None else f"{row.distance:+.1f}"
    if row.chance is None or row.least is None:
        return row.name, _own(row), f"{span} ({len(row.good)})", far, "too few"
    return row.name, _own(row), f"{span} ({len(row.good)})", far, f"{row.chance:.2f} (least {row.least:.2f})"


def _own(row: Compared) -> str:
    """Return the batch's own value."""
    return f"{row.value:.{row.digits}f} {row.unit}".strip()


def _compared_says(found: LookBack) -> str:
    """Return what the comparison can tell."""
    good = len(found.good_of_crop)
    asked = sum(row.chance is not None for row in found.compared)
    if good < ENOUGH:
        return (
            f"{good} good batch{'' if good == 1 else 'es'} of this crop beside it: too few for a chance, which needs "
            f"{ENOUGH}. The range is what they had; the distance counts in robust standard deviations."
        )
    return (
        f"Good batches of this crop: {good}. The chance is exact, by permutation: how often one of them all, any, "
        f"would lie so far out; corrected for {asked} factors (Holm). None can be smaller than the one in brackets, "
        "before that correction: a large chance does not clear a factor."
    )


def _suspects_say(found: LookBack) -> str:
    """Return what the list of suspects is."""
    if not is_asked(found):
        return "It came good: nothing is looked for."
    return (
        "Chance that each had a part in it, by a small written model (traywarden lookback --model prints it). Two "
        "causes at once are reckoned with: they may add up to more than 100 %."
    )


def _suspects(found: LookBack) -> tuple[SuspectRow, ...]:
    """Return the suspects worth showing: those with a chance, the first five at least, and always none of these."""
    shown = [each for place, each in enumerate(found.suspects) if place < 5 or each.chance >= 0.05 or each.key == NONE]
    return tuple(
        SuspectRow(
            name=each.name,
            chance=_pct(each.chance),
            share=round(100 * each.chance),
            speaks_for=tuple(_for(each, found.farm)),
            speaks_against=tuple(_against(each)),
            tell=each.tell,
        )
        for each in shown
    )


def _for(each: Suspect, farm: Farm) -> Iterable[str]:
    """Yield what speaks for a suspect."""
    value = each.dose.value
    if each.harmful is not None and value is not None and value >= 0.5 * each.harmful:
        when = f", worst {say_time(from_ms(each.dose.at_ms), farm.zone)}" if each.dose.at_ms else ""
        yield f"{dose_words(value, each.unit)}; {_bare(each.harmful, each.unit)} spoils half{when}"
    if each.poor_with_as_much:
        yield f"poor with as much, or sharing it: batch {say_list(list(each.poor_with_as_much))}"
    if each.signs_for:
        yield f"seen: {', '.join(each.signs_for)}"
    if each.key == NONE:
        yield "what nobody measures or writes down is always possible"


def _against(each: Suspect) -> Iterable[str]:
    """Yield what speaks against a suspect."""
    value = each.dose.value
    if each.harmful is not None and value is None:
        yield "not measured or not entered: neither for nor against"
    elif each.harmful is not None and value is not None and value < 0.5 * each.harmful:
        yield f"{dose_words(value, each.unit)}; {_bare(each.harmful, each.unit)} spoils half"
    if each.harmful is not None and value is not None and each.dose.known < 0.9:
        yield f"known for {_pct(each.dose.known)} of the time"
    if each.good_with_as_much:
        yield f"good with as much, or sharing it: batch {say_list(list(each.good_with_as_much))}"
    if each.signs_against:
        yield f"usual, not seen: {', '.join(each.signs_against)}"


def _nudge_row(nudge: Nudged, farm: Farm) -> tuple[str, str, str]:
    """Return one nudge and what came of it, without blame."""
    told = nudge.task if nudge.times == 1 else f"{nudge.task}, told {nudge.times} times"
    late = ", told late (the monitor was down)" if nudge.was_late else ""
    if nudge.done_at is not None and nudge.late_h is not None:
        when = say_time(nudge.done_at, farm.zone)
        after = "before the hour" if nudge.late_h < 0 else f"{_hours(nudge.late_h)} after"
        said = f"done {when}, {after}"
    else:
        said = "no entry says so"
    put_off = f"; answered not yet {say_time(nudge.put_off_at, farm.zone)}" if nudge.put_off_at else ""
    return say_time(nudge.asked_at, farm.zone), f"{told}{late}", f"{said}{put_off}"


def _pour_row(pour: PouredFact, farm: Farm) -> tuple[str, str, str]:
    """Return one pour."""
    amount = "amount not said" if pour.ml is None else f"{say_ml(pour.ml, farm.units)} a tray"
    who = "" if pour.entered else "not entered, seen by the scale; "
    asked = f"asked for {_hours(pour.late_h)} before" if pour.late_h is not None else "nobody had asked"
    return say_time(pour.at, farm.zone), amount, f"{who}{asked}"
