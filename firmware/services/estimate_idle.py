"""A side that draws no current though thrust is asked for: a dead fan, an ESC that waits or has no supply.

Where no sensor tells the current, it is believed by the demand alone, so a side without sag would be learned as one
without resistance. Here that current is held against what the string shows: a pull that leaves it where it was at
rest, or a string that jumps back up while demand stands, is no current. A string is judged as a whole, once a second.
"""

_PULL_X = 0.05  # below, a voltage is one at rest, to hold a pull against; by so much more, it is a pull
_RECOVERS_S = 4.0  # a string that is still recovering at rest goes on as before for about so long
_EARLY_S = 10.0  # how long a voltage at rest is good to judge by, and what a pull has taught is taken back
_LOST = 0.75  # of the sag: a string that rises by this much while demand stands has lost its load
_FALL_X = 0.03  # demand has not fallen by more meanwhile
_BACK = 3.0  # times the least sag that a believed pull shows: an idle side that shows so much draws again


class Idle:
    """Of one side. `idle`: no current, though it is asked for."""

    def __init__(self):
        self.start()

    def start(self):
        self.idle = False
        self._pull_s = _EARLY_S  # nothing was seen at rest
        self._ref_x = 0.0  # what was asked for while at rest
        self._rate = 0.0  # mV a second by which the string then rose
        self._x1 = self._x2 = 0.0  # asked for a second and two seconds ago

    def judge(self, sections, x, slow, stopped, dt_s):
        """Once a second; `sections`: of this side, with `mean_mv` (-1: not known), `before_mv`, `early_mv` and
        `ref_mv` of a mean cell: over this second, the last, the one before, and at rest. `x`, `slow`: mean current
        asked for, and as slow polarisation feels it; `stopped`: the step says that this side is idle."""
        least = fall = rise = fast = rate = 0.0
        seen = compared = True
        for section in sections:
            mean = section.mean_mv
            if mean < 0.0:
                continue
            if section.ref_mv < 0.0:
                seen = False
            if section.early_mv < 0.0:
                compared = False
            cells = section.cells
            least += cells * section.sag.least_mv
            fast += cells * section.sag.fast_mv
            fall += cells * (section.ref_mv - mean)
            expected = section.sag.rest_mv - section.sag.loss_mv(x, slow)
            if section.before_mv >= 0.0:
                rate += cells * (mean - section.before_mv)
            rise += cells * (mean - max(section.early_mv, expected))
        if not fast:
            seen = compared = False
        least *= x - self._ref_x
        steady = x > self._x2 - _FALL_X and x > self._x1 - _FALL_X
        self._x2 = self._x1
        self._x1 = x
        if x < _PULL_X and not stopped:
            self._pull_s = 0.0
            self._ref_x = x
            self._rate = max(rate / dt_s, 0.0)
            self.idle = False
            for section in sections:
                section.ref_mv = section.mean_mv
                section.sag.keep()
            return
        self._pull_s = min(self._pull_s + dt_s, 1e4)
        if self.idle:
            if seen and fall > _BACK * least and not stopped:
                self.idle = False
            return
        early = self._pull_s <= _EARLY_S
        fall += self._rate * self._pull_s / (1.0 + self._pull_s / _RECOVERS_S)
        dead = seen and early and x - self._ref_x >= _PULL_X and fall < least
        lost = compared and steady and x >= _PULL_X and rise > _LOST * fast * x
        if dead or lost or stopped:
            self.idle = True
            self._ref_x = 0.0
            for section in sections:
                if early:
                    section.sag.back()
                section.ref_mv = section.mean_mv
                section.rest_mv = -1.0  # begins anew, with no sag to add
