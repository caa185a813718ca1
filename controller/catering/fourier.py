"""The discrete Fourier transform, in plain Python."""

import cmath
from collections.abc import Sequence


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
    turned = [odd[k] * cmath.exp(-2j * cmath.pi * k / n) for k in range(n // 2)]
    return [a + b for a, b in zip(even, turned, strict=True)] + [a - b for a, b in zip(even, turned, strict=True)]
