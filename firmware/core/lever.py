"""The lever: one or two tracks to a demand, and whether they can be believed."""

from shared_proto.states import CAUSE_LEVER_RANGE, CAUSE_LEVER_TRACKS, CAUSE_NONE

_RANGE_STEPS = 2  # steps outside the window that make a fault: idle within 60 ms, a single spike does not
_TRACKS_STEPS = 3
_TOP_PM = 20  # the last of the travel asks for full, so that full is reached with worn end points


class Lever:
    """`pm` is what the lever asks for (0..1000), `at_rest` whether all tracks say rest, `cause` a standing fault."""

    def __init__(self):
        self.pm = 0
        self.at_rest = False
        self.cause = CAUSE_NONE
        self._two = True
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

    def update(self, a_mv, b_mv):
        """One step with the two tracks, in mV at the ADC pins. A doubtful reading never raises the demand."""
        a = ((a_mv - self._a_rest_mv) * self._a_gain) >> 16
        b = ((b_mv - self._b_rest_mv) * self._b_gain) >> 16 if self._two else a
        low = a if a < b else b
        high = b if a < b else a
        if low < -self._margin_pm or high > 1000 + self._margin_pm:
            self._out = min(self._out + 1, _RANGE_STEPS)
        else:
            self._out = 0
        if high - low > self._agree_pm:
            self._apart = min(self._apart + 1, _TRACKS_STEPS)
        else:
            self._apart = 0
        if self._out == _RANGE_STEPS:
            self.cause = CAUSE_LEVER_RANGE
        elif self._apart == _TRACKS_STEPS:
            self.cause = CAUSE_LEVER_TRACKS
        else:
            self.cause = CAUSE_NONE
        doubtful = self._out > 0 or self._apart > 0
        self.at_rest = high < self._dead_pm and not doubtful
        pm = 0
        if low > self._dead_pm:
            pm = ((low - self._dead_pm) * self._span) >> 16
            if pm > 1000:
                pm = 1000
        if self.cause != CAUSE_NONE:
            pm = 0
        elif doubtful and pm > self.pm:
            pm = self.pm
        self.pm = pm
