"""From points to the settings of one sense input, and how far its readings can be off: the budget of uncertainty.

The line goes through (code, meter's volts). What is wrong with the meter's gain and zero is the same at every point
and does not average down; what is new with each point (noise, the last digit, the ADC's linearity) does. The ADC's
reference on an earlier day was not that of today: points of earlier days carry what it may have drifted.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import ceil, sqrt

import numpy as np
from numpy.typing import NDArray

from barbox.calibration.coverage import combined, factor
from barbox.calibration.fit import Line, fit_line
from barbox.calibration.meter import Range
from barbox.calibration.sample import Sample
from barbox.calibration.steps import Target
from barbox.errors import UserError
from barbox.rig.boards import Board
from shared_proto.settings import ROWS, SETTINGS, Values, far_from_nominal

SPREAD = 0.1
"""Points closer together than this share of the voltage at full charge give no offset (common practice, no source)."""
_OFF = 3.0
"""A point this many standard uncertainties from the line is no noise."""


class TooClose(UserError):
    """Points too close together to give an offset: `reason`. The gain alone may still be fitted."""

    def __init__(self, reason: str) -> None:
        super().__init__(
            f"{reason}: add one at another charge, fit the gain alone with --gain-only, or leave earlier ones out with "
            "--afresh; nothing was written"
        )
        self.reason = reason


class OffTheLine(UserError):
    """A point that no error of meter and parts explains: `reason`. It can be taken again."""

    def __init__(self, reason: str) -> None:
        super().__init__(f"{reason}; nothing was written")
        self.reason = reason


@dataclass(frozen=True)
class Point:
    """One comparison: the meter's `volts` on `range`, against what the box read. `date`: ISO 8601, local time;
    `file`: mark of the file that the reading came from, "" when it was typed."""

    date: str
    volts: float
    range: Range
    sample: Sample
    file: str = ""

    @property
    def day(self) -> str:
        return self.date[:10]


@dataclass(frozen=True)
class Stated:
    """Uncertainty of a reading: standard, coverage factor for 95 %, expanded."""

    standard_v: float
    factor: float

    @property
    def expanded_v(self) -> float:
        return self.factor * self.standard_v


class Result:
    """The line of one input and what is known of its errors. `settings` is what to write."""

    def __init__(self, target: Target, board: Board, points: Sequence[Point], gain_only: bool = False) -> None:
        """Raises UserError when the points give no line, or one that the box cannot hold."""
        self.target = target
        self.board = board
        self.points = tuple(points)
        self.gain_only = gain_only or len(points) == 1
        self._v_per_code = target.nominal_nv / 1e9
        self._volts = np.array([p.volts for p in points])
        self._linearity_v = np.array([self._linearity(p.sample.code) for p in points])
        if not self.gain_only:
            self._refuse_close()
        u = [sqrt(o**2 + d**2) for o, d in zip(self._own_u(), self._day_u(), strict=True)]
        codes = [p.sample.code for p in points]
        origin = 0.0 if self.gain_only else float(np.mean(codes))
        self.line: Line = fit_line(
            codes, self._volts.tolist(), u=u, through_origin=self.gain_only, origin=origin
        )
        self.u_points = u
        self._refuse_crooked()
        self.settings = self._settings()

    # -- causes of error ----------------------------------------------------------------------------------------

    def _linearity(self, code: float) -> float:
        return self.board.linearity_v(code) * self.target.point.ratio / sqrt(3)

    def _noise_u(self) -> list[float]:
        return [self._v_per_code * p.sample.u_mean(self.board.code_step) for p in self.points]

    def _own_u(self) -> list[float]:
        """What is new with each point."""
        return [
            combined((n, p.range.rounding_u_v, lin), ())
            for n, p, lin in zip(self._noise_u(), self.points, self._linearity_v, strict=True)
        ]

    def _day_u(self) -> list[float]:
        drift = self.board.drift_limit / sqrt(3)
        last = max(p.day for p in self.points)
        return [0.0 if p.day == last else drift * p.volts for p in self.points]

    def _common(self) -> Iterator[tuple[float, NDArray[np.float64], float]]:
        """(standard uncertainty, how it moves each ordinate, how it moves a reading itself) of what several points
        share; each rectangular."""
        for meter in {p.range for p in self.points}:
            of = np.array([p.range == meter for p in self.points], float)
            yield meter.gain_u, of * self._volts, 0.0
            yield meter.zero_u_v, of, 0.0
        last = max(p.day for p in self.points)
        for day in {p.day for p in self.points} - {last}:
            of = np.array([p.day == day for p in self.points], float)
            yield self.board.drift_limit / sqrt(3), of * self._volts, 0.0
        if self.gain_only:
            offset = self.board.offset_limit_v * self.target.point.ratio / sqrt(3)
            yield offset, np.ones(len(self.points)), 1.0

    def parts(self, volts: float) -> tuple[list[float], list[float]]:
        """Standard uncertainties, in V, of all that can be wrong with one reading near `volts`: those that are
        normal, and those that are rectangular."""
        code = self.line.origin + (volts - self.line.intercept) / self.line.slope
        reach = self.line.reach(code)
        single = np.mean([p.sample.u_single(self.board.code_step) for p in self.points])
        normal = [float(combined(list(reach * self._noise_u()), ())), self._v_per_code * float(single)]
        rectangular = [float(u * abs(reach @ moves - own)) for u, moves, own in self._common()]
        rectangular += [float(abs(r) * p.range.rounding_u_v) for r, p in zip(reach, self.points, strict=True)]
        rectangular += [float(v) for v in np.abs(reach) * self._linearity_v]
        rectangular.append(self._linearity(code))
        rectangular.append(0.001 / sqrt(12) * sqrt(2))  # whole millivolts: of the offset, and of the reading
        return normal, rectangular

    def stated(self, volts: float) -> Stated:
        """Uncertainty of one reading near `volts`, reference drift since and ground offset left out."""
        normal, rectangular = self.parts(volts)
        return Stated(combined(normal, rectangular), factor(normal, rectangular))

    @property
    def top_v(self) -> float:
        """Where `uncertainty_mv` is stated: the voltage at full charge."""
        return self.target.full_v

    @property
    def odd_offset(self) -> str:
        """What is odd about the fitted offset, in a sentence; "" when meter, points and parts explain it."""
        if self.gain_only:
            return ""
        zero_v = self.line.at(0.0)
        own_v = self.board.offset_limit_v * self.target.point.ratio / sqrt(3)
        likely_v = _OFF * sqrt(own_v**2 + self.stated(0.0).standard_v ** 2)
        if abs(zero_v) <= likely_v:
            return ""
        return (
            f"an offset of {1000 * zero_v:+.0f} mV is odd: parts and points explain {1000 * likely_v:.0f} mV. Was the "
            "black lead on the heavy negative at each point, and the same divider in place on each day?"
        )

    # -- what comes of it -----------------------------------------------------------------------------------------

    def volts_of(self, code: float) -> float:
        """The fitted line."""
        return self.line.at(code)

    def _settings(self) -> dict[str, int]:
        zero_v = self.line.at(0.0)
        found = {
            "sense.nv_per_count": round(self.line.slope * 1e9),
            "sense.offset_mv": 0 if self.gain_only else round(1000 * zero_v),
            "sense.calibrated": 1,
            "sense.uncertainty_mv": ceil(1000 * self.stated(self.top_v).expanded_v),
        }
        for name, value in found.items():
            s = SETTINGS[ROWS[name]]
            if not s.low <= value <= s.high:
                raise UserError(
                    f"sense input {self.target.input + 1} ({self.target.name}): {s.name} would be {value} {s.unit}, "
                    f"and the box takes {s.low}..{s.high}: look at the points; nothing was written"
                )
        trial = Values()
        for name, value in {"sense.cells": self.target.cells, "sense.nominal_nv": round(self.target.nominal_nv),
                            **found}.items():
            trial.put(name, value, self.target.input)
        if far := far_from_nominal(trial, self.target.input):
            raise UserError(
                f"sense input {self.target.input + 1} ({self.target.name}): {far}: look at the points, and whether the "
                "resistors are those of the sheet; nothing was written"
            )
        return found

    def _refuse_close(self) -> None:
        spread_v = float(np.ptp(self._volts))
        least_v = SPREAD * self.target.full_v
        if spread_v < least_v:
            raise TooClose(
                f"sense input {self.target.input + 1} ({self.target.name}): its {len(self.points)} points are "
                f"{spread_v:.2f} V apart, too close together to give an offset, which takes {least_v:.1f} V"
            )

    def _refuse_crooked(self) -> None:
        off = [
            abs(float(r)) / (_OFF * sqrt(u**2 + p.range.zero_u_v**2 + self._offset_u(p) ** 2))
            for r, u, p in zip(self.line.residuals, self.u_points, self.points, strict=True)
        ]
        worst = int(np.argmax(off))
        if off[worst] > 1:
            p = self.points[worst]
            raise OffTheLine(
                f"sense input {self.target.input + 1} ({self.target.name}): the points do not lie on one line; that of "
                f"{p.date}, {p.volts:g} V, is {1000 * self.line.residuals[worst]:+.0f} mV off: take it again, or leave "
                "earlier ones out with --afresh"
            )

    def _offset_u(self, point: Point) -> float:
        if not self.gain_only:
            return 0.0
        return self.board.offset_limit_v * self.target.point.ratio / sqrt(3)
