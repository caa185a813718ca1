"""A Kalman filter for a few dozen states and one measurement at a time, in plain Python.

R. E. Kalman, "A New Approach to Linear Filtering and Prediction Problems", J. Basic Eng. 82 (1960) 35. A transition or
a measurement touches few of the states, so each is given by its coefficients that are not zero: {state: coefficient}.
Measurements are gated by their normalised innovation squared, which is chi-squared with one degree of freedom while the
filter is consistent (Y. Bar-Shalom, X. R. Li, T. Kirubarajan, "Estimation with Applications to Tracking and
Navigation", 2001, 5.4).
"""

import math
from collections.abc import Collection, Mapping
from dataclasses import dataclass

Terms = Mapping[int, float]


@dataclass(frozen=True, slots=True)
class Innovation:
    """How far a measurement lay from what was expected, the variance of that gap, and whether it was taken in."""

    gap: float
    variance: float
    accepted: bool

    @property
    def deviations(self) -> float:
        """The gap in standard deviations."""
        return self.gap / math.sqrt(self.variance)


class KalmanFilter:
    """States numbered from 0, with their joint covariance (a full symmetric matrix).

    Attributes:
        mean: one figure for each state.
        covariance: rows of the covariance.
    """

    def __init__(self) -> None:
        self.mean: list[float] = []
        self.covariance: list[list[float]] = []

    def copy(self) -> "KalmanFilter":
        """A filter that can go on without changing this one."""
        twin = KalmanFilter()
        twin.mean = self.mean.copy()
        twin.covariance = [row.copy() for row in self.covariance]
        return twin

    def add(self, mean: float, variance: float) -> int:
        """A further state (variance >= 0), independent of the others; its number."""
        for row in self.covariance:
            row.append(0.0)
        self.mean.append(mean)
        self.covariance.append([0.0] * len(self.covariance) + [variance])
        return len(self.mean) - 1

    def keep(self, states: Collection[int]) -> None:
        """Drop all other states; those kept are numbered anew from 0, in the order given."""
        self.mean = [self.mean[i] for i in states]
        self.covariance = [[self.covariance[i][j] for j in states] for i in states]

    def set(self, state: int, mean: float, variance: float) -> None:
        """Know one state afresh (variance >= 0), independent of the others."""
        for row in self.covariance:
            row[state] = 0.0
        self.covariance[state] = [0.0] * len(self.mean)
        self.covariance[state][state] = variance
        self.mean[state] = mean

    def move(self, state: int, terms: Terms, by: float = 0.0) -> None:
        """Transition: this state becomes itself + by + the sum of coefficient x state over terms."""
        covariance, row = self.covariance, self.covariance[state]
        self.mean[state] += by + sum(c * self.mean[j] for j, c in terms.items())
        for j, c in terms.items():
            row = [entry + c * other for entry, other in zip(row, covariance[j], strict=True)]
        # The column takes the same; where the two cross, the row's own terms count once more.
        row[state] += sum(c * row[j] for j, c in terms.items())
        covariance[state] = row
        for other, entry in zip(covariance, row, strict=True):
            other[state] = entry

    def fade(self, state: int, factor: float) -> None:
        """Transition: this state becomes factor x itself."""
        self.mean[state] *= factor
        self.covariance[state] = [factor * entry for entry in self.covariance[state]]
        for row in self.covariance:
            row[state] *= factor

    def widen(self, terms: Terms, variance: float) -> None:
        """Process noise of this variance, which enters each state by its coefficient."""
        for i, of_i in terms.items():
            row = self.covariance[i]
            for j, of_j in terms.items():
                row[j] += of_i * of_j * variance

    def expect(self, terms: Terms) -> tuple[float, float]:
        """Mean and variance of the sum of coefficient x state over terms."""
        mean = sum(c * self.mean[j] for j, c in terms.items())
        variance = sum(c * d * self.covariance[i][j] for i, c in terms.items() for j, d in terms.items())
        return mean, variance

    def measure(self, terms: Terms, value: float, variance: float, gate: float = math.inf) -> Innovation:
        """Take in a measured sum of coefficient x state, unless its innovation squared over its variance exceeds gate.

        variance: of the measurement's own error (> 0). A measurement that is not accepted changes nothing.
        """
        covariance = self.covariance
        gains = [0.0] * len(covariance)
        for j, c in terms.items():
            gains = [gain + c * entry for gain, entry in zip(gains, covariance[j], strict=True)]
        gap = value - sum(c * self.mean[j] for j, c in terms.items())
        total = variance + sum(c * gains[j] for j, c in terms.items())
        if gap * gap > gate * total:
            return Innovation(gap, total, accepted=False)
        step = gap / total
        self.mean = [mean + gain * step for mean, gain in zip(self.mean, gains, strict=True)]
        for i, gain in enumerate(gains):
            if gain:
                share = gain / total
                covariance[i] = [entry - share * other for entry, other in zip(covariance[i], gains, strict=True)]
        return Innovation(gap, total, accepted=True)
