"""How much a string may still rise by itself: after a load a pack recovers for a minute and more, which hides sag.

What it rises by follows no one law, but always ever more slowly. So it rises in the time to come by no more than it
did in as much time before (common practice, no source), and that is measured while idle pulses are given.
"""

from array import array

import micropython
from micropython import const

from shared_proto.messages import NOT_KNOWN_MV, SIDES_MAX

_BLOCK_MS = const(1000)  # whose mean is taken, against noise
_BLOCKS = const(5)
_LEAST_BLOCKS = const(3)
_MOST_MV = const(30000)  # times the longest step still a small integer of the board


class Recovery:
    """`update` at each step under idle pulses, `load` when others begin."""

    def __init__(self):
        self._rise_mv = array("i", [0] * SIDES_MAX)
        self._over_ms = 0  # the time that the rise took; 0: not known
        self._sum_mv = array("i", [0] * SIDES_MAX)
        self._mean_mv = array("i", [0] * (SIDES_MAX * _BLOCKS))
        self._ms = 0
        self._count = 0
        self._blocks = 0

    def forget(self):
        self._over_ms = 0
        self.load()

    def load(self):
        """What was seen belongs to the time before; the rise itself stands until a new one is known."""
        self._blocks = 0
        self._clear_block()

    @micropython.native
    def update(self, dt_ms, top_mv, sides):
        sum_mv = self._sum_mv
        for side in range(sides):
            if top_mv[side] == NOT_KNOWN_MV:
                self.load()
                return
            sum_mv[side] += top_mv[side]
        self._count += 1
        self._ms += dt_ms
        if self._ms >= _BLOCK_MS:
            self._end_block(sides)

    def _end_block(self, sides):
        most = _BLOCKS - 1
        blocks = self._blocks
        mean_mv = self._mean_mv
        for side in range(sides):
            first = _BLOCKS * side
            if blocks > most:
                for i in range(first, first + most):
                    mean_mv[i] = mean_mv[i + 1]
            last = first + min(blocks, most)
            mean_mv[last] = self._sum_mv[side] // self._count
            if blocks + 1 >= _LEAST_BLOCKS:
                self._rise_mv[side] = min(max(0, mean_mv[last] - mean_mv[first]), _MOST_MV)
        self._blocks = min(blocks + 1, _BLOCKS)
        if self._blocks >= _LEAST_BLOCKS:
            self._over_ms = _BLOCK_MS * (self._blocks - 1)
        self._clear_block()

    def _clear_block(self):
        self._ms = self._count = 0
        for side in range(SIDES_MAX):
            self._sum_mv[side] = 0

    def most_mv(self, side, ms):
        """What a side (from 0) may rise by within `ms`, NOT_KNOWN_MV when it was not watched for long enough."""
        if self._over_ms == 0:
            return NOT_KNOWN_MV
        return self._rise_mv[side] * ms // self._over_ms
