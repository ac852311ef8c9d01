"""The lever: one or two tracks, perhaps a rest switch, to a demand, and whether they can be believed.

A wire that shakes gives single wrong readings, a broken one gives them all the time, and one that is about to
break something between. So each wrong reading counts up by two and each good one down by one: two in a row are
a fault (idle within 60 ms), and so is a wire that fails half of the time; a lone spike is not.
"""

import micropython
from micropython import const

from shared_proto.states import CAUSE_LEVER_RANGE, CAUSE_LEVER_TRACKS, CAUSE_NONE

_RANGE_FAULT = const(4)
_TRACKS_FAULT = const(6)
_TOP_PM = const(20)  # the last of the travel asks for full, so that full is reached with worn end points
_SWITCH_PM = const(150)  # further than this from rest, a rest switch must have opened


class Lever:
    """`pm` is what the lever asks for (0..1000), `at_rest` whether all tracks say rest, `cause` a standing fault,
    `doubtful` whether this reading was wrong, be it a spike or the first of a fault: no reason for more thrust."""

    def __init__(self):
        self.pm = 0
        self.at_rest = False
        self.doubtful = False
        self.cause = CAUSE_NONE
        # The settings as one tuple, so that a step has them all in locals at once; see `configure`.
        self._how = (True, False, 0, 0, 0, 0, 0, 1 << 16, 0, 0)
        self._out = 0
        self._apart = 0

    def configure(self, values):
        get = values.get
        two = get("lever_tracks") == 2
        a_rest_mv = get("lever_a_rest_mv")
        b_rest_mv = get("lever_b_rest_mv")
        dead_pm = get("lever_dead_pm")
        # per mille of travel for one mV, times 2**16; end points 300 mV apart or more keep products below 2**30
        a_gain = (1000 << 16) // (get("lever_a_full_mv") - a_rest_mv)
        b_gain = (1000 << 16) // (get("lever_b_full_mv") - b_rest_mv) if two else 0
        span = (1000 << 16) // (1000 - _TOP_PM - dead_pm)
        self._how = (two, get("lever_switch") == 1, a_rest_mv, a_gain, b_rest_mv, b_gain, dead_pm, span,
                     get("lever_agree_pm"), get("lever_margin_pm"))  # fmt: skip
        self.pm = 0
        self.at_rest = False
        self._out = self._apart = 0

    @micropython.native
    def update(self, a_mv, b_mv, switch_at_rest=True):
        """One step with the tracks, in mV at the ADC pins, and the rest switch (ignored when none is fitted).

        A doubtful reading never raises the demand.
        """
        two, has_switch, a_rest_mv, a_gain, b_rest_mv, b_gain, dead_pm, span, agree_pm, margin_pm = self._how
        low = high = ((a_mv - a_rest_mv) * a_gain) >> 16
        if two:
            b = ((b_mv - b_rest_mv) * b_gain) >> 16
            if b < low:
                low = b
            else:
                high = b
        out = self._out
        apart = self._apart
        doubtful = False
        if low < -margin_pm or high > 1000 + margin_pm:
            doubtful = True
            out = out + 2 if out < _RANGE_FAULT - 2 else _RANGE_FAULT
        elif out:
            out -= 1
        switched = has_switch and switch_at_rest
        if high - low > agree_pm or (switched and low > _SWITCH_PM):
            doubtful = True
            apart = apart + 2 if apart < _TRACKS_FAULT - 2 else _TRACKS_FAULT
        elif apart:
            apart -= 1
        cause = CAUSE_NONE
        if out or apart:
            # A fault stands until the count is down to nothing, so that it cannot flicker.
            cause = self.cause
            if out == _RANGE_FAULT:
                cause = CAUSE_LEVER_RANGE
            elif apart == _TRACKS_FAULT:
                cause = CAUSE_LEVER_TRACKS
        self._out = out
        self._apart = apart
        self.cause = cause
        self.doubtful = doubtful
        self.at_rest = high < dead_pm and not doubtful and (switched or not has_switch)
        pm = 0
        if low > dead_pm and not switched and not cause:
            pm = ((low - dead_pm) * span) >> 16
            if pm > 1000:
                pm = 1000
            if doubtful and pm > self.pm:
                pm = self.pm
        self.pm = pm
