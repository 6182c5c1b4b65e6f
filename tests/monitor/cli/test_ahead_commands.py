"""Promises, what is ready, when to sow and the plan, typed as a grower types them."""

from __future__ import annotations

import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from tests.support.farms import TEXT
from tests.support.typist import Typist

FOR_FRIDAY = ("--for", "2026-03-13", "--whom", "the corner table")


class Cellar(Typist):
    """A farm in a folder with 18 places, on Monday 2 March 2026, 09:00 in Lisbon; eight in a hundred trays are lost."""

    def __init__(self, folder: Path) -> None:
        """Write farm.toml."""
        self.path = folder / "farm.toml"
        text = TEXT.format(zone="Europe/Lisbon", more='[[tray]]\nid = "1020"\nmedium_depth_mm = 20\nowned = 60\n')
        text = text.replace('rounds = ["07:30"', 'loss_percent = 8\nrounds = ["07:30"')
        self.path.write_text(text.replace("trays_per_shelf = 12", "trays_per_shelf = 3"), encoding="utf-8")
        self.now = datetime(2026, 3, 2, 9, tzinfo=UTC)

    def later(self, days: int, hour: int = 9) -> None:
        """Move the clock to an hour of a later day."""
        self.now = (self.now + timedelta(days=days)).replace(hour=hour)


@pytest.fixture
def cellar(tmp_path: Path) -> Cellar:
    """Return a farm to type at."""
    return Cellar(tmp_path)


def test_a_promise_says_at_once_what_is_to_be_sown_for_it(cellar: Cellar) -> None:
    """With spare trays for the farm's loss, the usual day and the last one."""
    said = cellar.says("promise", "12", "radish", *FOR_FRIDAY)

    assert "Noted: promise P1, 12 trays of radish to the corner table on Fri 13 Mar." in said
    assert "sow 14 trays (12 and 2 spare), usually Thu 5 Mar, at the latest Sat 7 Mar" in said
    assert "Mind" not in said


def test_a_promise_that_cannot_be_met_is_warned_of_and_noted_all_the_same(cellar: Cellar) -> None:
    """The warning says from when on it could be; what was said to a buyer is still written down."""
    said = cellar.says("promise", "5", "radish", "--for", "fri", "--whom", "the corner table")

    assert "Mind: P1 cannot be met on Fri 6 Mar" in said
    assert "sown today, ready from Sun 8 Mar on" in said
    assert "P1  5 trays" in cellar.says("promises")


def test_a_promise_without_room_is_warned_of(cellar: Cellar) -> None:
    """Thirty trays on eighteen places; the plan says the same."""
    said = cellar.says("promise", "30", "radish", *FOR_FRIDAY)

    assert "With P1 not all finds room: P1 to the corner table on Fri 13 Mar: 12 trays of radish cannot be met" in said
    assert "12 trays of radish cannot be met, no shelf places are left on" in cellar.says("plan")


def test_a_promise_that_takes_another_ones_trays_says_so(cellar: Cellar) -> None:
    """An earlier day comes first, whoever asked first."""
    cellar.says("sow", "radish", "--trays", "8", "--spot", "1/1")
    cellar.says("promise", "8", "radish", "--for", "2026-03-12", "--whom", "Quay Street kitchen")
    said = cellar.says("promise", "3", "radish", "--for", "2026-03-10", "--whom", "the corner table")

    assert "It takes trays that promise P1 counted on: 8 trays of radish to Quay Street kitchen on Thu 12 Mar" in said
    assert "now lacks 3 trays" in said


def test_a_standing_order_is_changed_and_ended_by_entries(cellar: Cellar) -> None:
    """From a day on, on one day only, and for good; the ledger keeps all of them."""
    cellar.says("promise", "4", "radish", *FOR_FRIDAY, "--every", "week")
    cellar.says("promise", "--change", "p1", "--trays", "6", "--from", "2026-03-20")
    cellar.says("promise", "--change", "P1", "--only", "2026-03-27", "--trays", "0")
    cellar.says("promise", "--end", "1", "--from", "2026-04-17")
    facts = cellar.json("promises", "--weeks", "8")

    assert [(day["on"], day["trays"]) for day in facts["days"]] == [
        ("2026-03-13", 4),
        ("2026-03-20", 6),
        ("2026-04-03", 6),
        ("2026-04-10", 6),
    ]
    assert facts["promises"][0]["ends_on"] == "2026-04-17"
    assert len(facts["promises"][0]["entries"]) == 4


def test_a_change_of_the_weekday_begins_with_the_next_one(cellar: Cellar) -> None:
    """Thursdays instead of Fridays, from the week after on."""
    cellar.says("promise", "4", "radish", *FOR_FRIDAY, "--every", "week")
    said = cellar.says("promise", "--change", "P1", "--for", "thu", "--from", "2026-03-16")

    assert "every week on Thu, from Thu 19 Mar" in said
    assert [day["on"] for day in cellar.json("promises", "--weeks", "4")["days"]] == [
        "2026-03-13",
        "2026-03-19",
        "2026-03-26",
    ]


@pytest.mark.parametrize(
    ("words", "why"),
    [
        pytest.param(("5",), "say how many, of what, for when and for whom", id="half a promise"),
        pytest.param(("5", "radish", "--for", "fri", "--whom", " "), "for whom", id="nobody"),
        pytest.param(("5", "radich", *FOR_FRIDAY), "did you mean radish", id="no such crop"),
        pytest.param(("5", "radish", "--for", "2026-03-01", "--whom", "x"), "is past", id="a past day"),
        pytest.param(("5", "radish", *FOR_FRIDAY, "--every", "often"), "is no rhythm", id="no rhythm"),
        pytest.param(("--change", "P9", "--trays", "3"), "there is no promise 'P9'; there are: P1", id="no promise"),
        pytest.param(("--change", "P1"), "say what changes", id="no change"),
        pytest.param(("--change", "P1", "--trays", "0"), "promise --end P1", id="none for good"),
        pytest.param(
            ("--change", "P1", "--only", "thu", "--trays", "3"), "its next days are Fri 13 Mar", id="wrong day"
        ),
        pytest.param(("--change", "P1", "--only", "2026-03-13"), "--only DAY --trays N", id="no number"),
        pytest.param(("--change", "P1", "--end", "P1"), "not both", id="change and end"),
        pytest.param(("--end", "P1", "--trays", "3"), "takes only --from", id="an end with a number"),
    ],
)
def test_what_cannot_be_is_refused_with_the_way_out(cellar: Cellar, words: tuple[str, ...], why: str) -> None:
    """And nothing is written."""
    cellar.says("promise", "4", "radish", *FOR_FRIDAY)

    assert why in cellar.refuses("promise", *words)
    assert len(cellar.json("promises")["promises"]) == 1


def test_what_is_over_is_not_changed(cellar: Cellar) -> None:
    """It is promised anew."""
    cellar.says("promise", "4", "radish", *FOR_FRIDAY)
    cellar.says("promise", "--end", "P1")

    assert "promise anew" in cellar.refuses("promise", "--change", "P1", "--trays", "3")
    assert "is over already" in cellar.refuses("promise", "--end", "P1")
    assert cellar.says("promises").startswith("Nothing is promised.")
    assert "(over)" in cellar.says("promises", "--all")


def test_ready_counts_what_is_free(cellar: Cellar) -> None:
    """Eight stand, five are promised on Tuesday: three are left on that day and on Wednesday."""
    cellar.says("sow", "radish", "--trays", "8", "--spot", "1/1")
    cellar.says("promise", "5", "radish", "--for", "2026-03-10", "--whom", "the corner table")
    rows = {row["on"]: row for row in cellar.json("ready")["ready"]}
    (tuesday,) = cellar.json("ready", "2026-03-10")["ready"]
    (wednesday,) = cellar.json("ready", "2026-03-11")["ready"]

    assert sorted(rows) == ["2026-03-08", "2026-03-09"]
    assert (rows["2026-03-08"]["ready"], rows["2026-03-08"]["free"]) == (8, 3)
    assert (tuesday["ready"], tuesday["promised"], tuesday["free"]) == (8, 5, 3)
    assert (wednesday["ready"], wednesday["promised"], wednesday["free"]) == (3, 0, 3)
    assert "radish: 8 trays ready (batch 1), 5 promised, 3 free" in cellar.says("ready", "2026-03-10")


def test_ready_says_what_lacks(cellar: Cellar) -> None:
    """In capitals, and what it means by free."""
    cellar.says("promise", "5", "radish", "--for", "fri", "--whom", "the corner table")

    assert "radish: 0 trays ready, 5 promised, 5 OF THOSE LACK, 0 free" in cellar.says("ready")
    assert "is past" in cellar.refuses("ready", "yesterday")


def test_sow_by_gives_the_three_days_and_the_soak(cellar: Cellar) -> None:
    """Soaked in the morning, sown in the evening; whose days and whose loss they are is said."""
    said = cellar.says("sow-by", "pea", "2026-03-20", "--trays", "8")

    assert "usually   soak Tue 10 Mar 07:30, sow Tue 10 Mar 17:00" in said
    assert "earliest  soak Fri 6 Mar 07:30, sow Fri 6 Mar 17:00" in said
    assert "latest    soak Wed 11 Mar 07:30, sow Wed 11 Mar 17:00" in said
    assert "Sow 9 trays (8 and 1 spare): 220 g of seed each, 1.98 kg in all." in said
    assert "your loss_percent in farm.toml" in said
    assert "usually 10 days (by the profile)" in said


def test_sow_by_says_when_it_is_too_late(cellar: Cellar) -> None:
    """And from when on it could be."""
    said = cellar.says("sow-by", "radish", "friday", "--trays", "8")

    assert "TOO LATE: the last day to sow was Sat 28 Feb. Sown today, ready from Sun 8 Mar on." in said
    assert cellar.json("sow-by", "radish", "friday", "--trays", "8")["too_late"] is True


def test_sow_by_goes_by_the_farms_own_batches_once_five_came_good(cellar: Cellar) -> None:
    """Cut on day 9 each time, one of five trays thrown away; four batches are not enough."""
    seen = []
    cellar.now = datetime(2026, 1, 5, 9, tzinfo=UTC)
    for number in range(1, 6):
        cellar.says("sow", "radish", "--trays", "5", "--spot", "1/1")
        cellar.later(9)
        cellar.says("discard", str(number), "--trays", "1", "--why", "unsold")
        cellar.says("harvest", str(number))
        seen.append(cellar.json("sow-by", "radish", "2026-04-20", "--trays", "8"))

    assert [facts["days"]["from"] for facts in seen[-2:]] == ["profile", "own batches"]
    assert (seen[-1]["days"]["usual"], seen[-1]["loss_pct"], seen[-1]["to_sow"]) == (9, 20.0, 10)
    assert "your own: the middle of 5 batches that came good" in cellar.says(
        "sow-by", "radish", "2026-04-20", "--trays", "8"
    )


def test_the_plan_lays_out_sowings_backwards(cellar: Cellar) -> None:
    """By day: how many for whom, seed and lot, soak, shelves; then seed and medium in all."""
    cellar.says("sow", "pea", "--trays", "1", "--spot", "1/1", "--lot", "P-114")
    cellar.says("promise", "4", "radish", *FOR_FRIDAY)
    cellar.says("promise", "4", "pea", "--for", "2026-03-20", "--whom", "Quay Street kitchen", "--every", "week")
    said = cellar.says("plan", "--weeks", "3", "--days")
    lines = said.splitlines()

    assert lines[0] == "Plan for Saltcellar Farm, Mon 2 Mar to Mon 23 Mar"
    assert "Promised: 8 trays; 0 stand or are sown for it, 8 to be sown, all can be met." in said
    assert lines[lines.index("Thu 5 Mar") + 1].startswith(
        " * Radish: sow 5 trays (4 for P1 the corner table Fri 13 Mar and 1 spare); seed 175 g."
    )
    assert "seed 1.1 kg, last lot P-114." in said
    assert "Soak Tue 10 Mar 07:30, sow Tue 10 Mar 17:00." in said
    assert "Room: 1 pile on rack 1 shelf 1, from Sat 7 Mar" in said
    assert "medium: coir for 10 trays, 25.81 l" in said
    assert any(line.startswith("Tue 10 Mar") and line.endswith("of 18") for line in lines)


def test_the_plan_as_facts_holds_its_sums(cellar: Cellar) -> None:
    """Promised is what stands, what is met and what is not; no day takes more places than there are."""
    cellar.says("sow", "radish", "--trays", "6", "--spot", "1/1")
    for trays, day in (("5", "2026-03-10"), ("16", "2026-03-13"), ("9", "2026-03-06")):
        cellar.says("promise", trays, "radish", "--for", day, "--whom", "the corner table")
    facts = cellar.json("plan", "--weeks", "2")

    assert facts["promised"] == facts["stands"] + facts["met"] + facts["unmet"] == 30
    assert all(0 <= day["places_free"] <= day["places_free"] + day["places"] == 18 for day in facts["days"])
    assert {each["promise"]: each["why"] for each in facts["not_met"]} == {
        "P2": ["no places"],
        "P3": ["too late to sow"],
    }


def test_the_plan_counts_the_seed_that_is_left(cellar: Cellar) -> None:
    """A hundred grams are two trays of radish; a crop that is not named is not counted."""
    cellar.says("promise", "4", "radish", *FOR_FRIDAY)
    facts = cellar.json("plan", "--seed", "radish=100 g")

    assert [(each["trays"], each["why"]) for each in facts["not_met"]] == [(2, ["no seed"])]
    assert "no seed: give crop and weight" in cellar.refuses("plan", "--seed", "radish")
    assert "did you mean" in cellar.refuses("plan", "--seed", "radich=1 kg")


def test_the_plan_counts_the_lots_that_were_entered_and_are_not_on_hold(cellar: Cellar) -> None:
    """A bag of 100 g runs short for fourteen trays; with its lot on hold nothing of it counts."""
    cellar.says("promise", "12", "radish", *FOR_FRIDAY)
    cellar.says("lot", "R-77", "--crop", "radish", "--bought", "100", "--untreated")
    short = cellar.says("plan", "--weeks", "2")
    own_word = cellar.says("plan", "--weeks", "2", "--seed", "radish=5 kg")
    cellar.says("hold", "--lot", "R-77", "--reason", "the supplier rang")

    assert "cannot be met" in short
    assert "seed" in short
    assert "all can be met" in own_word
    assert "all can be met" in cellar.says("plan", "--weeks", "2")  # what is left of other seed is not known


def test_trays_on_hold_stand_for_no_promise(cellar: Cellar) -> None:
    """They may not be cut: the promise lacks them."""
    cellar.says("sow", "radish", "--trays", "12", "--spot", "1/1", "--at", "2026-03-02 08:00")
    cellar.says("promise", "12", "radish", "--for", "2026-03-10", "--whom", "the corner table")
    stands = cellar.says("ready", "2026-03-10")
    cellar.says("hold", "--batch", "1", "--reason", "fuzz on one tray")

    assert stands != cellar.says("ready", "2026-03-10")


def test_with_nothing_promised_the_plan_says_how_to_begin(cellar: Cellar) -> None:
    """And nothing is solved."""
    assert "Nothing is promised in that time. traywarden promise" in cellar.says("plan")


def test_a_delivery_to_the_same_name_counts_on_its_day(cellar: Cellar) -> None:
    """It is said which promise it counts for; one that names nobody is warned of."""
    cellar.says("sow", "radish", "--trays", "8", "--spot", "1/1")
    cellar.says("promise", "6", "radish", "--for", "2026-03-10", "--whom", "the corner table", "--living")
    cellar.later(8)
    unnamed = cellar.says("deliver", "1", "--trays", "1", "--living")
    named = cellar.says("deliver", "1", "--trays", "4", "--living", "--whom", "The corner  Table")
    (left,) = cellar.json("promises")["days"]

    assert "promised for that day: P1 (the corner table); a delivery counts for it with --whom NAME" in unnamed
    assert "It counts for promise P1: 4 of 6 trays." in named
    assert (left["delivered"], left["stands"], left["lacking"]) == (4, 2, 0)


def test_after_todays_trays_went_out_a_change_holds_from_tomorrow(cellar: Cellar) -> None:
    """Or today would seem to lack what nobody asked for."""
    cellar.says("sow", "radish", "--trays", "4", "--spot", "1/1")
    cellar.says("promise", "4", "radish", "--for", "2026-03-10", "--whom", "x", "--every", "week")
    cellar.later(8)
    cellar.says("deliver", "1", "--living", "--whom", "x")

    assert "is from Wed 11 Mar on: 6 trays" in cellar.says("promise", "--change", "P1", "--trays", "6")
    assert cellar.json("promises")["days"][0]["state"] == "delivered"


def test_a_sowing_is_put_off_like_any_task(cellar: Cellar) -> None:
    """By the promise's id; a batch has no sowing to put off, and a promise no other task."""
    cellar.says("promise", "4", "radish", *FOR_FRIDAY)
    cellar.later(3)
    due = [task["kind"] for task in cellar.json("rounds")["due"]]
    said = cellar.says("not-yet", "p1", "sow", "--until", "sat")

    assert due == ["sow"]
    assert "promise P1 not yet; asked again on Sat 7 Mar" in said
    assert cellar.json("rounds")["due"] == []
    assert "belong to a batch" in cellar.refuses("not-yet", "P1", "water")
    assert "puts off the sowing of a promise" in cellar.refuses("not-yet", "1", "sow")


def test_rounds_list_what_is_promised_last_and_by_day(cellar: Cellar) -> None:
    """Under a heading of its own; what rings only if nothing is sown today is not foretold."""
    cellar.says("promise", "4", "radish", "--for", "2026-03-08", "--whom", "the corner table")
    cellar.says("promise", "4", "radish", "--for", "2026-03-05", "--whom", "Quay Street kitchen")
    facts = cellar.json("rounds")
    said = cellar.says("rounds")

    assert [(task["batch"], task["kind"]) for task in facts["due"]] == [("P2", "ring"), ("P1", "sow")]
    assert facts["tomorrow"] == facts["next_round"] == []
    assert "What is promised\n * Promise P2" in said


def test_promises_alone_load_no_solver() -> None:
    """Only a plan that must choose loads scipy; the other commands answer without it."""
    modules = ", ".join(f"monitor.cli.{name}" for name in ("promise", "promises", "ahead", "plan"))
    code = f"import sys, {modules}\nprint('scipy' in sys.modules)\n"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=120)

    assert done.stdout.strip() == "False"
