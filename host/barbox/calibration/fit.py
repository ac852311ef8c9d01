"""A straight line through points by least squares, with standard uncertainties and correlation.

The estimate is linear in the ordinates, so every cause of error that is known, whether it strikes each point by
itself or all of them alike, carries through by the same coefficients (JCGM 100:2008, 5.2 and annex H.3).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Line:
    """y = intercept + slope * (x - origin).

    `share[j][i]` is how much of an error of ordinate i reaches parameter j (0 intercept, 1 slope); `covariance`
    is that of both; `residuals` are ordinate less line; `scatter` their standard deviation, None without one
    degree of freedom.
    """

    intercept: float
    slope: float
    origin: float
    share: NDArray[np.float64]
    covariance: NDArray[np.float64]
    residuals: NDArray[np.float64]
    scatter: float | None

    @property
    def u_intercept(self) -> float:
        """Standard uncertainty of the intercept."""
        return sqrt(self.covariance[0, 0])

    @property
    def u_slope(self) -> float:
        """Standard uncertainty of the slope."""
        return sqrt(self.covariance[1, 1])

    @property
    def correlation(self) -> float:
        """Correlation coefficient of intercept and slope; 0 when one of them is certain."""
        both = self.u_intercept * self.u_slope
        return float(self.covariance[0, 1] / both) if both else 0.0

    def at(self, x: float) -> float:
        """The line at `x`."""
        return self.intercept + self.slope * (x - self.origin)

    def u_at(self, x: float) -> float:
        """Standard uncertainty of the line at `x` (JCGM 100:2008, H.3.4)."""
        row = np.array([1.0, x - self.origin])
        return sqrt(float(row @ self.covariance @ row))

    def reach(self, x: float) -> NDArray[np.float64]:
        """How much of an error of each ordinate reaches the line at `x`."""
        return self.share[0] + (x - self.origin) * self.share[1]


def fit_line(
    x: Sequence[float],
    y: Sequence[float],
    *,
    u: Sequence[float] | None = None,
    through_origin: bool = False,
    origin: float = 0.0,
) -> Line:
    """Fit y = a + b (x - origin), or y = b x when `through_origin`.

    `u`: standard uncertainty of each ordinate, independent of the others; it weighs the points. Without it all
    weigh the same and the scatter of the residuals stands for it, as in JCGM 100:2008, H.3.3. Raises ValueError
    for too few points, or for points that give no slope.
    """
    xs, ys = np.asarray(x, float), np.asarray(y, float)
    if through_origin and origin:
        raise ValueError("a line through the origin has no other one")
    unknown = 1 if through_origin else 2
    if len(xs) < unknown or (u is None and len(xs) <= unknown):
        raise ValueError("too few points")
    columns = [xs - origin] if through_origin else [np.ones_like(xs), xs - origin]
    design = np.stack(columns, axis=1)
    sigma = np.ones_like(xs) if u is None else np.asarray(u, float)
    if np.linalg.matrix_rank(design) < unknown:
        raise ValueError("all points lie at one place")
    share = np.linalg.pinv(design / sigma[:, None]) / sigma
    values = share @ ys
    residuals = ys - design @ values
    freedom = len(xs) - unknown
    scatter = sqrt(float(residuals @ residuals) / freedom) if freedom else None
    if u is None:
        sigma = sigma * (scatter or 0.0)
    covariance = (share * sigma**2) @ share.T
    if through_origin:
        share = np.vstack([np.zeros_like(xs), share])
        covariance = np.diag([0.0, covariance[0, 0]])
        values = np.array([0.0, values[0]])
    return Line(float(values[0]), float(values[1]), origin, share, covariance, residuals, scatter)
