"""Small systems of normal equations by Cholesky's factor, in plain Python: for five unknowns that is faster than any library's call.

Triangles are held row by row in one array: element (i, j) at i·(i+1)/2 + j.
Source: Golub and Van Loan, Matrix Computations, 4.2, from memory.
"""

from __future__ import annotations

import math
from array import array
from collections.abc import Sequence


def solved(matrix: Sequence[Sequence[float]], right_side: Sequence[float]) -> tuple[array[float], array[float], float, float] | None:
    """``matrix``: the lower triangle of a symmetric one. Gives the solution, the factor L, how much of the readings' square the solution
    explains, and half the logarithm of the determinant; None where the matrix is not positive definite."""
    size = len(right_side)
    rows: list[list[float]] = []
    half: list[float] = []
    log_root = explained = 0.0
    for i in range(size):
        given = matrix[i]
        row: list[float] = []
        for j in range(i):
            other = rows[j]
            value = given[j]
            for m in range(j):
                value -= row[m] * other[m]
            row.append(value / other[j])
        pivot = given[i]
        right = right_side[i]
        for m in range(i):
            pivot -= row[m] * row[m]
            right -= row[m] * half[m]
        if pivot <= 0.0:
            return None
        root = math.sqrt(pivot)
        row.append(root)
        rows.append(row)
        half.append(right / root)
        explained += right * right / pivot
        log_root += math.log(root)
    theta = array("d", half)
    for i in range(size - 1, -1, -1):
        value = half[i]
        for m in range(i + 1, size):
            value -= rows[m][i] * theta[m]
        theta[i] = value / rows[i][i]
    return theta, array("d", [v for row in rows for v in row]), explained, log_root


def whitened(factor: Sequence[float], gradient: Sequence[float]) -> list[float]:
    """The gradient over the Cholesky factor: its square, times the variance, is that of the linear function."""
    z: list[float] = []
    begin = 0
    for i, given in enumerate(gradient):
        value = given
        for m in range(i):
            value -= factor[begin + m] * z[m]
        z.append(value / factor[begin + i])
        begin += i + 1
    return z


def own_square(factor: Sequence[float], k: int, beside: float = 0.0) -> float:
    """Variance of one parameter, in units of a reading's: a diagonal element of the inverse of L·Lᵀ; or of its sum with so much of the
    next one."""
    size = (math.isqrt(8 * len(factor) + 1) - 1) // 2
    begin = k * (k + 1) // 2
    z = [1.0 / factor[begin + k]]
    total = z[0] * z[0]
    for i in range(k + 1, size):
        begin += i
        value, beside = beside, 0.0
        for m, known in enumerate(z, k):
            value -= factor[begin + m] * known
        value /= factor[begin + i]
        z.append(value)
        total += value * value
    return total


def dot(a: Sequence[float], b: Sequence[float]) -> float:
    """Of vectors of the same length."""
    total = 0.0
    for p, q in zip(a, b, strict=True):
        total += p * q
    return total
