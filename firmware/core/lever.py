"""The lever: one or two tracks, perhaps a rest switch, to a demand, and whether they can be believed.

A wire that shakes gives single wrong readings, a broken one gives them all the time, and one that is about to
break something between. So each wrong reading counts up by two and each good one down by one: two in a row are
a fault (idle within 60 ms), and so is a wire that fails half of the time; a lone spike is not.
"""

import micropython

from shared_proto.states import CAUSE_LEVER_RANGE, CAUSE_LEVER_TRACKS, CAUSE_NONE

_RANGE_FAULT = 4
_TRACKS_FAULT = 6
_TOP_PM = 20  # the last of the travel asks for full, so that full is reached with worn end points
_SWITCH_PM = 150  # further than this from rest, a rest switch must have opened


class Lever:
    """`pm` is what the lever asks for (0..1000), `at_rest` whether all tracks say rest, `cause` a standing fault."""

    def __init__(self):
        self.pm = 0
        self.at_rest = False
        self.cause = CAUSE_NONE
        self._two = True
        self._switch = False
        self._a_rest_mv = 0
        self._b_rest_mv = 0
        self._a_gain = 0
        self._b_gain = 0
        self._dead_pm = 0
        self._span = 1 << 16
        self._agree_pm = 0
        self._margin_pm = 0
        self._out = 0
        self._apart = 0

    def configure(self, values):
        get = values.get
        self._two = get("lever_tracks") == 2
        self._switch = get("lever_switch") == 1
        self._a_rest_mv = get("lever_a_rest_mv")
        self._b_rest_mv = get("lever_b_rest_mv")
        # per mille of travel for one mV, times 2**16; end points 300 mV apart or more keep products below 2**30
        self._a_gain = (1000 << 16) // (get("lever_a_full_mv") - self._a_rest_mv)
        self._b_gain = (1000 << 16) // (get("lever_b_full_mv") - self._b_rest_mv) if self._two else 0
        self._dead_pm = get("lever_dead_pm")
        self._span = (1000 << 16) // (1000 - _TOP_PM - self._dead_pm)
        self._agree_pm = get("lever_agree_pm")
        self._margin_pm = get("lever_margin_pm")
        self.pm = 0
        self.at_rest = False
        self._out = self._apart = 0

    @micropython.native
    def update(self, a_mv, b_mv, switch_at_rest=True):
        """One step with the tracks, in mV at the ADC pins, and the rest switch (ignored when none is fitted).

        A doubtful reading never raises the demand.
        """
        a = ((a_mv - self._a_rest_mv) * self._a_gain) >> 16
        b = ((b_mv - self._b_rest_mv) * self._b_gain) >> 16 if self._two else a
        low = a if a < b else b
        high = b if a < b else a
        doubtful = False
        if low < -self._margin_pm or high > 1000 + self._margin_pm:
            doubtful = True
            self._out = self._out + 2 if self._out < _RANGE_FAULT - 2 else _RANGE_FAULT
        elif self._out:
            self._out -= 1
        switched = self._switch and switch_at_rest
        if high - low > self._agree_pm or (switched and low > _SWITCH_PM):
            doubtful = True
            self._apart = self._apart + 2 if self._apart < _TRACKS_FAULT - 2 else _TRACKS_FAULT
        elif self._apart:
            self._apart -= 1
        # A fault stands until the count is down to nothing, so that it cannot flicker.
        if self._out == _RANGE_FAULT:
            self.cause = CAUSE_LEVER_RANGE
        elif self._apart == _TRACKS_FAULT:
            self.cause = CAUSE_LEVER_TRACKS
        elif not self._out and not self._apart:
            self.cause = CAUSE_NONE
        at_rest = high < self._dead_pm and not doubtful
        if self._switch and not switch_at_rest:
            at_rest = False
        self.at_rest = at_rest
        pm = 0
        if low > self._dead_pm and not switched:
            pm = ((low - self._dead_pm) * self._span) >> 16
            if pm > 1000:
                pm = 1000
        if self.cause != CAUSE_NONE:
            pm = 0
        elif doubtful and pm > self.pm:
            pm = self.pm
        self.pm = pm
