"""The discrete Fourier transform, in plain Python."""

import cmath
from collections.abc import Sequence
from functools import lru_cache
from operator import add, mul, sub


def transform(values: Sequence[complex]) -> list[complex]:
    """Sum over j of values[j] exp(-2 pi i j k / n), for k = 0 .. n - 1; n must be a power of two.

    Source: Cooley and Tukey, Math. Comp. 19 (1965) 297-301, radix 2 (from memory). Raises ValueError for another n.
    """
    n = len(values)
    if n == 1:
        return list(values)
    if n == 0 or n % 2:
        raise ValueError(f"n must be a power of two, got {n}")
    even, odd = transform(values[::2]), transform(values[1::2])
    turned = list(map(mul, odd, _half_turn(n)))
    return [*map(add, even, turned), *map(sub, even, turned)]


@lru_cache(maxsize=20)
def _half_turn(n: int) -> tuple[complex, ...]:
    return tuple(cmath.exp(-2j * cmath.pi * k / n) for k in range(n // 2))
