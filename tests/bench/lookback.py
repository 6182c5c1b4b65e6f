"""`make bench-lookback`: the look-back on SIMULATED bad batches, on seeds that nothing was tuned on.

Each case is a simulated farm with one bad batch among good ones (simulated_feeds/badfarm.py). The look-back reads its
ledger and its readings. Its ranking is held against the truth, beside an oracle that knows the generator's own
likelihoods (lookback_oracle.py) and beside the plain question which factor lies farthest out of its band.
SEED=n changes every case, CASES=n how many there are, CAUSE='light leak' takes cases of one cause alone.
"""

from __future__ import annotations

import json
import os
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from time import perf_counter

import numpy as np

from dashboards.lookbackwords import NAMED_FROM
from monitor.banded import Series
from monitor.fold import fold
from monitor.profilefile import shipped_profiles
from monitor.profiles import Profile
from monitor.readings import to_ms
from monitor.reviewfacts import facts_of
from monitor.reviewrecord import record_of
from monitor.scalesetup import setups_of
from monitor.suspectfile import shipped_model
from monitor.suspects import NONE, Model, Suspect, Witness, suspects_of
from monitor.witnesses import witness_of
from simulated_feeds.badfarm import Case, draw_causes, make_case, simulated_farm
from tests.bench import lookback_oracle as oracle

BATCHES = 400
BANDS = (0.0, 0.02, 0.05, 0.1, 0.2, 0.4, 0.6, 0.8, 0.9, 0.95, 1.0001)


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """One case: what was true, and how each method ranks the causes, most likely first."""

    truth: frozenset[str]
    chances: Mapping[str, float]
    oracle: Mapping[str, float]
    plain: tuple[str, ...]
    case: Case
    suspects: tuple[Suspect, ...]

    def ranked(self, chances: Mapping[str, float]) -> list[str]:
        """Return causes, most likely first."""
        return sorted(chances, key=lambda name: -chances[name])


def witnesses_of(case: Case, profiles: Mapping[str, Profile]) -> dict[str, Witness]:
    """Return every batch of a case as the look-back sees it: from its entries and readings alone."""

    def read(sensor: str, start: datetime, end: datetime) -> Series:
        at_ms, value = case.readings.get(sensor, (np.empty(0, dtype=np.int64), np.empty(0)))
        first, last = np.searchsorted(at_ms, [to_ms(start), to_ms(end)])
        return Series.of(at_ms[first:last], value[first:last])

    setups = setups_of(case.entries, case.farm.sensors)
    found = {}
    for batch in fold(case.entries).values():
        record = record_of(case.farm, profiles[batch.crop], batch, read, now=case.now, setups=setups)
        found[batch.id] = witness_of(facts_of(record, case.farm.zone))
    return found


def most_out_of_band(model: Model, own: Witness) -> tuple[str, ...]:
    """Return the causes by how far their dose lies over what does harm, farthest first; none where none does."""
    far = {}
    for cause in model.causes:
        dose = own.doses.get(cause.key)
        far[cause.key] = 0.0 if dose is None or dose.value is None else dose.value / cause.spoils_half
    far[NONE] = 0.5
    return tuple(sorted(far, key=lambda name: -far[name]))


def judge(case: Case, profiles: Mapping[str, Profile], model: Model) -> Judgement:
    """Return how the look-back, the oracle and the plain ranking judge one case."""
    seen = witnesses_of(case, profiles)
    own = seen[case.target]
    others = [each for each in seen.values() if each.batch != case.target]
    suspects = suspects_of(model, own, others)
    return Judgement(
        truth=case.truth,
        chances={each.key: each.chance for each in suspects},
        oracle=oracle.chances(case),
        plain=most_out_of_band(model, own),
        case=case,
        suspects=suspects,
    )


def top1(truth: frozenset[str], ranked: Sequence[str]) -> bool:
    """Tell whether a true cause stands first."""
    return ranked[0] in truth


def top3(truth: frozenset[str], ranked: Sequence[str]) -> bool:
    """Tell whether every true cause stands among the first three."""
    return truth <= set(ranked[:3])


def run(seed: int, batches: int, only: str | None = None) -> list[Judgement]:
    """Return the judged cases of a seed."""
    farm, profiles, model = simulated_farm(), shipped_profiles(), shipped_model()
    found = []
    for number in range(batches):
        rng = np.random.default_rng([seed, number])
        causes = draw_causes(rng) if only is None else (only,)
        found.append(judge(make_case(rng, farm, profiles, causes), profiles, model))
    return found


def calibration(found: Sequence[Judgement]) -> tuple[list[tuple[float, float, int]], float, float]:
    """Return (mean chance said, share true, claims) by band, the calibration error, and the Brier score a claim."""
    said = np.array([chance for each in found for chance in each.chances.values()])
    true = np.array([name in each.truth for each in found for name in each.chances], dtype=float)
    table, error = [], 0.0
    for low, high in pairwise(BANDS):
        inside = (said >= low) & (said < high)
        if inside.any():
            table.append((float(said[inside].mean()), float(true[inside].mean()), int(inside.sum())))
            error += abs(said[inside].mean() - true[inside].mean()) * inside.sum() / len(said)
    return table, float(error), float(((said - true) ** 2).mean())


def firsts_error(found: Sequence[Judgement]) -> float:
    """Return by how much the chances of those ranked first differ from how often they are right, by fifths of them."""
    said = np.array([max(each.chances.values()) for each in found])
    right = np.array([top1(each.truth, each.ranked(each.chances)) for each in found], dtype=float)
    order = np.argsort(said)
    return float(
        sum(abs(said[part].mean() - right[part].mean()) * len(part) for part in np.array_split(order, 5)) / len(found)
    )


def figures(found: Sequence[Judgement]) -> dict[str, float]:
    """Return the figures that the last line holds."""
    unknown = [each for each in found if NONE in each.truth]
    _, error, brier = calibration(found)
    return {
        "batches": len(found),
        "top1": _share(top1(each.truth, each.ranked(each.chances)) for each in found),
        "top3": _share(top3(each.truth, each.ranked(each.chances)) for each in found),
        "oracle_top1": _share(top1(each.truth, each.ranked(each.oracle)) for each in found),
        "oracle_top3": _share(top3(each.truth, each.ranked(each.oracle)) for each in found),
        "plain_top1": _share(top1(each.truth, each.plain) for each in found),
        "plain_top3": _share(top3(each.truth, each.plain) for each in found),
        "false_blame": _share(_blames(each) for each in unknown) if unknown else 0.0,
        "false_first": _share(not top1(each.truth, each.ranked(each.chances)) for each in unknown) if unknown else 0.0,
        "named": _share(each.suspects[0].key != NONE and each.suspects[0].chance >= NAMED_FROM for each in found),
        "named_rightly": _share(
            each.suspects[0].key in each.truth
            for each in found
            if each.suspects[0].key != NONE and each.suspects[0].chance >= NAMED_FROM
        ),
        "calibration_error": round(error, 4),
        "calibration_error_of_firsts": round(firsts_error(found), 4),
        "brier": round(brier, 5),
    }


def _blames(each: Judgement) -> bool:
    """Tell whether the verdict names a cause, where the true one is not in the record."""
    first = each.suspects[0]
    return first.key != NONE and first.chance >= NAMED_FROM


def _share(rows: Iterable[bool]) -> float:
    listed = list(rows)
    return round(sum(listed) / max(len(listed), 1), 4)


def main() -> None:
    """Judge the cases of a seed; print the tables and one line of JSON."""
    seed, batches = int(os.environ.get("SEED", "1")), int(os.environ.get("CASES", str(BATCHES)))
    begin = perf_counter()
    found = run(seed, batches, os.environ.get("CAUSE"))
    seconds = perf_counter() - begin
    for line in tables(found):
        print(line)  # noqa: T201
    good = sum(not life.harmed for each in found for life in each.case.lives)
    print(f"{good} good batches beside them, SIMULATED; {seconds:.0f} s")  # noqa: T201
    print(json.dumps({"seed": seed, **figures(found), "seconds": round(seconds, 1)}))  # noqa: T201


def tables(found: Sequence[Judgement]) -> list[str]:
    """Return the tables by cause, of calibration and of confusions."""
    lines = [
        f"{len(found)} SIMULATED bad batches",
        "| true cause | batches | named first | among three | oracle first | plain first |",
        "|---|---|---|---|---|---|",
    ]
    groups: dict[str, list[Judgement]] = defaultdict(list)
    for each in found:
        groups["two causes" if len(each.truth) > 1 else next(iter(each.truth))].append(each)
    for name, rows in [*sorted(groups.items()), ("all", list(found))]:
        shares = [
            _share(top1(each.truth, each.ranked(each.chances)) for each in rows),
            _share(top3(each.truth, each.ranked(each.chances)) for each in rows),
            _share(top1(each.truth, each.ranked(each.oracle)) for each in rows),
            _share(top1(each.truth, each.plain) for each in rows),
        ]
        lines.append(f"| {name} | {len(rows)} | " + " | ".join(f"{share:.0%}" for share in shares) + " |")
    lines += ["", "| chance said | true so often | claims |", "|---|---|---|"]
    lines += [f"| {said:.3f} | {true:.3f} | {claims} |" for said, true, claims in calibration(found)[0]]
    wrong = Counter(
        (next(iter(sorted(each.truth))), each.ranked(each.chances)[0])
        for each in found
        if len(each.truth) == 1 and not top1(each.truth, each.ranked(each.chances))
    )
    lines += ["", "Confused most often (true, named first):"]
    lines += [f"   {true} for which {named} was named: {count}" for (true, named), count in wrong.most_common(8)]
    return lines


if __name__ == "__main__":
    main()
