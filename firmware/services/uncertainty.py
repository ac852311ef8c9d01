"""How far a voltage that the box shows may be from the truth, from the settings: what an identity states.

Expanded uncertainties, 95 %. The calibration's own (`sense.uncertainty_mv`), the drift of the ADC's reference since
then and, for a section, both of its sense points are independent and combined as a root of squares; the drift is
a limit, so rectangular (JCGM 100:2008, 4.3.7 and 5.1.2). Inputs of one ADC part share a reference: it moves a section
by its own voltage and not by that of the string. Ground offset is no matter of chance but pulls every
reading down in proportion to the current, so it stands apart, to be added as it is (F.2.4.5, from memory).
"""

from math import ceil, sqrt

from shared_proto.messages import SENSES_MAX, SIDES_MAX
from shared_proto.settings import CELLS_MAX, INPUTS_OF_A_PART, ladder

_MOST_MV = 0xFFFF
_RECTANGULAR = 2 / sqrt(3)  # k = 2 of a limit


class Uncertainty:
    """`side_mv`, `growth_mv` (at 100 A), `drift_mv` of each side, `section_mv` of each sense input; whole mV, up."""

    def __init__(self, values, board_ppm):
        """`values`: the settings in force; `board_ppm`: drift of the board's reference that is usual."""
        self.side_mv = [0] * SIDES_MAX
        self.growth_mv = [0] * SIDES_MAX
        self.drift_mv = [0] * SIDES_MAX
        self.section_mv = [0] * SENSES_MAX
        self._values = values
        self._drift = 1e-6 * (values.get("reference_ppm") or board_ppm)
        for side in range(values.get("sides")):
            self._side(side)

    @property
    def worst_mv(self):
        """Of all strings."""
        return max(self.side_mv)

    def _side(self, side):
        get = self._values.get
        points, negative = ladder(self._values, side)
        below, below_mv = negative, 0
        for cells, n in points:
            full_mv = get("cell_over_mv") * (cells or CELLS_MAX)
            self.section_mv[n] = _whole(self._between(n, full_mv, below, below_mv))
            below, below_mv = n, full_mv
        if points:
            self.side_mv[side] = _whole(self._between(below, below_mv, negative, 0))
            self.drift_mv[side] = _whole(self._drift * below_mv)
            if negative < 0:
                self.growth_mv[side] = _whole(get("side.negative_uohm", side) / 10)

    def _between(self, upper, upper_mv, lower, lower_mv):
        """Of the difference of two inputs that read so much; `lower` -1: of `upper` alone."""
        get = self._values.get
        square = get("sense.uncertainty_mv", upper) ** 2
        if lower >= 0:
            square += get("sense.uncertainty_mv", lower) ** 2
            if upper // INPUTS_OF_A_PART == lower // INPUTS_OF_A_PART:
                upper_mv, lower_mv = upper_mv - lower_mv, 0
        for n, mv in ((upper, upper_mv), (lower, lower_mv)):
            if n >= 0 and get("sense.calibrated", n):  # else its uncertainty has the reference in it
                square += (_RECTANGULAR * self._drift * mv) ** 2
        return sqrt(square)


def _whole(mv):
    return min(ceil(mv - 1e-6), _MOST_MV)
