"""Many possible trays instead of one guess: each with its own growth and limits, all moved by what is observed; pure.

An observation moves every candidate by what it says of one number and by how that number hangs together with the
others over all candidates (an ensemble Kalman update; for an observation in words, its first two moments). The
candidates are drawn once from a fixed seed, so the same record always gives the same answer.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
COUNT = 160
_SEED = 1856
_COLUMNS = 64


@lru_cache(maxsize=1)
def _normals() -> Array:
    """Return fixed standard normal numbers, shape (COUNT, _COLUMNS), each column of mean 0 and deviation 1."""
    drawn: Array = np.random.default_rng(_SEED).normal(size=(COUNT, _COLUMNS))
    drawn = np.asarray((drawn - drawn.mean(axis=0)) / drawn.std(axis=0))
    drawn.setflags(write=False)
    return drawn


def normals(column: int) -> Array:
    """Return one column of fixed standard normal numbers, shape (COUNT,); columns are taken in a circle."""
    return np.asarray(_normals()[:, column % _COLUMNS])


class Candidates:
    """Possible trays: one array of shape (COUNT,) for each number that is not known.

    Attributes:
        values: The arrays by name.
    """

    def __init__(self, values: dict[str, Array]) -> None:
        """Take the arrays; they are changed in place of by new ones, never in themselves."""
        self.values = values

    def __getitem__(self, name: str) -> Array:
        """Return the array of one number."""
        return self.values[name]

    def measured(self, predicted: Array, value: float, sigma: float, *, noise: int) -> None:
        """Move the candidates by a measured number.

        Args:
            predicted: What each candidate says it should be, shape (COUNT,).
            value: What was measured.
            sigma: Its standard deviation, the candidates' own shortcomings included.
            noise: Which column of fixed noise belongs to this observation.
        """
        variance = float(predicted.var())
        if variance <= 0:
            return
        gain = variance / (variance + sigma * sigma)
        self._move(predicted, predicted + gain * (value + sigma * normals(noise) - predicted))

    def felt(self, predicted: Array, low: float, high: float, blur: float) -> None:
        """Move the candidates by an observation in words: the number lay between two ends, more or less.

        Args:
            predicted: What each candidate says it should be, shape (COUNT,).
            low: Lower end; may be infinite.
            high: Upper end; may be infinite.
            blur: Standard deviation of the hand that felt it.
        """
        self.likely(predicted, _between(predicted, low, high, blur))

    def likely(self, predicted: Array, chance: Array) -> None:
        """Move the candidates by how likely an observation was under what each of them says.

        Args:
            predicted: What each candidate says of the number observed, shape (COUNT,).
            chance: How likely the observation is then, up to a factor, shape (COUNT,).
        """
        spread = float(predicted.std())
        if spread <= 0:
            return
        weight = chance + 1e-4 * float(chance.max()) + 1e-12
        weight = weight / weight.sum()
        mean = float((weight * predicted).sum())
        after = math.sqrt(max(float((weight * (predicted - mean) ** 2).sum()), (0.2 * spread) ** 2))
        self._move(predicted, mean + (predicted - predicted.mean()) * min(after / spread, 1.0))

    def _move(self, predicted: Array, wanted: Array) -> None:
        """Move every number along with the predicted one."""
        off = predicted - predicted.mean()
        variance = float((off * off).mean())
        shift = wanted - predicted
        for name, array in self.values.items():
            slope = float((off * (array - array.mean())).mean()) / variance
            self.values[name] = array + slope * shift


def _between(predicted: Array, low: float, high: float, blur: float) -> Array:
    """Return how likely a blurred look at each number falls between two ends."""
    erf = np.vectorize(math.erf, otypes=[float])

    def below(end: float) -> Array:
        if math.isinf(end):
            return np.full(predicted.shape, 1.0 if end > 0 else 0.0)
        return np.asarray(0.5 * (1 + erf((end - predicted) / (blur * math.sqrt(2)))))

    return below(high) - below(low)
