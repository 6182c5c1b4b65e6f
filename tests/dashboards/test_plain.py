"""What commands say, on a page: no command and no option is left, and what matters is."""

from __future__ import annotations

import pytest

from dashboards.pages.plain import plain, plain_lines


@pytest.mark.parametrize(
    ("said", "shown"),
    [
        ("say how many trays were sown: --trays N", "say how many trays were sown."),
        ("several soaks of pea: 3, 4; say which with --batch", "several soaks of pea: 3, 4."),
        ("batch 'x' is no batch of pea; `traywarden batches` lists them", "batch 'x' is no batch of pea."),
        ("no crop 'raddish'; did you mean radish?", "no crop 'raddish'; did you mean radish?"),
        (
            "mist it, now stack it in the dark under a weight (traywarden stack 6 --weight KG).",
            "mist it, now stack it in the dark under a weight.",
        ),
        (
            "Sow only untreated seed meant for food or shoots; note it with --untreated, and its lot with --lot.",
            "Sow only untreated seed meant for food or shoots.",
        ),
        ("for how long, and why? Give e.g. --for 4h --why 'door open.'", "for how long, and why?"),
        (
            "say how many, of what, for when and for whom, e.g. traywarden promise 12 radish --whom 'the corner'",
            "say how many, of what, for when and for whom.",
        ),
        ("P1 is past; promise anew, or give --for DAY", "P1 is past; promise anew."),
        ("on hold already: recall (ines); `traywarden holds` shows all", "on hold already: recall (ines)."),
        ("through lot R-77: release that, with --lot R-77; or discard", "through lot R-77: release that; or discard."),
        ("It ends with: traywarden release --lot R-77 --reason '...'", ""),
        ("`traywarden promises` shows the 3 days after that.", ""),
        ("why? A hold is kept with its reason: --reason '...'", "why? A hold is kept with its reason."),
        ("lot R-77 is ON HOLD (recall): do not sow.", "lot R-77 is ON HOLD (recall): do not sow."),
        ("4.5 g each, at 17:00", "4.5 g each, at 17:00."),
    ],
)  # fmt: skip
def test_no_command_is_left(said: str, shown: str) -> None:
    """And the rest is a sentence."""
    assert plain(said) == shown


def test_lines_of_which_nothing_is_left_are_left_out() -> None:
    """The others stay in their order."""
    assert plain_lines(["Noted.", "It ends with: traywarden release --lot R-77", "Mind it"]) == ("Noted.", "Mind it.")
