"""ADC codes to believed millivolts at each sense input, and what is wrong with those that are not believed.

A blown fuse or broken wire reads near 0 V through its divider; a real pack never does. So a sense point is
judged by volts for each cell below it, long before any low-voltage logic sees it, and a reading that is in
doubt leaves the last believed value standing until the doubt is settled.
"""

import micropython
from micropython import const

from shared_proto.messages import NOT_KNOWN_MV, SENSES_MAX, SIDES_MAX
from shared_proto.settings import NEGATIVE, NEGATIVE_MOST_MV, POINT
from shared_proto.states import SENSE_HIGH, SENSE_OK, SENSE_OPEN, SENSE_SHORTED, SENSE_STUCK

# Common practice, no source: below 1 V a cell there is no pack, above 4.5 V a cell none that could be charged.
_OPEN_CELL_MV = const(1000)
_HIGH_CELL_MV = const(4500)
# Two points whose section shows less than this for each cell are one wire.
_SHORTED_CELL_MV = const(300)

_DOUBTS = const(2)  # readings in a row that make a fault
_GOODS = const(10)  # readings in a row that clear it
_AGAIN_STEPS = const(3000)  # lost again within this, a minute: a loose wire, and thrust would come and go with it
_SILENT_STEPS = const(8)  # steps without a new reading: 160 ms


def scale(nv_per_count):
    """(gain, shift) such that `code * nv_per_count / 1e6` mV is two products below 2**30; error below 2 ppm.

    With codes up to 65535 the two halves of `Sense.update` stay below 2**30 while gain < 2**20.
    """
    shift = 7
    while shift < 28 and (nv_per_count << (shift + 1)) // 1000000 < (1 << 20):
        shift += 1
    return ((nv_per_count << shift) + 500000) // 1000000, shift


_STEP_MASK = const(0x3FFFFFFF)  # steps are counted in a small integer of the board

# What `Sense.update` returns.
NO_NEWS, NEW_READING, NEW_FAULT = range(3)


class Sense:
    """State of all sense inputs: `mv` (believed, or NOT_KNOWN_MV) and `fault` of each.

    `negative_mv[side]` is the pack negative against box ground (below it under load), 0 where it is not sensed;
    `current_da[side]` a current sensor's reading in 0.1 A, NOT_KNOWN_MV where there is none. Their inputs show
    the size of both in `mv`. `negative_open`: a pack negative is further off than a heavy wire that is whole can
    bring it. `stuck[n]`, set from outside, makes a fault of readings that would pass; `rested`, too, lets a loose wire
    be believed again.

    Lists and not arrays: an item of a list takes the interpreter a fifth fewer instructions.
    """

    def __init__(self):
        self.mv = [NOT_KNOWN_MV] * SENSES_MAX
        self.fault = [SENSE_OK] * SENSES_MAX
        self.stuck = [False] * SENSES_MAX
        self.rested = True  # set from outside while a point is lost: lever at rest and no thrust
        self._loose = [False] * SENSES_MAX  # lost twice within a minute: believed again only once `rested`
        self._lost_at = [-1] * SENSES_MAX  # step of the last loss, -1 none
        self.negative_open = False
        self.cells = [0] * SENSES_MAX
        self.order = [0] * SENSES_MAX  # inputs by side, lowest point first, then those that are no points
        self.first = [0] * (SIDES_MAX + 1)  # where each side begins in `order`
        self.used = 0  # entries of `order` in use
        self.negative_mv = [0] * SIDES_MAX
        self.current_da = [NOT_KNOWN_MV] * SIDES_MAX
        self._how = [(0, 0, 0, 0, POINT, 0)] * SENSES_MAX  # gain, shift, half, offset_mv, kind, cells of each input
        self._kind = [POINT] * SENSES_MAX
        self._below = [-1] * SENSES_MAX  # the point below on the same side, -1 none
        self._side = [0] * SENSES_MAX
        self._step = 0
        self._reading = [0] * SENSES_MAX
        self._since = [0] * SENSES_MAX  # step of the last new reading
        self._doubts = [0] * SENSES_MAX
        self._goods = [0] * SENSES_MAX
        self._afresh = True  # what was believed before the settings changed is news too

    def configure(self, values):
        """Take over the settings (Values); readings start afresh."""
        get = values.get
        ladder = []
        others = []
        for n in range(SENSES_MAX):
            self.cells[n] = cells = get("sense.cells", n)
            self._kind[n] = kind = get("sense.kind", n)
            gain, shift = scale(get("sense.nv_per_count", n))
            self._how[n] = (gain, shift - 7, 1 << shift >> 8, get("sense.offset_mv", n), kind, cells)
            self.mv[n] = NOT_KNOWN_MV
            self.fault[n] = SENSE_OK
            self._since[n] = self._step
            self._doubts[n] = self._goods[n] = 0
            self.stuck[n] = self._loose[n] = False
            self._lost_at[n] = -1
            self._below[n] = -1
            side = get("sense.side", n)
            if 0 < side <= get("sides"):
                self._side[n] = side - 1
                (others if kind else ladder).append((side, cells, n))
        ladder.sort()
        side = 0
        for i, (its_side, _, n) in enumerate(ladder):
            self.order[i] = n
            if i and ladder[i - 1][0] == its_side:
                self._below[n] = ladder[i - 1][2]
            while side < its_side:
                self.first[side] = i
                side += 1
        while side <= SIDES_MAX:
            self.first[side] = len(ladder)
            side += 1
        for i, (_, _, n) in enumerate(others):
            self.order[len(ladder) + i] = n
        self.used = len(ladder) + len(others)
        self.negative_open = False
        for side in range(SIDES_MAX):
            self.negative_mv[side] = 0
            self.current_da[side] = NOT_KNOWN_MV
        self._afresh = True

    @micropython.native
    def update(self, inputs):
        """One step: take the new readings in. NO_NEWS, NEW_READING, or NEW_FAULT when a fault came or went."""
        self._step = step = (self._step + 1) & _STEP_MASK
        reading = inputs.reading
        taken = self._reading
        since = self._since
        order = self.order
        news = NO_NEWS
        if self._afresh:
            self._afresh = False
            news = NEW_READING
        for i in range(self.used):
            n = order[i]
            count = reading[n]
            if count != taken[n]:
                taken[n] = count
                since[n] = step
                new = self._take(inputs, n)
                if new > news:
                    news = new
            elif (step - since[n]) & _STEP_MASK >= _SILENT_STEPS:
                since[n] = (step - _SILENT_STEPS) & _STEP_MASK  # never so long that the difference wraps
                self._doubts[n] = _DOUBTS
                if self._doubtful(n, inputs.no_reading[n]):
                    news = NEW_FAULT
        return news

    @micropython.native
    def _take(self, inputs, n):
        """A new reading: is it believed? The checks are in one piece, since a call costs as much as all of them."""
        gain, shift, half, offset_mv, kind, cells = self._how[n]
        code = inputs.code[n]
        mv = (((code >> 7) * gain + (((code & 127) * gain) >> 7) + half) >> shift) + offset_mv
        doubt = SENSE_OK
        if kind == NEGATIVE:
            if not -NEGATIVE_MOST_MV <= mv <= NEGATIVE_MOST_MV:  # the heavy wire is open, or the input not on it
                doubt = SENSE_HIGH
            mv = -mv
        if mv < 0:
            mv = 0
        elif mv >= NOT_KNOWN_MV:  # the most that a status message can carry
            mv = NOT_KNOWN_MV - 1
        believed_mv = self.mv
        if cells and kind != NEGATIVE:  # else no rig applied, a plain voltmeter; or a current
            if mv < _OPEN_CELL_MV * cells:
                doubt = SENSE_OPEN
            elif mv > _HIGH_CELL_MV * cells:
                doubt = SENSE_HIGH
            else:
                below = self._below[n]
                while below >= 0 and believed_mv[below] == NOT_KNOWN_MV:
                    below = self._below[below]
                if below >= 0:
                    below_cells = self.cells[below]
                    if below_cells and mv - believed_mv[below] < _SHORTED_CELL_MV * (cells - below_cells):
                        doubt = SENSE_SHORTED
        if not doubt and self.stuck[n]:
            doubt = SENSE_STUCK
        if doubt:
            self._doubts[n] += 1
            if self._doubts[n] < _DOUBTS:
                inputs.again = n
            return NEW_FAULT if self._doubtful(n, doubt) else NO_NEWS
        self._doubts[n] = 0
        news = NEW_READING
        if self.fault[n]:
            if self._goods[n] < _GOODS - 1:
                self._goods[n] += 1
                return NO_NEWS
            if self._loose[n] and not self.rested:
                return NO_NEWS
            self.fault[n] = SENSE_OK
            self._loose[n] = False
            news = NEW_FAULT
        believed_mv[n] = mv
        if kind:
            self._keep(n)
        return news

    def _doubtful(self, n, doubt):
        """A doubt; returns True when it has just become a fault, or another one."""
        self._goods[n] = 0
        if self._doubts[n] < _DOUBTS:
            return False
        self._doubts[n] = _DOUBTS
        if self.fault[n] == doubt:
            return False
        if self.fault[n] == SENSE_OK:
            lost_at = self._lost_at[n]
            if lost_at >= 0 and (self._step - lost_at) & _STEP_MASK < _AGAIN_STEPS:
                self._loose[n] = True
            self._lost_at[n] = self._step
        self.fault[n] = doubt
        self.mv[n] = NOT_KNOWN_MV
        if self._kind[n] != POINT:
            self._keep(n)
        return True

    def _keep(self, n):
        """A believed pack negative or current goes where it is used; an unbelieved one is as if not fitted."""
        mv = self.mv[n]
        side = self._side[n]
        if self._kind[n] == NEGATIVE:
            self.negative_mv[side] = -mv if mv != NOT_KNOWN_MV else 0
            self.negative_open = False
            for i in range(self.used):
                other = self.order[i]
                if self._kind[other] == NEGATIVE and self.fault[other] == SENSE_HIGH:
                    self.negative_open = True
        else:
            self.current_da[side] = mv // 10 if mv != NOT_KNOWN_MV else NOT_KNOWN_MV
