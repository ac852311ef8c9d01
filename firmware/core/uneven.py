"""Sections of one string that differ at rest by more than its cells can: a divider of the wrong value, a pack of
the wrong cell count, a pack that was not charged with the others.

A divider that reads too low shows nothing by itself: its section looks like one that is low, and the section above
like one that is full. Cells of a string in use stay within some tens of millivolts of each other at rest; what the
sense points may be wrong by, as the settings state it, is allowed for, so that nothing is told of a rig that was
never calibrated unless it is gross.
"""

from array import array

import micropython

from shared_proto.messages import NOT_KNOWN_MV, SENSES_MAX

_REST_MS = 3000  # without thrust for this long: what still moves moves in all sections alike
_APART_MV = 150  # for each cell, beyond the stated uncertainty; common practice, no source
_BACK_MV = 40


class Uneven:
    """`section`: sense input at the top of the lowest of two sections that are too far apart, -1 none."""

    def __init__(self):
        self.section = -1
        self._rest_ms = 0
        self._uncertainty_mv = array("i", [0] * SENSES_MAX)

    def configure(self, values):
        self.section = -1
        self._rest_ms = 0
        for n in range(SENSES_MAX):
            self._uncertainty_mv[n] = values.get("sense.uncertainty_mv", n)

    @micropython.native
    def update(self, dt_ms, demand_pm, sense, strings, sides):
        """A look, some ten times a second; what was found at rest stands while there is thrust."""
        if demand_pm:
            self._rest_ms = 0
            return
        if self._rest_ms < _REST_MS:
            self._rest_ms += dt_ms
            return
        limit_mv = _APART_MV if self.section < 0 else _APART_MV - _BACK_MV
        self.section = -1
        for side in range(sides):
            # A section is somewhere between `mean - doubt` and `mean + doubt`, for each cell.
            least_mv = NOT_KNOWN_MV
            most_mv = 0
            least = -1
            below_mv = 0  # uncertainty of the point below
            for i in range(sense.first[side], sense.first[side + 1]):
                n = sense.order[i]
                cells = strings.section_cells[n]
                if sense.mv[n] == NOT_KNOWN_MV or cells <= 0:
                    least = -1
                    break  # with a point lost the sections are not those of the packs
                mean_mv = strings.section_mv[n] // cells
                doubt_mv = (self._uncertainty_mv[n] + below_mv) // cells
                below_mv = self._uncertainty_mv[n]
                if mean_mv + doubt_mv < least_mv:
                    least_mv = mean_mv + doubt_mv
                    least = n
                if mean_mv - doubt_mv > most_mv:
                    most_mv = mean_mv - doubt_mv
            if least >= 0 and most_mv - least_mv > limit_mv:
                self.section = least
