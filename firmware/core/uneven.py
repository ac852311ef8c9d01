"""Sections that differ at rest by more than their cells can: a divider of the wrong value, a pack of the wrong cell
count, a pack that was not charged with the others.

A divider that reads too low shows nothing by itself: its section looks like one that is low, and the section above
like one that is full. Cells of one charge rest at one voltage, on all sides, so what all sections share is no news,
and one that stands apart is. What the sense points may be wrong by, as the settings state it, is allowed for, so that
nothing is told of a rig that was never calibrated unless it is gross. Looked at only after a long rest, since a pack
that has just worked hard recovers for minutes; packs found at power-up are taken to have rested. What was found
stands until the next look.
"""

import micropython
from micropython import const

from shared_proto.messages import NOT_KNOWN_MV, SENSES_MAX, SIDES_MAX
from shared_proto.settings import ladder

_APART_MV = const(150)  # a cell, beyond what the readings may be wrong by; common practice, no source
_BACK_MV = const(30)
_REST_MS = const(30000)  # after thrust; common practice, no source
_START_MS = const(2000)  # after power-up or new settings
_EVERY_MS = const(1000)


class Uneven:
    """`section`: the sense input at the top of the section that stands apart, -1 none."""

    def __init__(self):
        self.section = -1
        self._doubt_mv = [0] * SENSES_MAX  # what a section's mean cell voltage may be wrong by
        self._rest_ms = 0
        self._ms = 0

    def configure(self, values):
        get = values.get
        self.section = -1
        self._rest_ms = _REST_MS - _START_MS
        self._ms = 0
        for side in range(SIDES_MAX):
            points, negative = ladder(values, side)
            below_mv = 0  # expanded uncertainty (k = 2) of the point below
            if negative >= 0:
                below_mv = get("sense.uncertainty_mv", negative)
            below_cells = 0
            for cells, n in points:
                own_mv = get("sense.uncertainty_mv", n)
                if cells > below_cells:
                    self._doubt_mv[n] = int((own_mv * own_mv + below_mv * below_mv) ** 0.5) // (cells - below_cells)
                below_mv = own_mv
                below_cells = cells

    @micropython.native
    def update(self, dt_ms, demand_pm, sense, strings):
        """Now and then, `dt_ms` after the last call; `sense` and `strings` as they are after their own step."""
        if demand_pm > 0:
            self._rest_ms = self._ms = 0
            return
        if self._rest_ms < _REST_MS:
            self._rest_ms += dt_ms
            return
        self._ms += dt_ms
        if self._ms >= _EVERY_MS:
            self._ms = 0
            self._look(sense, strings)

    @micropython.native
    def _look(self, sense, strings):
        least_mv = most_mv = 0  # as near to each other as the readings allow
        low_mv = high_mv = 0
        low = high = -1
        total_mv = count = 0
        for i in range(sense.first[SIDES_MAX]):
            n = sense.order[i]
            mv = strings.section_mv[n]
            cells = strings.section_cells[n]
            if mv == NOT_KNOWN_MV:
                return
            if cells == 0:
                continue
            cell_mv = mv // cells
            doubt_mv = self._doubt_mv[n]
            if low < 0 or cell_mv + doubt_mv < least_mv:
                low = n
                low_mv = cell_mv
                least_mv = cell_mv + doubt_mv
            if high < 0 or cell_mv - doubt_mv > most_mv:
                high = n
                high_mv = cell_mv
                most_mv = cell_mv - doubt_mv
            total_mv += cell_mv
            count += 1
        apart_mv = most_mv - least_mv
        if apart_mv > _APART_MV:
            self.section = high if count * (high_mv + low_mv) > 2 * total_mv else low
        elif apart_mv < _APART_MV - _BACK_MV:
            self.section = -1
