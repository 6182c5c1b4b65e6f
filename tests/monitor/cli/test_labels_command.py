"""``traywarden labels``: what is printed, the page itself, and what is refused."""

from __future__ import annotations

import json
from pathlib import Path

from tests.monitor.cli.test_calendar_command import farm_file
from tests.support.commands import call


def test_it_writes_the_page_and_tells_what_is_on_it(tmp_path: Path) -> None:
    """One label for each tray; that no phone opens the codes yet is said on standard error."""
    file = tmp_path / "labels.html"

    said = call(farm_file(tmp_path), "labels", "1", "--html", str(file))

    assert "Radish, batch 1, lot not entered, sown Mon 2 Mar: uncover Wed 4 Mar" in said.out
    assert "8 labels of 70x37 mm, 1 page." in said.out
    assert "no phone reaches" in said.err
    assert file.read_text(encoding="utf-8").count('<li class="label">') == 8


def test_sizes_are_listed_and_json_has_the_facts(tmp_path: Path) -> None:
    """A question mark lists the sizes."""
    farm = farm_file(tmp_path)

    facts = json.loads(call(farm, "labels", "1", "--count", "2", "--json").out)

    assert "63.5x38.1 mm  A4, 21 labels" in call(farm, "labels", "--size", "?").out
    assert [(each["batch"], each["times"]) for each in facts["labels"]] == [("1", 2)]
    assert facts["labels"][0]["opens"] == "http://127.0.0.1:8467/batch/1"


def test_no_batch_is_refused(tmp_path: Path) -> None:
    """With an example."""
    assert "of which batches?" in (call(farm_file(tmp_path), "labels").refused or "")
