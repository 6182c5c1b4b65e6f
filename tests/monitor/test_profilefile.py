"""Crop profiles from files: an own one overrides or adds, a faulty one names every fault."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.errors import ConfigError, NotFoundError
from monitor.profilefile import find_profile, load_profiles, parse_profile, shipped_profiles, shipped_texts
from monitor.profiles import USUAL_HARM, Profile


def test_an_own_profile_overrides_or_adds(tmp_path: Path) -> None:
    """The file says where it came from; the shipped ones stay."""
    text = shipped_texts()["radish"]
    (tmp_path / "radish.toml").write_text(text.replace("usual = 35", "usual = 33"), encoding="utf-8")
    (tmp_path / "new.toml").write_text(text.replace('crop = "radish"', 'crop = "rat-tail"'), encoding="utf-8")

    profiles = load_profiles(tmp_path)

    assert profiles["radish"].seed_g_per_tray.usual == 33
    assert "radish.toml" in profiles["radish"].origin
    assert len(profiles) == len(shipped_profiles()) + 1
    assert find_profile(profiles, "Thai Basil").id == "basil-thai"
    with pytest.raises(NotFoundError, match="did you mean"):
        find_profile(profiles, "rdish")


def test_a_profile_is_read_when_it_is_asked_for_and_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Which crops there are is known without reading one; whoever walks over them reads all; a farm's own at once."""
    (tmp_path / "new.toml").write_text(shipped_texts()["radish"].replace('crop = "radish"', 'crop = "rat-tail"'))
    read: list[str] = []

    def counted(text: str, *, file: str, origin: str = "shipped") -> Profile:
        read.append(file)
        return parse_profile(text, file=file, origin=origin)

    monkeypatch.setattr("monitor.profilefile.parse_profile", counted)
    profiles = load_profiles(tmp_path)
    names = (
        "basil" in profiles,
        "rat-tail" in profiles,
        "pepper" in profiles,
        list(profiles)[-1],
        profiles.get("pepper"),
    )
    at_first = list(read)
    first, again = profiles["basil"], profiles["basil"]
    asked = list(read)
    everything = dict(profiles)

    assert names == (True, True, False, "rat-tail", None)
    assert at_first == ["new.toml"]
    assert asked == ["new.toml", "basil.toml"]
    assert first is again
    assert sorted(read) == sorted(["new.toml", *(f"{name}.toml" for name in shipped_texts())])
    assert everything == {**shipped_profiles(), "rat-tail": profiles["rat-tail"]}


def test_a_packaged_file_is_called_like_its_crop() -> None:
    """A profile is looked for by its file's name."""
    assert {name: profile.id for name, profile in shipped_profiles().items()} == {
        name: name for name in shipped_texts()
    }


@pytest.mark.parametrize(
    ("old", "new", "key"),
    [
        ("usual = 35", "usual = 3", "sowing.seed_g_per_tray"),
        ('manner = "stacked"', 'manner = "piled"', "manner"),
        ("sticky = false", "sticky = true", "height"),
        ("[height]", "[hight]", "hight"),
        ('kind = "blackout"', 'kind = "dark"', "phase[1].kind"),
        ("value = 0.2,", "value = 0.9,", "water.wilting_fraction"),
    ],
)
def test_a_faulty_profile_names_its_faults(old: str, new: str, key: str) -> None:
    """File, line and key; sticky seed must not be soaked."""
    text = shipped_texts()["radish"].replace(old, new)
    if key == "height":
        soak = "[sowing]\nsoak_hours = { low = 1, usual = 2, high = 3, source = 'x' }"
        text, key = text.replace("[sowing]", soak), "sowing.soak_hours"

    with pytest.raises(ConfigError) as caught:
        parse_profile(text, file="own.toml")
    assert key in [fault.key for fault in caught.value.faults]
    assert all(fault.line is not None for fault in caught.value.faults if fault.key == key)


def test_harm_is_read_and_what_is_not_said_is_the_usual() -> None:
    """A profile without the table holds the defaults; a dose of nothing is a fault."""
    text = shipped_texts()["basil"]
    start, end = text.index("[harm]"), text.index("[holding]")

    without = parse_profile(text[:start] + text[end:], file="own.toml")

    assert without.harm == USUAL_HARM
    assert parse_profile(text, file="own.toml").harm.cold.value < USUAL_HARM.cold.value
    with pytest.raises(ConfigError, match="over 0"):
        parse_profile(
            text.replace("cold_degree_hours = { value = 6", "cold_degree_hours = { value = 0"), file="own.toml"
        )
