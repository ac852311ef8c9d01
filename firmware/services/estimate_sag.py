"""What one section loses under load: a fast part at once, a slow part over minutes, told apart as the ride goes on.

A mean cell of the section is taken to give, under the current `x` (in units of the side's full current),

    loaded = rest - fast * x - bend * x * (1 - x) - slow * s,        all in mV,

where `s` is the current as slow polarisation feels it (`SlowCurrent`) and `bend` what charge transfer loses more
at a part of the current than in proportion (J. A. V. Butler, T. Erdey-Gruz and M. Volmer: loss with the inverse
hyperbolic sine of the current). All four are followed by recursive least squares with forgetting, in its Kalman
form: R. E. Kalman, J. Basic Engineering 82, 35-45, 1960. Only changes of the current tell them apart, so the
rider's own steps teach them; a steady pull moves the rest voltage alone, with the others as considered
parameters (S. F. Schmidt, 1966). Floats of single precision are enough.
"""

from array import array

_NOISE = 64.0  # mV2; a mean over 1 s is better than that, but its errors are not independent from second to second
_MODEL = 0.08  # of the sag: how far this simple model may be off
_OFF = 0.2  # the same, where nothing averages it
_BLUR = 0.15  # of a change of current within one mean: spool-up is known that well
_REST_WANDER = 0.05  # mV2 a second: rest voltage recovers and falls in ways that the drift does not cover
_USE_WANDER = 0.25  # mV2 a second at full current
_WANDER = 0.0003  # relative variance a second of fast and slow while current flows: 30 % in five minutes
_COUNT = 576.0  # mV2: what a count says about the voltage at rest, by a curve that another pack may share or not
_COUNT_S = 60.0  # its error lasts: this long makes one independent reading
_CLIP2 = 9.0  # a surprise beyond three standard deviations counts as three
_JUMP = 6  # so many clipped surprises running: not a spike, the section itself is another
_STEP = 0.05  # of full current: what has changed by less teaches nothing about sag
_FAST_DOUBT = 0.7  # relative, before anything was learned
_BELIEVED = 0.15  # relative standard deviation below which a resistance is told
_DOUBTED = 0.25  # and above which it is no longer
_SLOW_LEAST = 0.15  # of fast
_SLOW_MOST = 4.0
_BEND_DOUBT = 0.5  # of fast, before anything was learned
_BEND_MOST = 1.5


class SlowCurrent:
    """A current as slow polarisation feels it, 0 at rest, `x` after hours of `x`.

    Diffusion answers a step with the square root of time (Sand, 1901); three first-order lags, weighted by the
    square root of their time constants, follow that from seconds to ten minutes. Nothing here is fitted to a cell.
    """

    TAUS_S = (8.0, 40.0, 200.0)
    WEIGHTS = (0.121, 0.271, 0.608)
    KEPT_10S = (0.2865, 0.7788, 0.9512)  # exp(-10 s / tau)

    def __init__(self):
        self.lags = [0.0, 0.0, 0.0]
        self.value = 0.0

    def update(self, x, dt_s):
        """Pass the mean current `x` of the last `dt_s` seconds."""
        lags = self.lags
        value = 0.0
        for k in range(3):
            lag = lags[k]
            lag += (x - lag) * (dt_s / (self.TAUS_S[k] + dt_s))
            lags[k] = lag
            value += self.WEIGHTS[k] * lag
        self.value = value

    def after_10s(self, x):
        """`value` after ten more seconds of `x`."""
        value = 0.0
        for k in range(3):
            kept = self.KEPT_10S[k]
            value += self.WEIGHTS[k] * (self.lags[k] * kept + x * (1.0 - kept))
        return value

    def set(self, lags):
        """Take over three lags, as from a snapshot."""
        value = 0.0
        for k in range(3):
            self.lags[k] = lags[k]
            value += self.WEIGHTS[k] * lags[k]
        self.value = value


class Sag:
    """`fast_mv`, `slow_mv`, `bend_mv`: see above; `rest_mv`: at rest, below 0 while not known."""

    def __init__(self):
        self._kept = array("f", [0.0] * 6)
        self.start(150.0, 10.0, 1500.0)

    def start(self, fast_mv, least_mv, most_mv):
        """Forget all; begin with a guess, and keep within the bounds."""
        self.least_mv = least_mv
        self.most_mv = most_mv
        self.rest_mv = -1.0
        self._guess_mv = fast_mv
        self.learned(fast_mv, fast_mv, 0.0, _FAST_DOUBT)

    def learned(self, fast_mv, slow_mv, bend_mv, doubt):
        """Take over what is known, `doubt` being its relative standard deviation."""
        self.fast_mv = fast_mv
        self.slow_mv = slow_mv
        self.bend_mv = bend_mv
        self._clips = 0
        self._told = False
        self._p11 = (doubt * fast_mv) ** 2
        self._p22 = (max(doubt, 0.2) * slow_mv) ** 2
        self._p33 = (min(doubt, _BEND_DOUBT) * fast_mv) ** 2
        self._p12 = self._p13 = self._p23 = 0.0
        self.open(25.0)
        self._bound()
        self.keep()

    def open(self, variance):
        """The rest voltage may be another now; what it taught about sag stays."""
        self._p00 = variance
        self._p01 = self._p02 = self._p03 = 0.0

    def keep(self):
        """Remember what is known, in case what comes next turns out to have been no current."""
        kept = self._kept
        kept[0] = self.fast_mv
        kept[1] = self.slow_mv
        kept[2] = self.bend_mv
        kept[3] = self._p11
        kept[4] = self._p22
        kept[5] = self._p33

    def back(self):
        """To what `keep` remembered; how fast, slow and bend hang together is forgotten, and so is the voltage."""
        self.fast_mv, self.slow_mv, self.bend_mv, self._p11, self._p22, self._p33 = self._kept
        self._p12 = self._p13 = self._p23 = 0.0
        self.rest_mv = -1.0

    def loss_mv(self, x, s):
        """Sag of a cell under a current and a slow current."""
        return self.fast_mv * x + self.bend_mv * x * (1.0 - x) + self.slow_mv * s

    def error_mv(self, x, s):
        """Standard deviation of `loss_mv` (float, upper bound)."""
        z = x * (1.0 - x)
        square = self._p11 * x * x + self._p22 * s * s + self._p33 * z * z
        off = _OFF * self.loss_mv(x, s)
        return (square + off * off) ** 0.5

    def step_mv(self):
        """What a step to half of full current shows within a second, for the unit of current."""
        return self.fast_mv + 0.5 * self.bend_mv

    def doubt(self):
        """Relative standard deviation of `step_mv`."""
        return max(self._p11 + self._p13 + 0.25 * self._p33, 0.0) ** 0.5 / self.step_mv()

    def believed(self):
        """Whether enough was learned to tell `step_mv` as a resistance; with a way back of its own."""
        self._told = self.doubt() < (_DOUBTED if self._told else _BELIEVED)
        return self._told

    def update(self, cell_mv, x, slow_current, drift_mv, error_mv, blur, dt_s):
        """One second or so: mean cell voltage and current over `dt_s`, slow current (SlowCurrent, at its end), the
        expected fall of the rest voltage meanwhile and its error, and how far the current ranged."""
        s = slow_current.value
        z = x * (1.0 - x)
        fast = self.fast_mv
        slow = self.slow_mv
        sag = fast * x + self.bend_mv * z + slow * s
        if self.rest_mv < 0.0:
            self._afresh(cell_mv, sag)
            return
        rest = self.rest_mv - drift_mv
        p00 = self._p00 + dt_s * (_REST_WANDER + _USE_WANDER * x * x) + error_mv * error_mv
        if x > _STEP:
            wander = dt_s * _WANDER
            self._p11 += wander * fast * fast
            self._p22 += wander * slow * slow
            self._p33 += 0.1 * wander * fast * fast
        a = p00 - self._p01 * x - self._p02 * s - self._p03 * z
        b = self._p01 - self._p11 * x - self._p12 * s - self._p13 * z
        c = self._p02 - self._p12 * x - self._p22 * s - self._p23 * z
        d = self._p03 - self._p13 * x - self._p23 * s - self._p33 * z
        off = _MODEL * sag
        blurred = _BLUR * blur * fast
        noise = _NOISE + off * off + blurred * blurred
        total = a - b * x - c * s - d * z + noise
        if total < noise:  # rounding has spoilt the covariance: go on with its diagonal
            self._p12 = self._p13 = self._p23 = 0.0
            self.open(p00)
            return
        surprise = cell_mv - rest + sag
        square = surprise * surprise
        if square > _CLIP2 * total:
            self._clips += 1
            if self._clips >= _JUMP:
                self._afresh(cell_mv, sag)
                return
            surprise *= (_CLIP2 * total / square) ** 0.5
        else:
            self._clips = 0
        gain = a / total
        self.rest_mv = min(max(rest + gain * surprise, 500.0), 5000.0)
        self._p00 = max(p00 - gain * a, 1.0)
        self._p01 -= gain * b
        self._p02 -= gain * c
        self._p03 -= gain * d
        lags = slow_current.lags
        stepped = abs(x - lags[0]) > _STEP
        settling = abs(lags[0] - lags[1]) > _STEP
        if stepped:
            gain = b / total
            self.fast_mv = fast + gain * surprise
            self._p11 -= gain * b
            self._p12 -= gain * c
            self._p13 -= gain * d
            gain = d / total
            self.bend_mv += gain * surprise
            self._p33 -= gain * d
            self._p23 -= gain * c
        if settling:
            gain = c / total
            self.slow_mv = slow + gain * surprise
            self._p22 -= gain * c
            if not stepped:
                self._p12 -= gain * b
                self._p23 -= gain * d
        if stepped or settling:
            self._bound()

    def correct(self, astray_mv, dt_s):
        """Once a second under load: the voltage at rest seems `astray_mv` too low by what was counted. In a steady pull
        that is the only news of what is slow: what it has in common with the voltage at rest, moves with it."""
        total = self._p00 + _COUNT * _COUNT_S / dt_s
        gain = self._p00 / total
        slow = self._p02 / total
        self.rest_mv += gain * astray_mv
        self.slow_mv += slow * astray_mv
        self._p22 -= slow * self._p02
        self._p12 -= slow * self._p01
        self._p23 -= slow * self._p03
        self._p00 = max(self._p00 - gain * self._p00, 1.0)
        self._p01 -= gain * self._p01
        self._p02 -= gain * self._p02
        self._p03 -= gain * self._p03
        self._bound()

    def _afresh(self, cell_mv, sag):
        self._clips = 0
        self.rest_mv = min(max(cell_mv + sag, 500.0), 5000.0)
        self.open(25.0 + 0.25 * sag * sag)

    def _bound(self):
        fast = min(max(self.fast_mv, self.least_mv), self.most_mv)
        slow = min(max(self.slow_mv, _SLOW_LEAST * fast), _SLOW_MOST * fast)
        self.fast_mv = fast
        self.slow_mv = slow
        self.bend_mv = min(max(self.bend_mv, 0.0), _BEND_MOST * fast)
        doubted = _FAST_DOUBT * max(fast, self._guess_mv)
        square = fast * fast
        self._p11 = min(max(self._p11, 0.0004 * square), doubted * doubted)
        self._p22 = min(max(self._p22, 0.0004 * slow * slow), slow * slow)
        self._p33 = min(max(self._p33, 0.0004 * square), _BEND_DOUBT * _BEND_DOUBT * square)
