"""Pairing liquids with lines: whether it can be done at all, and how with the least cost."""

import math
from collections.abc import Collection, Mapping, Sequence


def can_pair(liquids: Collection[str], able: Mapping[str, frozenset[int]]) -> bool:
    """Whether every liquid can have a line of its own among those it can hang on (Kuhn's augmenting paths)."""
    taken: dict[int, str] = {}

    def place(liquid: str, tried: set[int]) -> bool:
        for line in able[liquid] - tried:
            tried.add(line)
            if line not in taken or place(taken[line], tried):
                taken[line] = liquid
                return True
        return False

    return all(place(liquid, set()) for liquid in liquids)


def least_cost(costs: Sequence[Sequence[float]]) -> list[int] | None:
    """For each row its column, all different, with the least sum of costs; None when there is no finite sum.

    costs: at most as many rows as columns, each >= 0, infinite where a pair is ruled out. Exact: shortest augmenting
    paths with potentials (Jonker and Volgenant, Computing 38 (1987) 325-340; from memory).
    """
    row_of: dict[int, int] = {}
    of_row, of_column = [0.0] * len(costs), [0.0] * (len(costs[0]) if costs else 0)
    for row in range(len(costs)):
        path = _shortest(row, costs, row_of, of_row, of_column)
        if path is None:
            return None
        reached, came_from, column = path
        for other, distance in reached.items():
            if other in row_of:
                of_row[row_of[other]] += reached[column] - distance
            of_column[other] -= reached[column] - distance
        of_row[row] += reached[column]
        _turn_over(row, column, came_from, row_of)
    columns = {row: column for column, row in row_of.items()}
    return [columns[row] for row in range(len(costs))]


def _shortest(
    row: int,
    costs: Sequence[Sequence[float]],
    row_of: Mapping[int, int],
    of_row: Sequence[float],
    of_column: Sequence[float],
) -> tuple[dict[int, float], dict[int, int], int] | None:
    """Dijkstra by reduced costs from a row to the nearest free column.

    Returns the distances of the columns that were settled, the row by which each column is reached, and that column.
    """
    reached: dict[int, float] = {}
    distance, came_from = [math.inf] * len(of_column), {}
    here, walked = row, 0.0
    while True:
        for column, cost in enumerate(costs[here]):
            reduced = walked + cost - of_row[here] - of_column[column]
            if column not in reached and reduced < distance[column]:
                distance[column], came_from[column] = reduced, here
        left = [one for one in range(len(distance)) if one not in reached]
        near = min(left, key=lambda one: distance[one], default=-1)
        if near < 0 or math.isinf(distance[near]):
            return None
        reached[near] = walked = distance[near]
        if near not in row_of:
            return reached, came_from, near
        here = row_of[near]


def _turn_over(row: int, column: int, came_from: Mapping[int, int], row_of: dict[int, int]) -> None:
    """Give each row on the path the next column, back from the free one to where the path began."""
    columns = {held_by: held for held, held_by in row_of.items()}
    while True:
        taker = came_from[column]
        left = columns.get(taker)
        row_of[column] = taker
        if taker == row or left is None:
            return
        column = left
