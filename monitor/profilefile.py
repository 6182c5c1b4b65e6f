"""Crop profiles from TOML files: the packaged ones, and a farm's own, which override or add.

Every fault of every file is reported at once, with file, line and key.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import replace
from difflib import get_close_matches
from importlib.resources import files
from pathlib import Path
from typing import Any

from monitor.errors import ConfigError, Fault, NotFoundError
from monitor.profiles import USUAL_HARM, Band, Figure, Harm, Manner, PhaseKind, PhasePlan, Profile, Span, Where
from monitor.readings import Quantity
from monitor.tomlfaults import FaultReader, syntax_fault

_TOP = {
    "crop", "name", "species", "also_called", "sticky", "manner", "sowing", "phase", "height", "water", "heat",
    "holding", "yield", "storage", "allergens", "cautions", "notes", "harm",
}  # fmt: skip
_TABLES = {
    "sowing": {"seed_g_per_tray", "soak_hours", "stack_weight_kg", "thousand_seed_g"},
    "height": {"blackout_ends_at_cm", "cut_at_cm"},
    "water": {"first_day", "every_days", "ml_per_pour", "refill_fraction", "wilting_fraction"},
    "heat": {"base_temp_c"},
    "harm": {"cold_degree_hours", "heat_degree_hours", "dry_kpa_hours", "damp_kpa_hours"},
    "holding": {"living_days"},
    "yield": {"g_per_tray"},
    "storage": {"text", "source"},
}
_PHASE = {"kind", "days", "temperature", "humidity", "light", "ppfd", "light_hours", "daily_light_mol_m2"}
_BAND = {"low", "high", "where", "source", "hold_minutes", "urgent_low", "urgent_high"}
_QUANTITIES = {
    "temperature": Quantity.TEMPERATURE,
    "humidity": Quantity.HUMIDITY,
    "light": Quantity.LIGHT,
    "ppfd": Quantity.PPFD,
}
_LISTED_PHASES = (PhaseKind.GERMINATION, PhaseKind.BLACKOUT, PhaseKind.LIGHT, PhaseKind.HARVEST)


class _Reader(FaultReader):
    """Reads one profile, and collects what is wrong with it."""

    def source(self, table: Mapping[str, Any], path: str) -> str:
        """Return the source line that every figure must have."""
        value = table.get("source")
        if not isinstance(value, str) or not value.strip():
            self.fault(f"{path}.source", value, "say where the figure comes from, or 'common practice, no source'")
            return ""
        return value

    def table(self, parent: Mapping[str, Any], key: str, path: str, allowed: set[str]) -> Mapping[str, Any] | None:
        """Return an inline table with known keys only, or None where it is missing or none."""
        value = parent.get(key)
        if value is None:
            return None
        if not isinstance(value, dict):
            self.fault(path, value, f"a table is needed here: {{ {', '.join(sorted(allowed))} }}")
            return None
        self.known(value, allowed, f"{path}.")
        return value

    def span(self, parent: Mapping[str, Any], key: str, path: str) -> Span | None:
        """Return low, usual and high with their source, or None where the key is missing."""
        value = self.table(parent, key, path, {"low", "usual", "high", "source"})
        if value is None:
            return None
        low, usual, high = (self.number(value.get(each), f"{path}.{each}") for each in ("low", "usual", "high"))
        if not 0 <= low <= usual <= high:
            self.fault(path, f"{low:g}, {usual:g}, {high:g}", "0 <= low <= usual <= high is needed")
        return Span(low=low, usual=usual, high=high, source=self.source(value, path))

    def needed_span(self, parent: Mapping[str, Any], key: str, path: str) -> Span:
        """Return a span that must be there."""
        span = self.span(parent, key, path)
        if span is None:
            if key not in parent:
                self.fault(path, None, "is missing: { low, usual, high, source }")
            return Span(low=0, usual=0, high=0, source="")
        return span

    def figure(self, parent: Mapping[str, Any], key: str, path: str) -> Figure | None:
        """Return one number with its source, or None where the key is missing."""
        value = self.table(parent, key, path, {"value", "source"})
        if value is None:
            return None
        return Figure(value=self.number(value.get("value"), f"{path}.value"), source=self.source(value, path))

    def needed_fraction(self, parent: Mapping[str, Any], key: str, path: str) -> Figure:
        """Return a share between 0 and 1 that must be there."""
        figure = self.figure(parent, key, path)
        if figure is None or not 0 <= figure.value <= 1:
            self.fault(path, None if figure is None else figure.value, "{ value, source } with a value from 0 to 1")
            return Figure(value=0, source="")
        return figure

    def harm(self, table: Mapping[str, Any]) -> Harm:
        """Return how far and how long outside before harm; what is not said is the usual."""

        def dose(key: str, usual: Figure) -> Figure:
            figure = self.figure(table, key, f"harm.{key}") or usual
            if figure.value <= 0:
                self.fault(f"harm.{key}", figure.value, "{ value, source } with a value over 0")
            return figure

        return Harm(
            cold=dose("cold_degree_hours", USUAL_HARM.cold),
            heat=dose("heat_degree_hours", USUAL_HARM.heat),
            dry=dose("dry_kpa_hours", USUAL_HARM.dry),
            damp=dose("damp_kpa_hours", USUAL_HARM.damp),
        )

    def optional(self, table: Mapping[str, Any], key: str, path: str) -> float | None:
        """Return a number, or None where the key is missing."""
        return self.number(table[key], f"{path}.{key}") if key in table else None

    def bands(self, phase: Mapping[str, Any], path: str) -> dict[Quantity, tuple[Band, ...]]:
        """Return the bands of a phase by quantity."""
        found: dict[Quantity, tuple[Band, ...]] = {}
        for key, quantity in _QUANTITIES.items():
            listed = phase.get(key, [])
            if not isinstance(listed, list):
                listed = [listed]
            bands = [self.band(each, f"{path}.{key}") for each in listed]
            if bands:
                found[quantity] = tuple(bands)
        return found

    def band(self, value: object, path: str) -> Band:
        """Return one band."""
        if not isinstance(value, dict):
            self.fault(path, value, f"a table is needed here: {{ {', '.join(sorted(_BAND))} }}")
            value = {}
        self.known(value, _BAND, f"{path}.")
        low, high = self.optional(value, "low", path), self.optional(value, "high", path)
        if low is not None and high is not None and low >= high:
            self.fault(path, f"{low:g} and {high:g}", "low must be under high")
        if low is None and high is None:
            self.fault(path, None, "low or high is needed")
        where = value.get("where")
        if where not in [each.value for each in Where]:
            self.fault(f"{path}.where", where, f"one of {', '.join(each.value for each in Where)}")
            where = Where.ROOM_AIR.value
        return Band(
            low=low,
            high=high,
            where=Where(where),
            source=self.source(value, path),
            hold_minutes=self.optional(value, "hold_minutes", path) or 30.0,
            urgent_low=self.optional(value, "urgent_low", path),
            urgent_high=self.optional(value, "urgent_high", path),
        )

    def phases(self, document: Mapping[str, Any]) -> tuple[PhasePlan, ...]:
        """Return the phases in their order."""
        listed = document.get("phase", [])
        if not isinstance(listed, list) or not all(isinstance(each, dict) for each in listed):
            self.fault("phase", listed, "phases are written as [[phase]]")
            return ()
        plans = [self.phase(each, f"phase[{number}]") for number, each in enumerate(listed)]
        kinds = [plan.kind for plan in plans]
        wanted = [kind for kind in _LISTED_PHASES if kind in kinds]
        if kinds != wanted:
            self.fault("phase", [kind.value for kind in kinds], f"in this order: {[kind.value for kind in wanted]}")
        for kind in (PhaseKind.GERMINATION, PhaseKind.HARVEST):
            if kind not in kinds:
                self.fault("phase", [kind.value for kind in kinds], f"a [[phase]] of kind '{kind.value}' is needed")
        return tuple(plans)

    def phase(self, value: Mapping[str, Any], path: str) -> PhasePlan:
        """Return one phase."""
        self.known(value, _PHASE, f"{path}.")
        kind = value.get("kind")
        if kind not in [each.value for each in _LISTED_PHASES]:
            self.fault(f"{path}.kind", kind, f"one of {', '.join(each.value for each in _LISTED_PHASES)}")
            kind = PhaseKind.GERMINATION.value
        return PhasePlan(
            kind=PhaseKind(kind),
            days=self.needed_span(value, "days", f"{path}.days"),
            bands=self.bands(value, path),
            light_hours=self.span(value, "light_hours", f"{path}.light_hours"),
            daily_light_mol_m2=self.span(value, "daily_light_mol_m2", f"{path}.daily_light_mol_m2"),
        )

    def profile(self, document: Mapping[str, Any], origin: str) -> Profile:
        """Return the whole profile; what is wrong stands in ``faults``."""
        self.known(document, _TOP, "")
        parts = {key: self.table(document, key, key, allowed) or {} for key, allowed in _TABLES.items()}
        sowing, height, water = parts["sowing"], parts["height"], parts["water"]
        manner = document.get("manner")
        if manner not in [each.value for each in Manner]:
            self.fault("manner", manner, f"one of {', '.join(each.value for each in Manner)}")
            manner = Manner.STACKED.value
        sticky = document.get("sticky")
        if not isinstance(sticky, bool):
            self.fault("sticky", sticky, "true or false is needed: is the seed mucilaginous?")
        storage = parts["storage"]
        profile = Profile(
            id=self.text_at(document, "crop"),
            name=self.text_at(document, "name"),
            species=self.text_at(document, "species"),
            also_called=self.texts_at(document, "also_called"),
            sticky=bool(sticky),
            manner=Manner(manner),
            seed_g_per_tray=self.needed_span(sowing, "seed_g_per_tray", "sowing.seed_g_per_tray"),
            soak_hours=self.span(sowing, "soak_hours", "sowing.soak_hours"),
            stack_weight_kg=self.span(sowing, "stack_weight_kg", "sowing.stack_weight_kg"),
            phases=self.phases(document),
            blackout_ends_at_cm=self.figure(height, "blackout_ends_at_cm", "height.blackout_ends_at_cm"),
            cut_at_cm=self.needed_span(height, "cut_at_cm", "height.cut_at_cm"),
            first_water_day=self.needed_span(water, "first_day", "water.first_day"),
            water_every_days=self.needed_span(water, "every_days", "water.every_days"),
            water_ml_per_pour=self.needed_span(water, "ml_per_pour", "water.ml_per_pour"),
            refill_fraction=self.needed_fraction(water, "refill_fraction", "water.refill_fraction"),
            wilting_fraction=self.needed_fraction(water, "wilting_fraction", "water.wilting_fraction"),
            base_temp_c=self.figure(parts["heat"], "base_temp_c", "heat.base_temp_c"),
            holding_days_living=self.needed_span(parts["holding"], "living_days", "holding.living_days"),
            yield_g_per_tray=self.needed_span(parts["yield"], "g_per_tray", "yield.g_per_tray"),
            storage={key: self.text_at(storage, key, "storage.") for key in ("text", "source")},
            allergens=str(document.get("allergens", "")),
            cautions=self.texts_at(document, "cautions"),
            notes=self.texts_at(document, "notes"),
            thousand_seed_g=self.figure(sowing, "thousand_seed_g", "sowing.thousand_seed_g"),
            harm=self.harm(parts["harm"]),
            origin=origin,
        )
        self.laws(profile)
        return profile

    def laws(self, profile: Profile) -> None:
        """Note what contradicts itself across keys."""
        if profile.sticky and profile.soak_hours is not None:
            self.fault("sowing.soak_hours", "a soak", "sticky seed is not soaked: take the line out")
        if profile.wilting_fraction.value >= profile.refill_fraction.value:
            self.fault("water.wilting_fraction", profile.wilting_fraction.value, "must be under refill_fraction")
        if profile.manner is Manner.OPEN and profile.plan(PhaseKind.BLACKOUT) is not None:
            self.fault("manner", "open", "a crop that germinates open has no blackout: stacked or covered")


def parse_profile(text: str, *, file: str, origin: str = "shipped") -> Profile:
    """Return the profile that a TOML text holds.

    Args:
        text: The file's text.
        file: Its name, for messages.
        origin: What the profile says of where it came from.

    Raises:
        ConfigError: It has faults; carries every one.
    """
    try:
        document = tomllib.loads(text)
    except tomllib.TOMLDecodeError as exc:
        raise ConfigError([syntax_fault(exc, file)]) from exc
    reader = _Reader(text, file)
    profile = reader.profile(document, origin)
    if reader.faults:
        raise ConfigError(reader.faults)
    return profile


def shipped_texts() -> dict[str, str]:
    """Return the packaged profiles' texts by crop id."""
    folder = files("monitor") / "crops"
    return {
        each.name.removesuffix(".toml"): each.read_text(encoding="utf-8")
        for each in sorted(folder.iterdir(), key=lambda entry: entry.name)
        if each.name.endswith(".toml")
    }


def shipped_profiles() -> dict[str, Profile]:
    """Return the packaged profiles by crop id."""
    return dict(Crops({}))


class Crops(Mapping[str, Profile]):
    """The packaged profiles by crop id, each read from its file when it is first asked for, and a farm's own over them.

    A command needs those of the batches that stand; to read all of them costs more than it has to do. Whoever walks
    over the values reads all.
    """

    def __init__(self, own: Mapping[str, Profile]) -> None:
        """Take a farm's own profiles, which are read already."""
        self._folder = files("monitor") / "crops"
        names = sorted(each.name for each in self._folder.iterdir())
        self._read: dict[str, Profile | None] = dict.fromkeys(
            name.removesuffix(".toml") for name in names if name.endswith(".toml")
        )
        self._read |= own

    def __getitem__(self, crop: str) -> Profile:
        """Return a crop's profile; raises KeyError where there is none."""
        known = self._read[crop]
        if known is None:
            file = f"{crop}.toml"
            known = parse_profile((self._folder / file).read_text(encoding="utf-8"), file=file)
            self._read[crop] = known
        return known

    def __contains__(self, crop: object) -> bool:
        """Tell whether there is a profile of a crop, without reading it."""
        return crop in self._read

    def __iter__(self) -> Iterator[str]:
        """Iterate over the ids: the packaged ones by name, then those that a farm added."""
        return iter(self._read)

    def __len__(self) -> int:
        """Return how many there are."""
        return len(self._read)


def load_profiles(folder: Path | None) -> Crops:
    """Return the packaged profiles and a farm's own over them.

    Args:
        folder: The farm's folder of profiles (*.toml), or None.

    Raises:
        ConfigError: The farm's own files have faults; carries those of all files.
    """
    shipped, profiles = Crops({}), dict[str, Profile]()
    faults: list[Fault] = []
    for path in sorted(folder.glob("*.toml")) if folder is not None else []:
        try:
            own = parse_profile(path.read_text(encoding="utf-8"), file=path.name, origin=path.name)
        except ConfigError as exc:
            faults.extend(exc.faults)
        except (OSError, UnicodeDecodeError) as exc:
            faults.append(Fault(file=path.name, line=None, key="file", found=str(exc), allowed="a readable UTF-8 file"))
        else:
            overrides = " (in place of the shipped one)" if own.id in shipped or own.id in profiles else ""
            profiles[own.id] = replace(own, origin=f"{path.name}{overrides}")
    if faults:
        raise ConfigError(faults)
    return Crops(profiles)


def find_profile(profiles: Mapping[str, Profile], said: str) -> Profile:
    """Return the profile that a person means, by id, name or another name of the crop.

    Raises:
        NotFoundError: None fits; near ones are named.
    """
    names: dict[str, Profile] = {}
    for profile in profiles.values():
        for name in (*profile.also_called, profile.name, profile.id):
            names[name.casefold()] = profile
    wanted = said.strip().casefold()
    if wanted in names:
        return names[wanted]
    near = get_close_matches(wanted, names, n=3, cutoff=0.5) or [name for name in names if wanted in name][:3]
    hint = f"did you mean {' or '.join(near)}?" if near else "`traywarden profiles` lists all"
    raise NotFoundError(f"no crop {said!r}; {hint}")
