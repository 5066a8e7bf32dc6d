"""Least squares with coefficients that can't be negative (Lawson and Hanson 1974)."""

from __future__ import annotations

from collections.abc import Sequence
from operator import mul

from cabinetwatch.thermal.bounds import checked

_TOLERANCE = 1e-9
_MOST = 1e60


def _check(matrix: Sequence[Sequence[float]], right: Sequence[float]) -> None:
    if not right or [len(row) for row in matrix] != [len(right)] * len(right):
        raise ValueError("a system has as many rows as columns, and as many right sides")
    if not all(-_MOST <= figure <= _MOST for row in (right, *matrix) for figure in row):
        raise ValueError("a system with such figures can't be solved")


def inner(a: Sequence[float], b: Sequence[float]) -> float:
    """Sum of products; ValueError for one that a float doesn't hold."""
    return checked(float(sum(map(mul, a, b))))


def gram(
    columns: Sequence[Sequence[float]], weighted: Sequence[Sequence[float]]
) -> list[list[float]]:
    """The matrix X' W X; `weighted` are the columns times the weights.

    ValueError for one that a float doesn't hold, and columns that have no weighted ones.
    """
    n = len(columns)
    if len(weighted) != n:
        raise ValueError("each column has a weighted one")
    rows = [[0.0] * n for _ in range(n)]
    for i in range(n):
        for j in range(i, n):
            rows[i][j] = rows[j][i] = inner(weighted[i], columns[j])
    return rows


def solve(matrix: list[list[float]], right: list[float]) -> list[float]:
    """Solve a symmetric positive definite system by Gauss elimination with row pivoting.

    A pivot that vanishes (a column that repeats others) gets the coefficient 0.

    Raises:
        ValueError: a system that isn't square, figures whose products a float doesn't hold.
    """
    _check(matrix, right)
    n = len(right)
    rows = [[*row, value] for row, value in zip(matrix, right, strict=True)]
    for i in range(n):
        best = max(range(i, n), key=lambda r: abs(rows[r][i]))
        rows[i], rows[best] = rows[best], rows[i]
        pivot = rows[i]
        if abs(pivot[i]) < 1e-14:
            continue
        for lower in rows[i + 1 :]:
            factor = lower[i] / pivot[i]
            if factor:
                lower[i:] = [v - factor * p for v, p in zip(lower[i:], pivot[i:], strict=True)]
    answer = [0.0] * n
    for i in reversed(range(n)):
        if abs(rows[i][i]) >= 1e-14:
            answer[i] = (rows[i][n] - inner(rows[i][i + 1 : n], answer[i + 1 :])) / rows[i][i]
    return answer


def nonnegative(matrix: list[list[float]], right: list[float]) -> list[float]:
    """Minimise x'Mx/2 - r'x over x >= 0, by the active-set method.

    Raises:
        ValueError: a system that isn't square, figures whose products a float doesn't hold.
    """
    _check(matrix, right)
    n = len(right)
    scale = [max(matrix[i][i], 1e-30) ** 0.5 for i in range(n)]
    m = [[matrix[i][j] / (scale[i] * scale[j]) for j in range(n)] for i in range(n)]
    r = [right[i] / scale[i] for i in range(n)]
    size = max(abs(v) for v in r) or 1.0
    x = [0.0] * n
    active: list[int] = []
    for _ in range(6 * n):
        slope = [r[i] - inner(m[i], x) for i in range(n)]
        outside = [i for i in range(n) if i not in active]
        best = max(outside, key=lambda i: slope[i], default=-1)
        if best < 0 or slope[best] <= _TOLERANCE * size:
            break
        active.append(best)
        x = _step_inside(m, r, x, active)
    return [value / s for value, s in zip(x, scale, strict=True)]


def _step_inside(
    m: list[list[float]], r: list[float], x: list[float], active: list[int]
) -> list[float]:
    """Go to the free minimum over the active set, dropping what would turn negative."""
    while active:
        free = solve([[m[i][j] for j in active] for i in active], [r[i] for i in active])
        if min(free) > 0.0:
            break
        step = min(
            (x[i] / (x[i] - f) for i, f in zip(active, free, strict=True) if f <= 0.0),
            default=0.0,
        )
        for i, f in zip(active, free, strict=True):
            x[i] += step * (f - x[i])
        keep = [i for i in active if x[i] > 1e-12]
        active[:] = keep
    else:
        free = []
    result = [0.0] * len(r)
    for i, f in zip(active, free, strict=True):
        result[i] = f
    return result
