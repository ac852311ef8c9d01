"""A power law above a dead band, and a monotone curve through the points: least squares and splines are scipy's.

All x are shares of the pulse span (0..1) where the bench uses them; the arithmetic does not mind others.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

_EXACT = 1e-15
_ENOUGH_FOR_DEAD_BAND = 5
_ENOUGH_FOR_EXPONENT = 3
STEEPEST, FLATTEST = 6.0, 0.5  # exponents that a free fit may take

Array = np.ndarray[Any, Any]


@dataclass(frozen=True)
class PowerLaw:
    """`scale * (x - dead) ** exponent` above `dead`, 0 below it.

    `*_sd`: standard deviations; 0 where the parameter was given and not fitted. `residual_sd` is of single points, in
    their own unit; `misfit` is the root of chi square over degrees of freedom: 1 when the points scatter as
    their stated uncertainties say, more when they do not lie on a power law (1 when there is nothing to tell by).
    """

    scale: float
    exponent: float
    dead: float = 0.0
    scale_sd: float = 0.0
    exponent_sd: float = 0.0
    dead_sd: float = 0.0
    residual_sd: float = 0.0
    misfit: float = 1.0
    points: int = 0

    def at(self, x: float | Array) -> Any:
        """Value at x."""
        return self.scale * np.maximum(np.asarray(x) - self.dead, 0.0) ** self.exponent

    def inverse(self, y: float | Array) -> Any:
        """The x that gives y; `dead` for 0."""
        return self.dead + (np.maximum(np.asarray(y), 0.0) / self.scale) ** (1.0 / self.exponent)


def power_law(
    x: Sequence[float] | Array,
    y: Sequence[float] | Array,
    u: Sequence[float] | Array | None = None,
    *,
    dead: float | None = 0.0,
    exponent: float | None = None,
    start: tuple[float, float] | None = None,
) -> PowerLaw:
    """Fit a power law by non-linear least squares (scipy, Levenberg-Marquardt, or bounded where `dead` is free).

    `u`: standard uncertainty of each y, by which it is weighted; None: all alike, and the standard deviations come
    from the scatter. With `u` they come from `u`, or from the scatter where that is larger.
    `dead` None: fitted when there are five points or more, 0 otherwise. `exponent` given: not fitted. `start`:
    (scale, exponent) to begin from. Raises ValueError for fewer points than parameters or values that are not finite.
    """
    from scipy.optimize import curve_fit

    x, y = np.asarray(x, float), np.asarray(y, float)
    sigma = None if u is None else np.asarray(u, float)
    if not (np.isfinite(x).all() and np.isfinite(y).all() and (sigma is None or (sigma > 0).all())):
        raise ValueError("a power law needs finite points and uncertainties above 0")
    free_dead = dead is None and exponent is None and len(x) >= _ENOUGH_FOR_DEAD_BAND
    dead = 0.0 if dead is None else dead
    fitted = 1 + (exponent is None) + free_dead
    if len(x) < fitted or x.min(initial=np.inf) <= dead:
        raise ValueError(f"a power law with {fitted} parameters needs as many points above its dead band")
    if start is None:
        start = (float(y[x.argmax()] / (x.max() - dead) ** (exponent or 2.0)), exponent or 2.0)
    options: dict[str, Any] = {"sigma": sigma, "absolute_sigma": sigma is not None, "xtol": _EXACT, "ftol": _EXACT,
                               "gtol": _EXACT}  # fmt: skip
    if exponent is not None:
        base = (x - dead) ** exponent
        p, cov = curve_fit(lambda x, a: a * base, x, y, [start[0]], **options)
        p, sd = (p[0], exponent, dead), (float(np.sqrt(cov[0, 0])), 0.0, 0.0)
    elif not free_dead:
        model, slope = _fixed(dead)
        p, cov = curve_fit(model, x, y, start, jac=slope, **options)
        p, sd = (*p, dead), (*np.sqrt(np.diag(cov)), 0.0)
    else:
        # The best of several beginnings: scale, exponent and dead band pull at each other.
        highest = x.min() - 1e-6 * max(np.ptp(x), 1e-9)
        bounds = ([0.0, FLATTEST, 0.0], [np.inf, STEEPEST, highest])
        best = None
        for share in (0.1, 0.5, 0.9):
            begin = power_law(x, y, u, dead=share * highest)
            first = (begin.scale, min(max(begin.exponent, 1.01 * FLATTEST), 0.99 * STEEPEST), share * highest)
            p, cov = curve_fit(_free, x, y, first, bounds=bounds, x_scale="jac", max_nfev=5000,
                               **{**options, "xtol": 1e-13, "ftol": 1e-13, "gtol": 1e-13})  # fmt: skip
            cost = float(np.sum(((y - _free(x, *p)) / (1.0 if sigma is None else sigma)) ** 2))
            if best is None or cost < best[0]:
                best = cost, p, cov
        assert best is not None
        _, p, cov = best
        sd = tuple(np.sqrt(np.diag(cov)))
    left = y - np.where(x > p[2], p[0] * np.maximum(x - p[2], 0.0) ** p[1], 0.0)
    freedom = len(x) - fitted
    residual_sd = float(np.sqrt(np.sum(left**2) / freedom)) if freedom else 0.0
    misfit = float(np.sqrt(np.sum((left / sigma) ** 2) / freedom)) if sigma is not None and freedom else 1.0
    wider = max(misfit, 1.0) if sigma is not None else 1.0
    scale_sd, exponent_sd, dead_sd = (float(s) * wider if np.isfinite(s) else 0.0 for s in sd)
    return PowerLaw(float(p[0]), float(p[1]), float(p[2]), scale_sd, exponent_sd, dead_sd, residual_sd, misfit, len(x))


def _free(x: Array, scale: float, exponent: float, dead: float) -> Array:
    return scale * np.maximum(x - dead, 0.0) ** exponent


def _fixed(dead: float) -> tuple[Callable[..., Array], Callable[..., Array]]:
    def model(x: Array, scale: float, exponent: float) -> Array:
        with np.errstate(over="ignore"):  # a step of the search may go far astray; it comes back
            return scale * (x - dead) ** exponent

    def slope(x: Array, scale: float, exponent: float) -> Array:
        with np.errstate(over="ignore"):
            base = (x - dead) ** exponent
        return np.column_stack([base, scale * base * np.log(x - dead)])

    return model, slope


class Monotone:
    """A curve that never falls, through the points or, where they fall, through their best rising ones.

    Drawn as a monotone cubic (scipy PCHIP) of y^(1/exponent), which is all but straight for a fan, from (dead, 0).
    Points at the same x are one, their weighted mean. `fell`: how far the points had to be moved, at most, in y.
    Beyond the last point it stays at the last value: it makes no claim there.
    """

    def __init__(
        self, x: Sequence[float] | Array, y: Sequence[float] | Array, u: Sequence[float] | Array, law: PowerLaw
    ) -> None:
        """Raises ValueError without a point above the dead band of `law`."""
        from scipy.interpolate import PchipInterpolator
        from scipy.optimize import isotonic_regression

        x, y, weight = np.asarray(x, float), np.asarray(y, float), 1.0 / np.asarray(u, float) ** 2
        at, place = np.unique(x, return_inverse=True)
        total = np.bincount(place, weight)
        mean = np.bincount(place, weight * y) / total
        rising = isotonic_regression(mean, weights=total).x
        above = at > law.dead
        if not above.any():
            raise ValueError("no point above the dead band")
        self.fell = float(np.max(np.abs(rising - mean)))
        self.dead, self.last_x = law.dead, float(at[-1])
        self._power = law.exponent
        knots = np.concatenate([[law.dead], at[above]])
        root = np.concatenate([[0.0], np.maximum(rising[above], 0.0) ** (1.0 / law.exponent)])
        self._curve = PchipInterpolator(knots, root)

    def at(self, x: float | Array) -> Any:
        """Value at x."""
        return np.maximum(self._curve(np.clip(x, self.dead, self.last_x)), 0.0) ** self._power
