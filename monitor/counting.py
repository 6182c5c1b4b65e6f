"""What a delivery counts for: the promises of its day, to the same name, of the same crop."""

from __future__ import annotations

from monitor.amounts import say_list, say_trays
from monitor.batches import Batch, Fate
from monitor.clock import local_day
from monitor.desk import Desk
from monitor.ledger import NewEntry
from monitor.promises import deliveries_of, owed, promises_as_of, same_name


def counted(desk: Desk, batch: Batch, entry: NewEntry) -> list[str]:
    """Return what a delivery counts for, and warn where it names nobody although somebody waits for that crop."""
    day, whom = local_day(desk.at, desk.farm.zone), entry.data.get("whom")
    promises = promises_as_of(desk.entries, desk.now)
    delivered = deliveries_of(desk.batches.values(), desk.farm.zone)
    waiting = [each for each in owed(promises, delivered, day, day) if each.crop == batch.crop and each.open]
    if not whom:
        names = [f"{each.promise} ({each.whom})" for each in waiting]
        if names:
            desk.warnings.append(
                f"promised for that day: {say_list(names)}; a delivery counts for it with --whom NAME."
            )
        return []
    left = entry.trays if entry.trays is not None else _all_of(batch, entry)
    lines = []
    for each in waiting:
        went = min(left, each.open) if same_name(each.whom) == same_name(str(whom)) else 0
        left -= went
        if went:
            lines.append(f"It counts for promise {each.promise}: {each.delivered + went} of {say_trays(each.trays)}.")
    return lines


def _all_of(batch: Batch, entry: NewEntry) -> int:
    """Return how many trays a delivery without a number means: what is cut, else what stands."""
    living = entry.data.get("living")
    fate = Fate.STANDING if living or (living is None and not batch.trays(Fate.CUT)) else Fate.CUT
    return batch.trays(fate)
