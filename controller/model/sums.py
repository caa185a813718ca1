"""Sums of figures that belong together: volumes by liquid, times by line."""

from collections.abc import Iterable
from typing import TypeVar

Key = TypeVar("Key")


def summed(figures: Iterable[tuple[Key, float]]) -> dict[Key, float]:
    """Each key with the sum of its figures, in the order in which the keys first come."""
    sums: dict[Key, float] = {}
    for key, figure in figures:
        sums[key] = sums.get(key, 0.0) + figure
    return sums
