"""Charge left in one string: by the voltage at rest of its best section and by counting, fused; less what its
weakest section has less than the best, by their voltages, in which the error of the curve cancels.

A Kalman filter over the charge and over how much more is used than the stated capacity and current say: one factor,
so the error of a count grows with the count, and a voltage that falls slower than foretold teaches the factor.
Voltage is trusted where its curve is steep and the sag that was added back is small; what lies within its own
uncertainty teaches nothing while counting can be trusted.
"""

# Open-circuit voltage of a lithium-polymer cell charged to 4.2 V against charge left:
# -0.852 exp(-63.867 s) + 3.6297 + 0.559 s - 0.51 s^2 + 0.508 s^3 volts,
# T. Kim, W. Qiao, IEEE Trans. Energy Conversion 26(4), 2011. A test holds the table to the formula.
OCV_PM = (0, 10, 20, 30, 50, 75, 100, 150, 200, 300, 400, 500, 600, 700, 800, 900, 1000)
OCV_MV = (2778, 3185, 3403, 3521, 3621, 3662, 3680, 3704, 3725, 3765, 3804, 3845, 3891, 3945, 4011, 4090, 4187)

_CURVE_MV = 12.0  # standard deviation between this curve and a given pack's, where it is flat (common practice)
_MEMORY_S = 60.0  # errors of the voltage persist: this long makes one independent reading
_SENSOR_ERROR = 0.05  # of what was counted: capacity and sensor
_TABLE_ERROR = 0.12  # capacity and measured curve
_GUESS_ERROR = 1.0  # capacity only guessed
_LEARNED_ERROR = 0.3  # relative, from which on a capacity learned from the voltage is good enough to tell minutes
_FACTOR_LEAST, _FACTOR_MOST = 0.05, 4.0
_FACTOR_VAR = 0.0004  # least variance: a factor is never that sure
_LEAST_VAR = 100.0  # per mille squared
_SAME_MV = 5.0  # standard deviation of one pack's voltage at rest from day to day: warmth, sensing (common practice)
_REST_X = 0.02
_REST_S = 20.0  # at rest for this long, a voltage that contradicts the count wins: another pack, another ride
_DRIFT_ERROR = 0.6  # of the fall of the rest voltage that counting foretells, by the slope of the curve
_DRIFT_GUESS = 2.0  # the same where capacity or current is a guess; it lasts, so it counts for more than itself
_UPPER_PM = 500.0  # above, the voltage at rest is held against the count
_EMPTY_PM = 100.0  # where minutes end: below, cutback has taken most of the thrust (common practice, no source)
_USE_S = 180.0  # over which use is averaged
_USE_SEEN_S = 30.0
_GUESS_S = 480.0  # full current empties a string in about this time (common practice, no source)
_APART_MV = 10.0  # sections that differ by less are equal, as far as sensing can tell
_APART_S = 30.0


def charge_at(mv):
    """Charge (float, 0..1000 per mille) at an open-circuit voltage in mV."""
    if mv <= OCV_MV[0]:
        return 0.0
    k = 1
    last = len(OCV_MV) - 1
    while k < last and mv > OCV_MV[k]:
        k += 1
    low = OCV_MV[k - 1]
    pm = OCV_PM[k - 1] + (OCV_PM[k] - OCV_PM[k - 1]) * (mv - low) / (OCV_MV[k] - low)
    return min(pm, 1000.0)


def slope_at(pm):
    """Slope of the open-circuit voltage, mV for each per mille of charge, at `pm`."""
    k = 1
    last = len(OCV_PM) - 1
    while k < last and pm > OCV_PM[k]:
        k += 1
    return (OCV_MV[k] - OCV_MV[k - 1]) / (OCV_PM[k] - OCV_PM[k - 1])


def ocv_at(pm):
    """Open-circuit voltage in mV (float) at a charge of 0..1000 per mille."""
    k = 1
    last = len(OCV_PM) - 1
    while k < last and pm > OCV_PM[k]:
        k += 1
    return OCV_MV[k - 1] + (OCV_MV[k] - OCV_MV[k - 1]) * (pm - OCV_PM[k - 1]) / (OCV_PM[k] - OCV_PM[k - 1])


class Charge:
    """`pm`: charge left in the best section, per mille, below 0 while not known.

    Currents `x` are in units of the side's full current.
    """

    def __init__(self):
        self.start(0.0)

    def start(self, full_s):
        """Forget all. `full_s`: seconds in which full current empties the string, 0 when not known."""
        self.pm = -1.0
        self.var = 0.0
        self._behind = -1.0  # of the weakest section behind the best, per mille; below 0 before it was seen
        self._rest_mv = -1.0  # at rest, as last seen
        self._error_mv = 0.0
        self._kept_pm = -1.0
        self._kept_var = 0.0
        self._kept_mv = -1.0
        self._kept_error_mv = 0.0
        self._sure = False
        self._factor = 1.0
        self._factor_var = 0.0
        self._both = 0.0  # covariance of charge and factor
        self._rest_s = 0.0
        self._use = 0.0
        self._use_weight = 0.0
        self._full_s = _GUESS_S
        self.stated(full_s)

    def stated(self, full_s, sensed=False):
        """As in `start`, when it becomes known or unknown on the way; `sensed`: current by a sensor."""
        self._known = full_s > 0.0
        error = _GUESS_ERROR
        if self._known:
            self._full_s = min(max(full_s, 10.0), 1e6)
            error = _SENSOR_ERROR if sensed else _TABLE_ERROR
        self._factor = 1.0
        self._factor_var = error * error
        self._both = 0.0

    def known(self):
        """Whether capacity and current are stated, or learned well enough."""
        return self._known or self._factor_var < (_LEARNED_ERROR * self._factor) ** 2

    def keep(self, pm, std_pm, rest_mv=-1.0, error_mv=0.0):
        """Continue from this charge if the first voltage at rest agrees with it.

        `rest_mv`: the voltage at rest that went with it, `error_mv` its standard deviation. One pack shows the same
        again, however far its curve is from the one that is known here, so this tells another pack far better than
        the charge does where the curve is flat. Below 0: nothing but the charge is held against the voltage, as
        after a reset in mid-ride: no pack is changed in that time, and it is still polarised.
        """
        self._kept_pm = min(max(pm, 0.0), 1000.0)
        self._kept_var = max(std_pm * std_pm, _LEAST_VAR)
        self._kept_mv = rest_mv
        self._kept_error_mv = error_mv
        self._sure = False

    def go_on(self, pm, std_pm):
        """Continue from this charge of a moment ago, whatever the first voltage says: the packs are the same."""
        self.keep(pm, max(std_pm, self._kept_var**0.5))
        self._sure = True

    def to_keep(self):
        """What `keep` takes, as whole numbers for a snapshot: charge (65535: nothing is known), its doubt in
        4 per mille, voltage at rest (0: not known), its doubt. A charge kept from before goes on as it came while no
        voltage has been seen."""
        pm = self.pm
        var = self.var
        rest_mv = self._rest_mv
        error_mv = self._error_mv
        if pm < 0.0:
            pm = self._kept_pm
            var = self._kept_var
            rest_mv = self._kept_mv
            error_mv = self._kept_error_mv
        return (
            int(pm + 0.5) if pm >= 0.0 else 0xFFFF, min(int(var**0.5 / 4.0) + 1, 255),
            min(max(int(rest_mv + 0.5), 0), 6000), min(int(error_mv + 0.5), 255))

    def step_pm(self, x, dt_s):
        """Charge (per mille) that `x` takes in `dt_s` seconds."""
        return self._factor * 1000.0 * x * dt_s / self._full_s

    def fall_mv(self, x, dt_s):
        """How far a cell's voltage at rest falls meanwhile."""
        return slope_at(self.pm if self.pm >= 0.0 else 500.0) * self.step_pm(x, dt_s)

    def fall_error(self):
        """Relative standard deviation of `fall_mv`."""
        return _DRIFT_ERROR if self._known else _DRIFT_GUESS

    def astray_mv(self, rest_mv):
        """How far a voltage at rest is from what the count says, beyond what the curve and the count may be off; 0
        where neither is good enough to tell: capacity unknown, or below half, where a worn pack's count is too high."""
        if not self._known or self.pm < _UPPER_PM:
            return 0.0
        apart = ocv_at(self.pm) - rest_mv
        dead = 2.0 * _CURVE_MV + slope_at(self.pm) * self.var**0.5
        return apart - dead if apart > dead else apart + dead if apart < -dead else 0.0

    def count(self, x, dt_s):
        """Take off what flowed."""
        kept = 1.0 / (1.0 + dt_s / _USE_S)
        self._use = self._use * kept + x * (1.0 - kept)
        self._use_weight = self._use_weight * kept + 1.0 - kept
        self._rest_s = min(self._rest_s + dt_s, 1e4) if x < _REST_X else 0.0
        if self.pm < 0.0:
            return
        self.pm = max(self.pm - self.step_pm(x, dt_s), 0.0)
        step = 1000.0 * x * dt_s / self._full_s
        self.var = min(max(self.var + step * (step * self._factor_var - 2.0 * self._both), 1.0), 90000.0)
        self._both -= step * self._factor_var
        most = 0.99 * (self.var * self._factor_var) ** 0.5
        self._both = min(max(self._both, -most), most)

    def see(self, rest_mv, error_mv, dt_s):
        """Weigh in the voltage at rest of the best section's mean cell; `error_mv`: standard deviation of the sag
        that was added back to it."""
        self._rest_mv = rest_mv
        self._error_mv = error_mv
        mv = _CURVE_MV + error_mv
        seen = charge_at(rest_mv)
        std = max(0.5 * (charge_at(rest_mv + mv) - charge_at(rest_mv - mv)), 5.0)
        if self.pm < 0.0:
            self._first(seen, std, rest_mv, error_mv)
            return
        apart = seen - self.pm
        dead = std if self._known else 0.0
        if self._rest_s > _REST_S and apart * apart > 9.0 * std * std + 9.0 * self.var:
            self.var = apart * apart
            self._both = 0.0
        if apart > dead:
            apart -= dead
        elif apart < -dead:
            apart += dead
        else:
            apart = 0.0
        total = self.var + std * std * _MEMORY_S / dt_s
        gain = self.var / total
        self.pm = min(max(self.pm + gain * apart, 0.0), 1000.0)
        if not self._known:
            learned = self._both / total
            self._factor = min(max(self._factor + learned * apart, _FACTOR_LEAST), _FACTOR_MOST)
            self._factor_var = max(self._factor_var - learned * self._both, _FACTOR_VAR)
            self._both *= 1.0 - gain
        if apart != 0.0 or not self._known:
            self.var = max(self.var * (1.0 - gain), _LEAST_VAR)

    def compare(self, best_mv, weakest_mv, dt_s):
        """Weigh in how far the weakest section's voltage at rest is behind the best one's."""
        apart = max(charge_at(best_mv - _APART_MV) - charge_at(weakest_mv), 0.0)
        if self._behind < 0.0:
            self._behind = apart
        self._behind += (apart - self._behind) * (dt_s / (_APART_S + dt_s))

    def left_pm(self):
        """Charge left in the weakest section, per mille; below 0 while not known."""
        return max(self.pm - max(self._behind, 0.0), 0.0) if self.pm >= 0.0 else -1.0

    def _first(self, seen, std, rest_mv, error_mv):
        apart = seen - self._kept_pm
        same = self._kept_pm >= 0.0 and apart * apart <= 9.0 * (std * std + self._kept_var)
        wider = 0.0
        if same and self._kept_mv >= 0.0:
            apart_mv = rest_mv - self._kept_mv
            doubt_mv = self._kept_error_mv + error_mv
            same = apart_mv * apart_mv <= 9.0 * (_SAME_MV * _SAME_MV + doubt_mv * doubt_mv)
            wider = seen - charge_at(self._kept_mv)  # by what it may be another after all
        if same or self._sure:
            gain = wider * wider / (wider * wider + std * std)
            self.pm = self._kept_pm + gain * (seen - self._kept_pm)
            self.var = self._kept_var + (1.0 - gain) * wider * wider
        else:
            self.pm = seen
            self.var = std * std + _LEAST_VAR
        self._both = 0.0

    def minutes(self):
        """Minutes (float) until the string is as good as empty at the mean use of the last minutes; below 0 when
        nothing can be said."""
        weight = self._use_weight
        if self.pm < 0.0 or weight < _USE_SEEN_S / _USE_S or not self.known():
            return -1.0
        use = self._use / weight
        if use < 0.002:
            return -1.0
        return max(self.left_pm() - _EMPTY_PM, 0.0) * 0.001 * self._full_s / (self._factor * use) / 60.0
