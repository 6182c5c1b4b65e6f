"""The small model of what spoils a batch: what moves a chance, and what cannot."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.doses import NOT_KNOWN, Dose
from monitor.errors import RefusedError
from monitor.outcomes import SIGNS, Judged
from monitor.suspectfile import load_model, model_of, shipped_model, shipped_text
from monitor.suspects import NONE, Suspect, Witness, settled_by, suspects_of

MODEL = shipped_model()
KEYS = [cause.key for cause in MODEL.causes]


def batch(
    name: str = "1", *, crop: str = "radish", judged: Judged = Judged.POOR, had: Mapping[str, float] | None = None,
    **doses: float | None,
) -> Witness:  # fmt: skip
    """Return a batch with doses given by key (underscores for blanks), all others nought."""
    every = {key: Dose(value=(had or {}).get(key, 0.0)) for key in KEYS}
    for key, value in doses.items():
        every[key.replace("_", " ")] = NOT_KNOWN if value is None else Dose(value=value)
    return Witness(batch=name, crop=crop, judged=judged, doses=every)


def chance(found: tuple[Suspect, ...], key: str) -> float:
    """Return the chance of a cause."""
    return next(each.chance for each in found if each.key == key)


def test_a_large_dose_is_named_and_nothing_else() -> None:
    """Three times what does harm, all else nought."""
    found = suspects_of(MODEL, batch(cold_germination=3.0), [])

    assert found[0].key == "cold germination"
    assert found[0].chance > 0.9
    assert chance(found, "hot germination") < 0.01


def test_none_of_these_wins_where_nothing_was_wrong() -> None:
    """All doses measured, all nought; what several batches share is not in sight."""
    found = suspects_of(MODEL, batch(), [])

    assert found[0].key == NONE
    assert found[0].chance > 0.4


def test_none_of_these_is_always_in_the_list_and_all_causes_with_it() -> None:
    """Once each."""
    found = suspects_of(MODEL, batch(light_leak=20.0), [])

    assert sorted(each.key for each in found) == sorted([*KEYS, "seed lot", "medium", "spot", NONE])


@pytest.mark.parametrize("count", [1, 3, 6])
def test_good_batches_that_stood_as_much_discount_a_cause(count: int) -> None:
    """The more of them, the less; those that had less of it say little."""
    own = batch(mould_weather=12.0)
    alone = chance(suspects_of(MODEL, own, []), "mould weather")
    stood = [batch(str(n), judged=Judged.GOOD, mould_weather=12.5) for n in range(2, 2 + count)]
    dry = [batch(str(n), judged=Judged.GOOD, mould_weather=2.0) for n in range(2, 2 + count)]

    assert chance(suspects_of(MODEL, own, stood), "mould weather") < alone - 0.1
    assert chance(suspects_of(MODEL, own, dry), "mould weather") == pytest.approx(alone, abs=0.03)


def test_another_crop_says_less_than_the_same_one() -> None:
    """Its own crop's good batch discounts more."""
    own = batch(mould_weather=12.0)
    same = suspects_of(MODEL, own, [batch("2", judged=Judged.GOOD, mould_weather=12.0)])
    other = suspects_of(MODEL, own, [batch("2", crop="pea", judged=Judged.GOOD, mould_weather=12.0)])

    assert chance(same, "mould weather") < chance(other, "mould weather")


@settings(max_examples=30)
@given(st.sampled_from(KEYS), st.floats(0.2, 5), st.floats(0.2, 5))
def test_a_good_batch_never_makes_its_dose_more_suspect(key: str, mine: float, theirs: float) -> None:
    """A law: a good batch with some dose cannot raise the chance by that dose alone, nor a poor one lower it."""
    cause = next(each for each in MODEL.causes if each.key == key)
    own = batch(had={key: mine * cause.spoils_half})
    good = batch("2", judged=Judged.GOOD, had={key: theirs * cause.spoils_half})
    alone = next(each for each in suspects_of(MODEL, own, []) if each.key == key)
    beside = next(each for each in suspects_of(MODEL, own, [good]) if each.key == key)

    assert beside.chance <= alone.chance + 1e-9
    assert 0 <= beside.chance <= 1


def test_a_batch_that_nobody_judged_says_nothing() -> None:
    """It is passed over."""
    own, unsaid = batch(light_leak=9.0), batch("2", judged=Judged.UNSAID, light_leak=9.0)

    assert suspects_of(MODEL, own, [unsaid]) == suspects_of(MODEL, own, [])


def test_a_lot_is_judged_by_its_other_batches() -> None:
    """Two poor ones of the lot among good ones of another name it; a good one of the lot clears it."""
    own = replace(batch(), lot="R-2")
    poor = [replace(batch(str(n)), lot="r-2") for n in (2, 3)]
    good_of_other = [replace(batch(str(n), judged=Judged.GOOD), lot="R-1") for n in (4, 5, 6)]
    good_of_lot = replace(batch("7", judged=Judged.GOOD), lot="R-2")
    named = suspects_of(MODEL, own, [*poor, *good_of_other])

    assert named[0].key == "seed lot"
    assert named[0].poor_with_as_much == ("2", "3")
    cleared = suspects_of(MODEL, own, [*poor[:1], good_of_lot])
    assert chance(cleared, "seed lot") < chance(suspects_of(MODEL, own, poor[:1]), "seed lot") / 2


def test_a_lot_of_another_crop_is_another_lot() -> None:
    """Names of lots may be the same."""
    own = replace(batch(), lot="1")
    found = suspects_of(MODEL, own, [replace(batch("2", crop="pea"), lot="1")])

    assert next(each for each in found if each.key == "seed lot").poor_with_as_much == ()


def test_a_germination_test_moves_the_lot() -> None:
    """Under its label up, as its label down."""
    own = replace(batch(), lot="R-2")
    plain, low, fine = (
        chance(suspects_of(MODEL, replace(own, lot_differs=differs), []), "seed lot") for differs in (None, True, False)
    )

    assert fine < plain < low


def test_what_was_not_measured_stays_open() -> None:
    """It is neither cleared nor named."""
    open_ = chance(suspects_of(MODEL, batch(light_leak=None), []), "light leak")
    cleared = chance(suspects_of(MODEL, batch(light_leak=0.0), []), "light leak")

    assert cleared < open_ < 0.3


def test_signs_weigh_causes_against_each_other() -> None:
    """Mould that was seen speaks for mould weather; no sign at all speaks against it; nothing said says nothing."""
    own = batch(mould_weather=10.0, dried_out_later=6.0)
    seen, unseen, unsaid = (
        chance(suspects_of(MODEL, replace(own, signs=signs), []), "mould weather") for signs in (("mould",), (), None)
    )

    assert unseen < unsaid < seen


def test_what_measuring_is_off_by_does_not_count() -> None:
    """Two hours under the wilting point are as good as none; nine are not."""
    none, little, much = (
        chance(suspects_of(MODEL, batch(dried_out_later=hours), []), "dried out later") for hours in (0.0, 2.0, 9.0)
    )

    assert none == little < 0.01 < 0.5 < much


def test_two_causes_at_once_are_both_named() -> None:
    """Each has its dose."""
    found = suspects_of(MODEL, batch(cold_germination=3.0, sown_too_thick=1.2), [])

    assert {each.key for each in found[:2]} == {"cold germination", "sown too thick"}
    assert min(each.chance for each in found[:2]) > 0.5


def test_a_check_settles_most_where_least_is_known() -> None:
    """At even odds more than near certainty; never less than nothing."""
    assert settled_by(0.5) > settled_by(0.9) > settled_by(0.999) > 0
    assert settled_by(0.0) == pytest.approx(0, abs=1e-12)


def test_the_shipped_model_explains_itself() -> None:
    """Every cause has a name, signs that are known, and a check; every dose a unit."""
    tells = [*(cause.tell for cause in MODEL.causes), *(cause.tell for cause in MODEL.shared), MODEL.none_tell]
    signs = [*(cause.signs for cause in MODEL.causes), *(cause.signs for cause in MODEL.shared)]

    assert all(len(tell) > 30 for tell in tells)
    assert all(set(each) <= set(SIGNS) for each in signs)
    assert all(cause.unit for cause in MODEL.causes)
    assert "common practice, no source" in shipped_text()


def test_a_farms_own_model_stands_for_the_shipped_one(tmp_path: Path) -> None:
    """A file of that name beside farm.toml; one with a fault says where."""
    assert load_model(tmp_path) is shipped_model()
    own = re.sub(r"^none = \S+", "none = 0.33", shipped_text(), flags=re.MULTILINE)
    (tmp_path / "suspects.toml").write_text(own, encoding="utf-8")

    assert load_model(tmp_path).none == 0.33
    with pytest.raises(RefusedError, match="purple"):
        model_of(own.replace("rot = 0.65", "purple = 0.65"), "suspects.toml")
    with pytest.raises(RefusedError, match="harmful"):
        model_of(own.replace("harmful = 0.9", ""), "suspects.toml")
