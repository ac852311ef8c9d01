"""Preferred values of resistors, IEC 60063, and the pair of them that makes a divider."""

from __future__ import annotations

from collections.abc import Iterator
from math import floor, log10

from barbox.rig.dividers import E12

E24 = tuple(sorted((*E12, 1.1, 1.3, 1.6, 2.0, 2.4, 3.0, 3.6, 4.3, 5.1, 6.2, 7.5, 9.1)))
E96 = tuple([round(10 ** (i / 96), 2) for i in range(96)])


def nearest_value(kohm: float, series: tuple[float, ...]) -> float:
    """The value of `series` that is nearest by ratio."""
    decade = 10.0 ** floor(log10(kohm))
    return min(
        [round(v * d, 6) for d in (decade / 10, decade, decade * 10) for v in series],
        key=lambda v: abs(log10(v / kohm)),
    )


def nearest_pair(ratio: float, upper_kohm: float, lower_kohm: float, within: float) -> tuple[float, float, float]:
    """(upper, lower, its ratio over `ratio`) of the divider that was probably fitted: one resistor is as it should
    be, `upper_kohm` over `lower_kohm`, and the other another preferred value.

    The coarsest series with a pair within the relative tolerance `within` counts; the finest otherwise.
    """
    pairs: list[tuple[float, float, float]] = []
    for series in (E12, E24, E96):
        pairs = sorted(_pairs(ratio, upper_kohm, lower_kohm, series), key=lambda p: abs(log10(p[2])))
        if pairs and abs(pairs[0][2] - 1) <= within:
            break
    return pairs[0]


def _pairs(
    ratio: float, upper_kohm: float, lower_kohm: float, series: tuple[float, ...]
) -> Iterator[tuple[float, float, float]]:
    over = max(ratio - 1, 1e-6)
    for upper, lower in (
        (nearest_value(over * lower_kohm, series), lower_kohm),
        (upper_kohm, nearest_value(upper_kohm / over, series)),
    ):
        yield upper, lower, (1 + upper / lower) / ratio
