"""What one section loses under load: a fast part at once, a slow part over minutes, told apart as the ride goes on.

A mean cell of the section is taken to give, under the current `x` (in units of the side's full current),

    loaded = rest - fast * x - slow * s,        all in mV,

where `s` is the current as slow polarisation feels it (`SlowCurrent`). Rest, fast and slow are followed by
recursive least squares with forgetting, in its Kalman form: R. E. Kalman, J. Basic Engineering 82, 35-45, 1960.
Only changes of the current tell fast and slow from rest, so the rider's own steps teach it and a steady pull
does not. Floats of single precision are enough.
"""

_NOISE = 64.0  # mV2; a mean over 1 s is better than that, but its errors are not independent from second to second
_MODEL = 0.08  # of the sag: how far this simple model may be off
_BLUR = 0.15  # of a change of current within one mean: spool-up is known that well
_REST_WANDER = 0.05  # mV2 a second: rest voltage recovers and falls in ways that the drift does not cover
_USE_WANDER = 0.25  # mV2 a second at full current
_DRIFT_ERROR = 0.6  # of the expected fall of the rest voltage
_WANDER = 0.0003  # relative variance a second of fast and slow while current flows: 30 % in five minutes
_CLIP2 = 9.0  # a surprise beyond three standard deviations counts as three
_JUMP = 6  # so many clipped surprises running: not a spike, the section itself is another
_FAST_DOUBT = 0.7  # relative, before anything was learned
_BELIEVED = 0.15  # relative standard deviation below which a resistance is told
_SLOW_LEAST = 0.15  # of fast
_SLOW_MOST = 4.0


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
    """`fast_mv`, `slow_mv`: what a cell loses at full current; `rest_mv`: at rest, below 0 while not known."""

    def __init__(self):
        self.start(150.0, 10.0, 1500.0)

    def start(self, fast_mv, least_mv, most_mv):
        """Forget all; begin with a guess, and keep within the bounds."""
        self.least_mv = least_mv
        self.most_mv = most_mv
        self.rest_mv = -1.0
        self._cap = (_FAST_DOUBT * fast_mv) ** 2
        self.learned(fast_mv, fast_mv, _FAST_DOUBT)

    def learned(self, fast_mv, slow_mv, doubt):
        """Take over what is known, `doubt` being its relative standard deviation."""
        self.fast_mv = fast_mv
        self.slow_mv = slow_mv
        self._clips = 0
        self._p11 = (doubt * fast_mv) ** 2
        self._p22 = (max(doubt, 0.2) * slow_mv) ** 2
        self._bound()
        self.open(25.0)

    def open(self, variance):
        """The rest voltage may be another now; what it taught about sag stays."""
        self._p00 = variance
        self._p01 = self._p02 = self._p12 = 0.0

    def doubt(self):
        """Relative standard deviation of the fast part."""
        return (self._p11**0.5) / self.fast_mv

    def believed(self):
        """Whether enough was learned to tell the fast part as a resistance."""
        return self._p11 < (_BELIEVED * self.fast_mv) ** 2

    def update(self, cell_mv, x, s, drift_mv, blur, dt_s):
        """One second or so: mean cell voltage and current over `dt_s`, slow current, the expected fall of the
        rest voltage meanwhile, and how far the current ranged."""
        fast = self.fast_mv
        slow = self.slow_mv
        sag = fast * x + slow * s
        if self.rest_mv < 0.0:
            self.rest_mv = cell_mv + sag
            self.open(25.0 + 0.25 * sag * sag)
            return
        rest = self.rest_mv - drift_mv
        error = _DRIFT_ERROR * drift_mv
        p00 = self._p00 + dt_s * (_REST_WANDER + _USE_WANDER * x * x) + error * error
        p11 = self._p11
        p22 = self._p22
        if x > 0.05:
            p11 += dt_s * _WANDER * fast * fast
            p22 += dt_s * _WANDER * slow * slow
        p01 = self._p01
        p02 = self._p02
        p12 = self._p12
        a = p00 - p01 * x - p02 * s
        b = p01 - p11 * x - p12 * s
        c = p02 - p12 * x - p22 * s
        off = _MODEL * sag
        blurred = _BLUR * blur * fast
        noise = _NOISE + off * off + blurred * blurred
        total = a - b * x - c * s + noise
        if total < noise:  # rounding has spoilt the covariance: go on with its diagonal
            p01 = p02 = p12 = 0.0
            a = p00
            b = -p11 * x
            c = -p22 * s
            total = a - b * x - c * s + noise
        surprise = cell_mv - rest + sag
        square = surprise * surprise
        if square > _CLIP2 * total:
            self._clips += 1
            if self._clips >= _JUMP:
                self._clips = 0
                self.rest_mv = cell_mv + sag
                self.open(25.0 + 0.25 * sag * sag)
                return
            surprise *= (_CLIP2 * total / square) ** 0.5
        else:
            self._clips = 0
        y = surprise / total
        self.rest_mv = min(max(rest + a * y, 500.0), 5000.0)
        self.fast_mv = fast + b * y
        self.slow_mv = slow + c * y
        a_part = a / total
        b_part = b / total
        self._p00 = max(p00 - a_part * a, 1.0)
        self._p01 = p01 - a_part * b
        self._p02 = p02 - a_part * c
        self._p11 = p11 - b_part * b
        self._p12 = p12 - b_part * c
        self._p22 = p22 - c * c / total
        self._bound()

    def _bound(self):
        fast = min(max(self.fast_mv, self.least_mv), self.most_mv)
        slow = min(max(self.slow_mv, _SLOW_LEAST * fast), _SLOW_MOST * fast)
        self.fast_mv = fast
        self.slow_mv = slow
        doubted = _FAST_DOUBT * fast
        self._p11 = min(max(self._p11, 0.0004 * fast * fast), max(self._cap, doubted * doubted))
        self._p22 = min(max(self._p22, 0.0004 * slow * slow), slow * slow)
