"""What is probably wrong when the meter and the box disagree by more than any error of parts: named, not guessed at.

Every sentence says what it looks like and what to do. Nothing is calibrated away: a lead on the wrong tap, a digit
that slipped or a divider of another value is put right first.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import sqrt

from barbox.calibration.meter import Range, Reading
from barbox.calibration.preferred import nearest_pair
from barbox.calibration.steps import CELL_LEAST_V, CELL_MOST_V, Target
from barbox.rig.boards import Board
from barbox.rig.dividers import nominal_uncertainty_v

_USUAL_CELL_V = (2.8, 4.4)  # mean voltage of a cell on a rig that is being calibrated (common practice, no source)
_CELLS_ALIKE = 0.06  # packs of one string at rest differ by less than this share (common practice, no source)
_NOTHING_CELL_V = 0.3  # what is left on an input without its wire, for each cell that should be there
_SLIPS = (10.0, 0.1, 100.0, 0.01, 1000.0, 0.001)


class Suspects:
    """Judges readings against what the box reads at all inputs with the nominal dividers of the rig.

    `codes`: mean code of each input of `targets`.
    """

    def __init__(self, targets: Sequence[Target], codes: Mapping[int, float], board: Board) -> None:
        self._targets = targets
        self._board = board
        self._box_v = {t.input: codes[t.input] * t.nominal_nv / 1e9 for t in targets}
        self._pin_v = {t.input: codes[t.input] * board.step_nv / 1e9 for t in targets}

    def judge(self, target: Target, reading: Reading, meter: Range) -> str | None:
        """None when the reading can be believed, else one clause that says what it looks like, and what to do."""
        volts = reading.volts
        if volts < 0:
            return f"{reading.text}: reversed sign: the meter's leads are exchanged, it seems; turn them, measure again"
        if self._fits(target, volts, meter):
            return None if target.possible(volts) else self._impossible(target, reading)
        if self._box_v[target.input] < _NOTHING_CELL_V * target.cells and target.possible(volts):
            nothing_v = max(0.0, self._box_v[target.input])  # noise about zero is no -0.00 V
            return (
                f"{reading.text} at the {target.name}, and the box reads {nothing_v:.2f} V: nothing "
                f"arrives at input {target.input + 1}: look at its fuse and its wire"
            )
        found = self._slip(target, reading, meter) or self._swapped_digits(target, reading, meter)
        return found or self._lead(target, reading, meter) or self._box_side(target, reading, meter)

    # -- the meter's side -----------------------------------------------------------------------------------------

    def limit(self, target: Target, volts: float, meter: Range) -> float:
        """Largest difference, in V, that parts and meter explain at `volts`: their limits as a rectangular
        distribution, three standard uncertainties."""
        parts = nominal_uncertainty_v(target.point, self._board, volts) / 2
        return 3 * sqrt(parts**2 + (meter.limit_v(volts) / sqrt(3)) ** 2)

    def _fits(self, target: Target, volts: float, meter: Range) -> bool:
        return abs(volts - self._box_v[target.input]) <= self.limit(target, abs(volts), meter)

    def _slip(self, target: Target, reading: Reading, meter: Range) -> str | None:
        for factor in _SLIPS:
            meant = reading.volts * factor
            if self._fits(target, meant, meter):
                return (
                    f"{reading.text}: a slipped digit, it seems: the box reads {self._box_v[target.input]:.1f} V, so "
                    f"{meant:g} V would fit: look at the decimal point and the unit"
                )
        return None

    def _swapped_digits(self, target: Target, reading: Reading, meter: Range) -> str | None:
        text = f"{reading.volts:g}"
        digits = [n for n, c in enumerate(text) if c.isdigit()]
        for a, b in zip(digits, digits[1:], strict=False):
            if text[a] == text[b]:
                continue
            other = list(text)
            other[a], other[b] = text[b], text[a]
            meant = float("".join(other))
            if self._fits(target, meant, meter):
                return (
                    f"{reading.text}: two digits exchanged, it seems: the box reads {self._box_v[target.input]:.1f} V, "
                    f"so {meant:g} V would fit: look at the meter again"
                )
        return None

    def _lead(self, target: Target, reading: Reading, meter: Range) -> str | None:
        """The reading is that of another sense point, as the box sees it there; one of the same side first."""
        volts = reading.volts
        for other in sorted(self._targets, key=lambda t: t.side != target.side):
            if other is target or not self._fits(other, volts, meter) or not other.possible(volts):
                continue
            if other.cells == target.cells and self._believable(target, volts, (target.side, other.side)):
                return (
                    f"{reading.text}: this looks like the {other.name}, not the {target.name}: move the lead, or "
                    f"exchange the sense wires of inputs {target.input + 1} and {other.input + 1} if they are crossed"
                )
            if other.cells != target.cells and not _usual(target, volts):
                return f"{reading.text}: this looks like the {other.name}, not the {target.name}: move the meter's lead"
        return None

    def _believable(self, target: Target, volts: float, sides: Sequence[str]) -> bool:
        """Whether the input shows the string of one of `sides` better than `volts` does, as the other points of that
        side tell. Else the meter is right, and strings of the same charge only look alike."""
        box_v = self._box_v[target.input]
        if not _usual(target, box_v):
            return False
        for side in sides:
            beside = [t for t in self._targets if t.side == side and t.cells != target.cells]
            others = [self._box_v[t.input] / t.cells for t in beside]
            if not others:
                return True
            cell_v = sum(others) / len(others)
            if abs(box_v / target.cells - cell_v) < abs(volts / target.cells - cell_v):
                return True
        return False

    def _impossible(self, target: Target, reading: Reading) -> str:
        low, high = CELL_LEAST_V * target.cells, CELL_MOST_V * target.cells
        return (
            f"{reading.text}: no string of {target.cells} cells has that: {low:g} to {high:g} V is possible; look at "
            "the unit and at what the lead touches"
        )

    # -- the box's side -------------------------------------------------------------------------------------------

    def _box_side(self, target: Target, reading: Reading, meter: Range) -> str:
        volts, box_v = reading.volts, self._box_v[target.input]
        what = f"{reading.text} at the {target.name}, and the box reads {box_v:.2f} V"
        if not target.possible(volts):
            return self._impossible(target, reading)
        wire = self._wrong_wire(target, reading)
        if wire and not self._saturated(target):
            return f"{what}: {wire}"
        p = target.point
        if self._saturated(target):
            return (
                f"{what}, its end ({self._pin_v[target.input]:.2f} V at the pin): the divider divides too little, or "
                f"input {target.input + 1} has the wire of a higher point: look at both against {p.upper_kohm:g} k / "
                f"{p.lower_kohm:g} k"
            )
        times = volts / box_v
        digits = 3 if 0.9 < times < 1.1 else 2
        upper, lower, _ = nearest_pair(
            p.ratio * times, p.upper_kohm, p.lower_kohm, self.limit(target, volts, meter) / volts / 2
        )
        return (
            f"{what}: gain {times:.{digits}g} times nominal, which is no tolerance: nearest preferred pair "
            f"{upper:g} k / {lower:g} k, where the sheet says {p.upper_kohm:g} k / {p.lower_kohm:g} k: change "
            "the resistor or the sheet, and look at the wire and its joints"
        )

    def _saturated(self, target: Target) -> bool:
        return self._pin_v[target.input] > self._board.pin_limit_v

    def _wrong_wire(self, target: Target, reading: Reading) -> str | None:
        """The input shows what another point of the same side should have."""
        box_v = self._box_v[target.input]
        for other in self._targets:
            if other.side != target.side or other.cells == target.cells:
                continue
            should_v = reading.volts * other.cells / target.cells
            if abs(box_v - should_v) > _CELLS_ALIKE * should_v:
                continue
            its_v = self._box_v[other.input]
            if abs(its_v - should_v) > 2 * _CELLS_ALIKE * should_v:
                return (
                    f"that is what the {other.name} should have: wrong channel, it seems; the sense wires of inputs "
                    f"{target.input + 1} and {other.input + 1} are crossed"
                )
            if abs(its_v - box_v) <= 1.5 * nominal_uncertainty_v(target.point, self._board, box_v):
                return (
                    f"input {target.input + 1} has what the {other.name} has: its sense wire is on that tap, or its "
                    "divider is of another value"
                )
        return None


def _usual(target: Target, volts: float) -> bool:
    low, high = _USUAL_CELL_V
    return low * target.cells <= volts <= high * target.cells
