"""What a host may ask of a bench run, held to the token, the count and the limits of the box.

Each run has a token that only the host which asked for it knows, and each of its messages a count above all
before, so a message of another run, or one that was recorded and comes again, does nothing. Beats count by
themselves: they come between a request and its retry. None of the messages moves a fan: a step that was readied
runs only while somebody at the box holds it.
"""

from core.bench import SILENT_MS
from shared_proto import messages as m
from shared_proto.states import (
    BENCH_END_POINTS,
    BENCH_KINDS,
    BENCH_NONE,
    BENCH_THRUST,
    BENCH_WITHHOLD,
    REFUSE_NOT_LOCKED,
    REFUSE_NOT_NOW,
    REFUSE_NOT_OF_THIS_RUN,
    REFUSE_NOT_QUIET,
    REFUSE_OUT_OF_RANGE,
)

_SHORTEST_MS = 500


class BenchRequests:
    """`do`: kind of message -> what answers it. `random32` gives 32 random bits."""

    def __init__(self, controller, random32):
        self._controller = controller
        self._bench = controller.bench
        self._random32 = random32
        self._token = 0  # 0: no run
        self._beat_count = 0
        self._count = 0  # of all but beats
        self.do = {
            m.BENCH_ASK.kind: self._ask,
            m.BENCH_BEAT.kind: self._beat,
            m.BENCH_STEP.kind: self._step,
            m.BENCH_DROP.kind: self._drop,
            m.BENCH_END.kind: self._end,
        }

    def _ask(self, number, _):
        bench = self._bench
        if not self._controller.is_locked():
            return m.REFUSED.pack(number, REFUSE_NOT_LOCKED)
        self._token = 0
        while self._token == 0:
            self._token = self._random32()
        self._beat_count = self._count = 0
        bench.take_ask(self._token)
        return m.BENCH_OFFER.pack(number, self._token, *bench.cap_pm, bench.low_pm, bench.step_ms, bench.run_s,
                                  bench.rest_ms, SILENT_MS)

    def _of_this_run(self, token):
        bench = self._bench
        if bench.phase == BENCH_NONE and not bench.order:
            self._token = 0  # that run is over
        return self._token != 0 and token == self._token

    def _beat(self, number, fields):
        token, count = fields
        if not self._of_this_run(token) or count <= self._beat_count:
            return m.REFUSED.pack(number, REFUSE_NOT_OF_THIS_RUN)
        self._beat_count = count
        self._bench.take_beat()
        return None

    def _not_ours(self, number, token, count):
        """The refusal of a message that does not belong to the run, else None."""
        if not self._of_this_run(token) or count <= self._count:
            return m.REFUSED.pack(number, REFUSE_NOT_OF_THIS_RUN)
        self._count = count
        return None

    def _step(self, number, fields):
        token, count, what, side, pulse_pm, time_ms = fields
        bench = self._bench
        refusal = self._not_ours(number, token, count)
        if refusal:
            return refusal
        if not bench.may_step():
            return m.REFUSED.pack(number, REFUSE_NOT_NOW)
        if what >= len(BENCH_KINDS) or side > bench.sides or not _SHORTEST_MS <= time_ms <= bench.step_ms:
            return m.REFUSED.pack(number, REFUSE_OUT_OF_RANGE)
        least_pm, most_pm = 1, bench.most_pm(side)
        if what == BENCH_WITHHOLD:
            most_pm = min(most_pm, bench.low_pm)
        elif what == BENCH_END_POINTS:
            least_pm = most_pm = 1000
        if (what != BENCH_THRUST and side == 0) or not least_pm <= pulse_pm <= most_pm:
            return m.REFUSED.pack(number, REFUSE_OUT_OF_RANGE)
        if what == BENCH_END_POINTS and not bench.is_quiet(side - 1):
            return m.REFUSED.pack(number, REFUSE_NOT_QUIET)
        bench.take_step(what, side, pulse_pm, time_ms)
        return m.DONE.pack(number)

    def _drop(self, number, fields):
        refusal = self._not_ours(number, *fields)
        if refusal:
            return refusal
        self._bench.take_drop()
        return m.DONE.pack(number)

    def _end(self, number, fields):
        refusal = self._not_ours(number, *fields)
        if refusal:
            return refusal
        self._bench.take_end()
        return m.DONE.pack(number)
