"""The factor between a standard uncertainty and the interval that holds 95 % of the errors.

It is 2 where many causes add up, and less where the limit of one, such as a meter's, outweighs the rest: 1.65 for a
single rectangular distribution (JCGM 100:2008, G.1.3). The distribution of the sum follows from the product of the
characteristic functions.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import sqrt

import numpy as np

COVERAGE = 0.95
FACTOR_MOST = 2.0  # JCGM 100:2008, 6.3.3: about 95 % of a normal distribution
_SOFT = 0.02  # of the whole: a normal part of at least that much keeps the integral short


def combined(normal: Sequence[float], rectangular: Sequence[float]) -> float:
    """Root of the sum of squares of standard uncertainties of either kind."""
    return sqrt(sum([v * v for v in (*normal, *rectangular)]))


def factor(normal: Sequence[float], rectangular: Sequence[float], coverage: float = COVERAGE) -> float:
    """Coverage factor of a sum of independent errors with these standard uncertainties, at most 2."""
    whole = combined(normal, rectangular)
    if whole == 0:
        return FACTOR_MOST
    soft = max(combined(normal, ()) / whole, _SOFT)
    widths = [sqrt(3) * abs(u) / whole for u in rectangular if u]
    # P(|error| <= x) = 2/pi * integral of cf(t) sin(x t) / t (J. Gil-Pelaez, 1951), in units of `whole`.
    step = 0.05
    t = np.arange(step / 2, 6.5 / soft, step)
    cf = np.exp(-0.5 * (soft * t) ** 2) / t
    for a in widths:
        cf *= np.sinc(a * t / np.pi)
    low, high = 0.0, 4.0
    for _ in range(40):
        x = (low + high) / 2
        if 2 / np.pi * step * float(cf @ np.sin(x * t)) < coverage:
            low = x
        else:
            high = x
    return min(FACTOR_MOST, (low + high) / 2)
