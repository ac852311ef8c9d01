"""Sections of the strings, by difference of neighbouring believed sense points, and the weakest of them all.

A section voltage is a mean over its cells and hides a weak one among them, so it is judged after an allowance
that grows with the cells in the section: a lost tap makes two sections one, with the allowance of the whole.
"""

import micropython

from shared_proto.messages import NOT_KNOWN_MV, SENSES_MAX, SIDES_MAX


class Strings:
    """`section_mv[n]`: voltage of the section whose top is sense input n, or NOT_KNOWN_MV."""

    def __init__(self):
        self.section_mv = [NOT_KNOWN_MV] * SENSES_MAX
        self.section_cells = [0] * SENSES_MAX  # cells of that section
        self.weakest = -1  # input at the top of the weakest section, -1 none
        self.weakest_cell_mv = NOT_KNOWN_MV  # its mean cell voltage less the spread allowance
        self.highest_cell_mv = 0  # mean cell voltage of the fullest section
        self.side_cell_mv = [NOT_KNOWN_MV] * SIDES_MAX  # the same for the weakest of each side
        self.top_mv = [NOT_KNOWN_MV] * SIDES_MAX  # at the very top of each side, not at a lower point
        self.blind = False  # a side without a single believed sense point
        self._spread_mv = 0

    def configure(self, values):
        self._spread_mv = values.get("spread_mv")
        for n in range(SENSES_MAX):
            self.section_mv[n] = NOT_KNOWN_MV
            self.section_cells[n] = 0
        for side in range(SIDES_MAX):
            self.side_cell_mv[side] = NOT_KNOWN_MV
            self.top_mv[side] = NOT_KNOWN_MV

    @micropython.native
    def update(self, sense, sides):
        """One step, after `sense.update`. `sides` is the number of fans."""
        # Locals: on the board a load of an attribute costs as much as an addition.
        order = sense.order
        first = sense.first
        believed_mv = sense.mv
        point_cells = sense.cells
        all_section_mv = self.section_mv
        all_section_cells = self.section_cells
        spread_mv = self._spread_mv
        not_known_mv = NOT_KNOWN_MV
        weakest = -1
        weakest_cell_mv = not_known_mv
        highest_mv = 0
        blind = False
        end = first[0]
        for side in range(sides):
            begin = end
            end = first[side + 1]
            below_mv = sense.negative_mv[side]  # the pack negative, where the rig senses it
            below_cells = 0
            weakest_mv = not_known_mv
            mv = not_known_mv
            seen = False
            for i in range(begin, end):
                n = order[i]
                mv = believed_mv[n]
                if mv == not_known_mv:
                    all_section_mv[n] = not_known_mv
                    all_section_cells[n] = 0
                    continue
                seen = True
                section_mv = mv - below_mv
                below_mv = mv
                if section_mv < 0:
                    section_mv = 0
                all_section_mv[n] = section_mv
                cells = point_cells[n]
                between = cells - below_cells
                below_cells = cells
                all_section_cells[n] = between
                if between > 0:
                    cell_mv = section_mv // between
                    if cell_mv > highest_mv:
                        highest_mv = cell_mv
                    cell_mv -= spread_mv * (between - 1)
                    if cell_mv < weakest_mv:
                        if cell_mv < 0:
                            cell_mv = 0
                        weakest_mv = cell_mv
                        if cell_mv < weakest_cell_mv:
                            weakest_cell_mv = cell_mv
                            weakest = n
            self.side_cell_mv[side] = weakest_mv
            self.top_mv[side] = mv  # of the last point, if it is believed
            if not seen:
                blind = True
        self.weakest = weakest
        self.weakest_cell_mv = weakest_cell_mv
        self.highest_cell_mv = highest_mv
        self.blind = blind
