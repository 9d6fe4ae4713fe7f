"""Polynomials and linear equations over GF(2), in plain integers: bit k is the coefficient of x to the k."""

from __future__ import annotations

from collections.abc import Iterable, Sequence


def remainder(a: int, b: int) -> int:
    """Return `a` modulo `b`, b not 0."""
    size = b.bit_length()
    while (shift := a.bit_length() - size) >= 0:
        a ^= b << shift
    return a


def common_divisor(a: int, b: int, least: int = 0) -> int:
    """Return the greatest common divisor; 1 as soon as its degree is seen to be under `least`."""
    while b:
        size = b.bit_length()
        if size <= least:
            return 1
        while (shift := a.bit_length() - size) >= 0:
            a ^= b << shift
        a, b = b, a
    return a


def power_of_x(n: int, modulus: int) -> int:
    """Return x to the n modulo a polynomial."""
    result, base = 1, remainder(2, modulus)
    while n:
        if n & 1:
            result = remainder(product(result, base), modulus)
        base = remainder(product(base, base), modulus)
        n >>= 1
    return remainder(result, modulus)


def product(a: int, b: int) -> int:
    """Return the product of two polynomials."""
    out = 0
    while b:
        low = b & -b
        out ^= a * low
        b ^= low
    return out


def basis(rows: Iterable[int]) -> dict[int, int]:
    """Return an echelon basis: leading bit -> row; its size is the rank."""
    out: dict[int, int] = {}
    for row in rows:
        reduced = row
        while reduced:
            lead = reduced.bit_length()
            if lead not in out:
                out[lead] = reduced
                break
            reduced ^= out[lead]
    return out


def rank(rows: Iterable[int]) -> int:
    """Return the rank of rows of bits."""
    return len(basis(rows))


def solve(columns: Sequence[int], target: int) -> tuple[int, list[int]] | None:
    """Solve `xor of columns[i] where bit i of x is set = target`.

    Returns
    -------
    One solution x and a basis of what may be added to it (the kernel); None where there is no solution
    """
    pivots: dict[int, tuple[int, int]] = {}
    kernel = []
    for i, column in enumerate(columns):
        value, made_of = _reduce(column, 1 << i, pivots)
        if value:
            pivots[value.bit_length()] = value, made_of
        else:
            kernel.append(made_of)
    rest, solution = _reduce(target, 0, pivots)
    return None if rest else (solution, kernel)


def _reduce(value: int, made_of: int, pivots: dict[int, tuple[int, int]]) -> tuple[int, int]:
    for lead in range(value.bit_length(), 0, -1):
        if value >> (lead - 1) & 1 and lead in pivots:
            value ^= pivots[lead][0]
            made_of ^= pivots[lead][1]
    return value, made_of
