"""What can be entered about a batch as it stands, as forms, the likeliest first; pure."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime

from alerts.findings import Tick
from monitor.amounts import Units, say_ml
from monitor.batches import Batch, Fate
from monitor.ledger import EntryKind
from monitor.phases import phase_now
from monitor.places import SpotKind
from monitor.profiles import Manner, PhaseKind, Profile
from monitor.verbs import fits


@dataclass(frozen=True, slots=True, kw_only=True)
class Field:
    """One thing that a form asks.

    Attributes:
        name: Its name in the form.
        label: What it asks.
        kind: ``text``, ``area``, ``choice``, ``tick`` or ``file``.
        hint: What may stand there; empty: nothing to say.
        value: What stands there at first.
        rows: Of a choice: (value, words).
        digits: A number is asked: phones show their number keys.
        required: It must be filled in.
    """

    name: str
    label: str
    kind: str = "text"
    hint: str = ""
    value: str = ""
    rows: tuple[tuple[str, str], ...] = ()
    digits: bool = False
    required: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class DeedForm:
    """What can be entered about a batch.

    Attributes:
        deed: Its name in the form.
        head: What it is about.
        button: What is said by the button.
        fields: What is asked.
        more: What is asked beside it, folded away.
        care: What to take care of before it is done.
        has_file: A photo may come with it.
    """

    deed: str
    head: str
    button: str
    fields: tuple[Field, ...] = ()
    more: tuple[Field, ...] = ()
    care: tuple[str, ...] = ()
    has_file: bool = False


_AT = Field(name="at", label="When, if not now", hint="07:30, or yesterday 18:00, or tue 7:30")
_WHY_HOLD = Field(name="why", label="Why", required=True)


def _weight(units: Units) -> str:
    """Return the unit in which weights are typed."""
    return "g" if units == "metric" else "oz"


def _volume(units: Units) -> str:
    """Return the unit in which water is typed."""
    return "ml" if units == "metric" else "cups"


def deed_forms(batch: Batch, tick: Tick) -> tuple[DeedForm, ...]:
    """Return what can be entered about a batch as it stands, the likeliest first."""
    profile = tick.profiles.get(batch.crop)
    forms = {form.deed: form for form in _forms(batch, profile, tick)}
    first = _likely(batch, profile, tick.now, tick)
    return tuple(forms[deed] for deed in dict.fromkeys([*first, *forms]) if deed in forms)


def _likely(batch: Batch, profile: Profile | None, now: datetime, tick: Tick) -> tuple[str, ...]:
    """Return what is most likely done next to a batch."""
    if batch.sown_at is None:
        return ("sow", "drain")
    if not batch.standing or profile is None:
        return ("deliver", "note")
    part = batch.standing[0]
    span = phase_now(batch, part, profile, now=now, zone=tick.farm.zone)
    if span.kind is PhaseKind.GERMINATION and span.manner is not Manner.OPEN:
        return ("stack", "uncover", "look") if part.covered_at is None else ("uncover", "look")
    if span.kind is PhaseKind.BLACKOUT:
        return ("lights", "look")
    if span.kind in (PhaseKind.HARVEST, PhaseKind.OVERGROWN):
        return ("harvest", "water", "deliver")
    return ("water", "lift")


def _forms(batch: Batch, profile: Profile | None, tick: Tick) -> list[DeedForm]:
    """Return all forms that a batch can have now."""
    found: list[DeedForm] = []
    common = (*_which(batch, tick), _AT)

    def add(form: DeedForm) -> None:
        found.append(replace(form, more=(*form.more, *common)))

    if batch.sown_at is None:
        if fits(EntryKind.DRAINED, batch):
            found.append(DeedForm(deed="drain", head="Drained and rinsed", button="Drained", more=(_AT,)))
        found.append(_sow(batch, tick))
        found += _both(batch)
        return found
    standing = bool(batch.standing)
    if standing:
        _moves(batch, profile, tick, add)
        _looks(tick, profile, add)
    if fits(EntryKind.DELIVERED, batch) and not batch.holds:
        add(_deliver(batch, tick))
    if standing:
        add(
            DeedForm(
                deed="discard",
                head="Thrown away",
                button="Thrown away",
                fields=(Field(name="why", label="What was wrong", hint="grey fuzz, slime, fell over", required=True),),
            )
        )
    found += _both(batch)
    return found


def _both(batch: Batch) -> list[DeedForm]:
    """Return what can always be entered: a note with a photo, a hold or its end."""
    note = DeedForm(
        deed="note",
        head="A note, a photo",
        button="Keep it",
        fields=(
            Field(name="text", label="What you see", kind="area"),
            Field(name="photo", label="Photo", kind="file", hint="Kept small; place and camera are taken out of it"),
        ),
        more=(_AT,),
        has_file=True,
    )
    held = [hold for hold in batch.holds if hold.batch == batch.id]
    if held:
        hold = DeedForm(deed="release", head="Release it", button="Release", fields=(_WHY_HOLD,))
    else:
        hold = DeedForm(deed="hold", head="Hold it", button="Hold: nobody cuts or delivers it", fields=(_WHY_HOLD,))
    return [note, hold]


def _which(batch: Batch, tick: Tick) -> tuple[Field, ...]:
    """Return what asks which trays are meant, where there is a choice."""
    spots = list(dict.fromkeys(part.spot for part in batch.standing if part.spot))
    trays = batch.trays(Fate.STANDING)
    found: list[Field] = []
    if trays > 1:
        found.append(Field(name="trays", label=f"How many, if not all of the {trays}", digits=True))
    if len(spots) > 1:
        rows = (("", "wherever they stand"), *((spot, tick.farm.places.name(spot)) for spot in spots))
        found.append(Field(name="spot", label="Which of them", kind="choice", rows=rows))
    return tuple(found)


def _to(tick: Tick, label: str) -> Field:
    """Return what asks where trays go."""
    kinds = (SpotKind.SHELF, SpotKind.OTHER, SpotKind.COLD_STORE, SpotKind.RACK)
    spots = [spot for spot in tick.farm.places if spot.kind in kinds]
    rows = (("", "where they stand"), *((spot.id, spot.name) for spot in spots))
    return Field(name="to", label=label, kind="choice", rows=rows)


def _moves(batch: Batch, profile: Profile | None, tick: Tick, add: Callable[[DeedForm], None]) -> None:
    """Add what moves trays on: stacked, uncovered, lights, cut, moved."""
    if fits(EntryKind.STACKED, batch) and (profile is None or profile.manner is not Manner.OPEN):
        weighed = profile is None or profile.manner is Manner.STACKED
        usual = (
            f"the profile takes {profile.stack_weight_kg.low:g} to {profile.stack_weight_kg.high:g} kg"
            if profile and profile.stack_weight_kg
            else ""
        )
        fields = (Field(name="weight", label="Weight on top, kg", hint=usual, digits=True),) if weighed else ()
        tick_off = Field(name="cover_only", label="A cover, no weight", kind="tick", value="" if weighed else "1")
        head = "Stacked, or covered" if weighed else "Covered in the dark"
        add(
            DeedForm(
                deed="stack",
                head=head,
                button="Stacked" if weighed else "Covered",
                fields=(*fields, tick_off),
                more=(replace(_to(tick, "Where"), name="put"),),
            )
        )
    if fits(EntryKind.UNCOVERED, batch) and (profile is None or profile.manner is not Manner.OPEN):
        add(DeedForm(deed="uncover", head="Uncovered", button="Uncovered", more=(_to(tick, "Where they stand now"),)))
    if fits(EntryKind.LIGHTS_ON, batch):
        add(
            DeedForm(
                deed="lights",
                head="Brought into the light",
                button="Into the light",
                more=(_to(tick, "Where they stand now"),),
            )
        )
    ml = _volume(tick.farm.units)
    usual_ml = (
        say_ml(profile.water_ml_per_pour.usual * tick.farm.tray_size(batch.tray_kind), tick.farm.units)
        if profile
        else ""
    )
    hint = f"usually {usual_ml}" if usual_ml else ""
    add(
        DeedForm(
            deed="water",
            head="Watered from below",
            button="Watered",
            fields=(Field(name="ml", label=f"Into each tray, {ml}", hint=hint, digits=True),),
        )
    )
    grams = Field(name="grams", label=f"Cut in all, {_weight(tick.farm.units)}", digits=True)
    against = Field(name="against_hold", label="It was cut although it is on hold: keep it for tracing", kind="tick")
    add(DeedForm(deed="harvest", head="Cut", button="Cut", fields=(grams, against) if batch.holds else (grams,)))
    add(
        DeedForm(
            deed="move",
            head="Moved",
            button="Moved",
            fields=(replace(_to(tick, "Where they stand now"), required=True),),
        )
    )


def _looks(tick: Tick, profile: Profile | None, add: Callable[[DeedForm], None]) -> None:
    """Add what is found out about trays: looked at, weighed, lifted."""
    sticky = (
        ("Sticky seed: its gel skins over in dry air within minutes; cover it again at once.",)
        if profile and profile.sticky
        else ()
    )
    add(
        DeedForm(
            deed="look",
            head="Looked at",
            button="Looked at",
            fields=(Field(name="text", label="What you saw"),),
            care=sticky,
        )
    )
    feel = Field(
        name="feel",
        label="It feels",
        kind="choice",
        rows=(("heavy", "heavy"), ("right", "right"), ("light", "light")),
        value="right",
    )
    add(DeedForm(deed="lift", head="Lifted by hand", button="Lifted", fields=(feel,)))
    marks = (("", "neither"), ("full", "just drained, full"), ("dry", "just limp"))
    weigh = (
        Field(name="grams", label=f"With its tray and all, {_weight(tick.farm.units)}", digits=True, required=True),
        Field(name="mark", label="It was", kind="choice", rows=marks),
    )
    add(DeedForm(deed="weigh", head="Weighed", button="Weighed", fields=weigh))


def _deliver(batch: Batch, tick: Tick) -> DeedForm:
    """Return what asks what went out."""
    rows = (("", "not said"), ("cut", "what was cut"), ("living", "living, in their trays"))
    fields = (
        Field(name="whom", label="To whom"),
        Field(name="as", label="As", kind="choice", rows=rows, value="cut" if batch.trays(Fate.CUT) else ""),
        Field(name="grams", label=f"How much, {_weight(tick.farm.units)}", digits=True),
    )
    return DeedForm(deed="deliver", head="Delivered", button="Delivered", fields=fields)


def _sow(batch: Batch, tick: Tick) -> DeedForm:
    """Return what asks how a soak was sown."""
    planned = str(batch.trays_planned) if batch.trays_planned else ""
    treated = Field(
        name="treated", label="The seed is", kind="choice",
        rows=(("", "not said"), ("no", "untreated, meant for food or shoots"), ("yes", "treated")),
    )  # fmt: skip
    return DeedForm(
        deed="sow",
        head="Sown",
        button="Sown",
        fields=(
            Field(name="trays", label="Trays", value=planned, digits=True, required=not planned),
            replace(_to(tick, "Where"), name="put"),
        ),
        more=(
            Field(
                name="grams",
                label=f"Seed in each tray, {_weight(tick.farm.units)}",
                hint="else the profile's",
                digits=True,
            ),
            Field(name="lot", label="Seed lot", value=batch.lot or ""),
            treated,
            _AT,
        ),
    )
