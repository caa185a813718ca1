"""Average run lengths of a CUSUM chart: how many checks pass before it signals."""

import math
from functools import lru_cache
from statistics import NormalDist

from controller.errors import require_in_range, require_positive

_NODES = 32


@lru_cache(maxsize=4)
def _gauss_legendre(count: int) -> tuple[tuple[float, float], ...]:
    """Nodes and weights on [-1, 1], by Newton's method on the Legendre polynomial."""
    pairs = []
    for k in range(count):
        x = math.cos(math.pi * (k + 0.75) / (count + 0.5))
        for _ in range(50):
            before, value = 0.0, 1.0
            for j in range(1, count + 1):
                before, value = value, ((2 * j - 1) * x * value - (j - 1) * before) / j
            slope = count * (x * value - before) / (x * x - 1.0)
            step = value / slope
            x -= step
            if abs(step) < 1e-15:
                break
        pairs.append((x, 2.0 / ((1.0 - x * x) * slope * slope)))
    return tuple(pairs)


def _eliminate(matrix: list[list[float]], right: list[float]) -> list[float]:
    """Solve a small linear system by elimination with row pivoting."""
    size = len(right)
    rows = [[*row, value] for row, value in zip(matrix, right, strict=True)]
    for k in range(size):
        best = max(range(k, size), key=lambda i: abs(rows[i][k]))
        rows[k], rows[best] = rows[best], rows[k]
        for i in range(k + 1, size):
            factor = rows[i][k] / rows[k][k]
            if factor:
                rows[i] = [a - factor * b for a, b in zip(rows[i], rows[k], strict=True)]
    solution = [0.0] * size
    for i in range(size - 1, -1, -1):
        solution[i] = (rows[i][size] - math.fsum(rows[i][j] * solution[j] for j in range(i + 1, size))) / rows[i][i]
    return solution


@lru_cache(maxsize=64)
def _one_sided(limit: float, shift: float, reference: float) -> float:
    """ARL from zero of C = max(0, C + z - reference), z normal with mean shift, signal above limit.

    Page's integral equation L(c) = 1 + L(0) Phi(k - c - shift) + int_0^h L(x) phi(x + k - c - shift) dx, by
    Gauss-Legendre quadrature as A. L. Goel and S. M. Wu, Technometrics 13 (1971) 221.
    """
    normal = NormalDist()
    nodes = [(0.0, 0.0)] + [(limit * (1.0 + x) / 2.0, limit * w / 2.0) for x, w in _gauss_legendre(_NODES)]
    matrix = []
    for i, (c, _) in enumerate(nodes):
        row = [-weight * normal.pdf(x + reference - c - shift) for x, weight in nodes]
        row[0] -= normal.cdf(reference - c - shift)
        row[i] += 1.0
        matrix.append(row)
    return _eliminate(matrix, [1.0] * len(nodes))[0]


def average_run_length(limit: float, shift: float = 0.0, reference: float = 0.5) -> float:
    """Checks, on average, until a two-sided CUSUM from zero exceeds its limit, with the mean shifted throughout.

    limit (1 to 20), shift and reference in standard deviations of one check. The two sides combine as
    1/L = 1/L_high + 1/L_low (C. S. van Dobben de Bruyn, Cumulative Sum Tests, 1968).
    """
    require_in_range("limit", limit, 1.0, 20.0, "standard deviations")
    require_in_range("shift", shift, -10.0, 10.0, "standard deviations")
    require_positive("reference", reference, "standard deviations")
    high, low = (_one_sided(limit, side * shift, reference) for side in (1.0, -1.0))
    return 1.0 / (1.0 / high + 1.0 / low)
