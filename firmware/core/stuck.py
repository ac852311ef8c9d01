"""A sense input that reads one and the same code while thrust changes and others follow: stuck in its ADC.

A quiet pack may read the same code for minutes, so nothing is said at rest, nor of a box that drives no fan: what
counts is that others moved and this one did not, not by a single count. A whole side that stands still is taken for
stuck, too: it may be a dead fan on a pack without any noise, and ends in no thrust either way. So is a box none of
whose inputs changes by a count for a minute of thrust: any pack that gives current falls by more than that.
"""

import micropython
from micropython import const

from shared_proto.messages import SENSES_MAX
from shared_proto.states import SENSE_OK

_MOVED_PM = const(300)  # of demand
_MOVED_COUNTS = const(24)  # of another input; the noise of a good converter is a count or two
_SETTLE_MS = const(1000)  # after demand has moved
_AGAIN_MS = const(5000)  # without a move, look from here on
_FLOWS_PM = const(400)  # from this demand on any side takes charge: 8 A for a minute are 1 mV a cell of 100 Ah
_DEAD_LOOKS = const(12)  # in a row, a minute


class Stuck:
    """Sets `sense.stuck[n]`; it goes when the input's code changes."""

    def __init__(self):
        self._code = [0] * SENSES_MAX  # where this look began
        self._same = [False] * SENSES_MAX  # has read that code ever since
        self._pm = 0
        self._ms = 0
        self._moved_ms = 0
        self._dead = 0  # looks in a row at flowing current in which nothing changed

    def configure(self, values):
        self._dead = 0
        self._ms = _AGAIN_MS  # begins afresh with the next look

    @micropython.native
    def update(self, dt_ms, demand_pm, inputs, sense):
        """A look, some ten times a second."""
        moved = False  # an input that is believed has followed
        for i in range(sense.used):
            n = sense.order[i]
            away = inputs.code[n] - self._code[n]
            if away:
                self._same[n] = False
                sense.stuck[n] = False
                if (away >= _MOVED_COUNTS or away <= -_MOVED_COUNTS) and sense.fault[n] == SENSE_OK:
                    moved = True
        self._ms += dt_ms
        moved_pm = demand_pm - self._pm
        if -_MOVED_PM < moved_pm < _MOVED_PM:
            if self._ms >= _AGAIN_MS:
                self._look_for_life(demand_pm, sense)
                self._begin(demand_pm, inputs, sense)
            return
        self._dead = 0
        self._moved_ms += dt_ms
        if self._moved_ms < _SETTLE_MS:
            return
        for i in range(sense.used):
            n = sense.order[i]
            if self._same[n] and moved:
                sense.stuck[n] = True
        self._begin(demand_pm, inputs, sense)

    def _look_for_life(self, demand_pm, sense):
        """At the end of a look without a move: has anything changed at all?"""
        alive = demand_pm < _FLOWS_PM
        for i in range(sense.used):
            if not self._same[sense.order[i]]:
                alive = True
        self._dead = 0 if alive else self._dead + 1
        if self._dead >= _DEAD_LOOKS:
            self._dead = 0
            for i in range(sense.used):
                sense.stuck[sense.order[i]] = True

    def _begin(self, demand_pm, inputs, sense):
        self._pm = demand_pm
        self._ms = self._moved_ms = 0
        for i in range(sense.used):
            n = sense.order[i]
            self._code[n] = inputs.code[n]
            self._same[n] = True
