"""Weighted linear least squares with the full covariance, for the few parameters that a calibration has."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from operator import mul

from controller.errors import Refused

Matrix = tuple[tuple[float, ...], ...]


@dataclass(frozen=True, kw_only=True)
class Solution:
    """Parameters, (X'WX)^-1, ln|X'WX|, weighted residual sum of squares."""

    parameters: tuple[float, ...]
    covariance: Matrix
    log_determinant: float
    chi_squared: float


def dot(a: Sequence[float], b: Sequence[float]) -> float:
    """Sum of products of two equally long sequences."""
    return math.fsum(map(mul, a, b))


def quadratic_form(matrix: Sequence[Sequence[float]], vector: Sequence[float]) -> float:
    """v' M v: the variance of a quantity with gradient v (GUM, JCGM 100:2008, 5.2.2)."""
    return dot(vector, [dot(row, vector) for row in matrix])


def solve(rows: Sequence[Sequence[float]], values: Sequence[float], weights: Sequence[float]) -> Solution:
    """Minimise sum w (y - x.p)^2 by modified Gram-Schmidt (Björck, BIT 7 (1967) 1).

    rows: n rows of p regressors, n >= p; weights = 1/u^2 > 0. Refused when the regressors are not independent.
    """
    count = len(rows[0])
    roots = [math.sqrt(weight) for weight in weights]
    columns = [list(map(mul, roots, column)) for column in zip(*rows, strict=True)]
    lengths = [math.hypot(*column) for column in columns]
    rest = list(map(mul, roots, values))
    triangle = [[0.0] * count for _ in range(count)]
    projected = [0.0] * count
    for j in range(count):
        norm = math.hypot(*columns[j])
        if norm <= 1e-11 * lengths[j]:
            raise Refused(rule="independent trials", reason="the trials do not separate the wanted parameters.")
        unit = [x / norm for x in columns[j]]
        triangle[j][j] = norm
        for k in range(j + 1, count):
            share = triangle[j][k] = dot(unit, columns[k])
            columns[k] = [x - share * q for x, q in zip(columns[k], unit, strict=True)]
        share = projected[j] = dot(unit, rest)
        rest = [x - share * q for x, q in zip(rest, unit, strict=True)]
    inverse = _inverse_of_triangle(triangle)
    return Solution(
        parameters=tuple(dot(row, projected) for row in inverse),
        covariance=tuple(tuple(dot(a, b) for b in inverse) for a in inverse),
        log_determinant=2.0 * math.fsum(math.log(triangle[j][j]) for j in range(count)),
        chi_squared=dot(rest, rest),
    )


def _inverse_of_triangle(triangle: list[list[float]]) -> list[list[float]]:
    """Inverse of an upper triangular matrix with a non-zero diagonal."""
    size = len(triangle)
    inverse = [[0.0] * size for _ in range(size)]
    for k in range(size):
        inverse[k][k] = 1.0 / triangle[k][k]
        for i in range(k - 1, -1, -1):
            inverse[i][k] = -math.fsum(triangle[i][j] * inverse[j][k] for j in range(i + 1, k + 1)) / triangle[i][i]
    return inverse
