"""ADC codes to believed millivolts at each sense input, and what is wrong with those that are not believed.

A blown fuse or broken wire reads near 0 V through its divider; a real pack never does. So a sense point is
judged by volts for each cell below it, long before any low-voltage logic sees it, and a reading that is in
doubt leaves the last believed value standing until the doubt is settled.
"""

from array import array

import micropython

from shared_proto.messages import NOT_KNOWN_MV, SENSES_MAX, SIDES_MAX
from shared_proto.settings import NEGATIVE
from shared_proto.states import SENSE_HIGH, SENSE_OK, SENSE_OPEN, SENSE_SHORTED, SENSE_SILENT

# Common practice, no source: below 1 V a cell there is no pack, above 4.5 V a cell none that could be charged.
_OPEN_CELL_MV = 1000
_HIGH_CELL_MV = 4500
# Two points whose section shows less than this for each cell are one wire.
_SHORTED_CELL_MV = 300

_DOUBTS = 2  # readings in a row that make a fault
_GOODS = 10  # readings in a row that clear it
_SILENT_STEPS = 8  # steps without a new reading: 160 ms


def scale(nv_per_count):
    """(gain, shift) such that `code * nv_per_count / 1e6` mV is two products below 2**30; error below 2 ppm.

    With codes up to 65535 the two halves of `Sense.update` stay below 2**30 while gain < 2**20.
    """
    shift = 7
    while shift < 28 and (nv_per_count << (shift + 1)) // 1000000 < (1 << 20):
        shift += 1
    return ((nv_per_count << shift) + 500000) // 1000000, shift


_NEGATIVE_MOST_MV = 1000  # a heavy negative that drops more is open, or the input is not on it


class Sense:
    """State of all sense inputs: `mv` (believed, or NOT_KNOWN_MV) and `fault` of each.

    `negative_mv[side]` is the pack negative against box ground (below it under load), 0 where it is not sensed;
    `current_da[side]` a current sensor's reading in 0.1 A, NOT_KNOWN_MV where there is none. Their inputs show
    the size of both in `mv`.
    """

    def __init__(self):
        zeros = [0] * SENSES_MAX
        self.mv = array("i", [NOT_KNOWN_MV] * SENSES_MAX)
        self.fault = array("i", zeros)
        self.cells = array("i", zeros)
        self.order = array("i", zeros)  # inputs by side, lowest point first
        self.first = array("i", [0] * (SIDES_MAX + 1))  # where each side begins in `order`
        self.negative_mv = array("i", [0] * SIDES_MAX)
        self.current_da = array("i", [NOT_KNOWN_MV] * SIDES_MAX)
        self._kind = array("i", zeros)
        self._side = array("i", zeros)
        self._sides = 0
        self._used = 0  # inputs in `order`
        self._gain = array("i", zeros)
        self._shift = array("i", zeros)
        self._offset_mv = array("i", zeros)
        self._reading = array("i", zeros)
        self._still = array("i", zeros)  # steps since the last new reading
        self._doubts = array("i", zeros)
        self._goods = array("i", zeros)

    def configure(self, values):
        """Take over the settings (Values); readings start afresh."""
        get = values.get
        ladder = []
        others = []
        for n in range(SENSES_MAX):
            self.cells[n] = get("sense.cells", n)
            gain, shift = scale(get("sense.nv_per_count", n))
            self._gain[n] = gain
            self._shift[n] = shift - 7
            self._offset_mv[n] = get("sense.offset_mv", n)
            self.mv[n] = NOT_KNOWN_MV
            self.fault[n] = SENSE_OK
            self._still[n] = self._doubts[n] = self._goods[n] = 0
            self._kind[n] = kind = get("sense.kind", n)
            side = get("sense.side", n)
            if 0 < side <= get("sides"):
                self._side[n] = side - 1
                (others if kind else ladder).append((side, get("sense.cells", n), n))
        ladder.sort()
        side = 0
        for i, (its_side, _, n) in enumerate(ladder):
            self.order[i] = n
            while side < its_side:
                self.first[side] = i
                side += 1
        while side <= SIDES_MAX:
            self.first[side] = len(ladder)
            side += 1
        for i, (_, _, n) in enumerate(others):
            self.order[len(ladder) + i] = n
        self._sides = get("sides")
        self._used = len(ladder) + len(others)
        for side in range(SIDES_MAX):
            self.negative_mv[side] = 0
            self.current_da[side] = NOT_KNOWN_MV

    @property
    def used(self):
        """How many entries of `order` are in use: sense points by side, then the other inputs."""
        return self._used

    @micropython.native
    def update(self, inputs):
        """One step: take the new readings in. Returns True when a fault came or went."""
        changed = False
        for side in range(self._sides):
            below_mv = 0  # the nearest believed point below
            below_cells = 0
            for i in range(self.first[side], self.first[side + 1]):
                n = self.order[i]
                if self._one(inputs, n, below_mv, below_cells):
                    changed = True
                mv = self.mv[n]
                if mv != NOT_KNOWN_MV:
                    below_mv = mv
                    below_cells = self.cells[n]
        for i in range(self.first[SIDES_MAX], self._used):
            n = self.order[i]
            if self._one(inputs, n, 0, 0):
                changed = True
            self._keep(n)
        return changed

    def _keep(self, n):
        """A believed pack negative or current goes where it is used; an unbelieved one is as if not fitted."""
        mv = self.mv[n]
        side = self._side[n]
        if self._kind[n] == NEGATIVE:
            self.negative_mv[side] = -mv if mv != NOT_KNOWN_MV else 0
        else:
            self.current_da[side] = mv // 10 if mv != NOT_KNOWN_MV else NOT_KNOWN_MV

    @micropython.native
    def _one(self, inputs, n, below_mv, below_cells):
        reading = inputs.reading[n]
        if reading == self._reading[n]:
            self._still[n] += 1
            if self._still[n] < _SILENT_STEPS:
                return False
            self._still[n] = _SILENT_STEPS
            doubt = SENSE_SILENT
            self._doubts[n] = _DOUBTS
        else:
            self._reading[n] = reading
            self._still[n] = 0
            code = inputs.code[n]
            gain = self._gain[n]
            mv = (((code >> 7) * gain + (((code & 127) * gain) >> 7)) >> self._shift[n]) + self._offset_mv[n]
            if self._kind[n] == NEGATIVE:
                mv = -mv
            if mv < 0:
                mv = 0
            elif mv >= NOT_KNOWN_MV:  # the most that a status message can carry
                mv = NOT_KNOWN_MV - 1
            doubt = self._judge(n, mv, below_mv, below_cells)
            if doubt == SENSE_OK:
                self._doubts[n] = 0
                if self.fault[n] == SENSE_OK:
                    self.mv[n] = mv
                    return False
                self._goods[n] += 1
                if self._goods[n] < _GOODS:
                    return False
                self.fault[n] = SENSE_OK
                self.mv[n] = mv
                return True
            self._doubts[n] += 1
            if self._doubts[n] < _DOUBTS:
                inputs.again = n
        self._goods[n] = 0
        if self._doubts[n] < _DOUBTS:
            return False
        self._doubts[n] = _DOUBTS
        if self.fault[n] == doubt:
            return False
        self.fault[n] = doubt
        self.mv[n] = NOT_KNOWN_MV
        return True

    @micropython.native
    def _judge(self, n, mv, below_mv, below_cells):
        if self._kind[n] == NEGATIVE:
            return SENSE_HIGH if mv > _NEGATIVE_MOST_MV else SENSE_OK
        cells = self.cells[n]
        if cells == 0:  # no rig applied, a plain voltmeter; or a current
            return SENSE_OK
        if mv < _OPEN_CELL_MV * cells:
            return SENSE_OPEN
        if mv > _HIGH_CELL_MV * cells:
            return SENSE_HIGH
        if below_cells and mv - below_mv < _SHORTED_CELL_MV * (cells - below_cells):
            return SENSE_SHORTED
        return SENSE_OK
