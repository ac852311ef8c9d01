"""The desk with a host for bench runs: it asks, beats, readies steps, and takes a run to any of its phases."""

from desk import STEP_US, Desk, rig_values

from services.bench_requests import BenchRequests
from shared_proto import messages as m
from shared_proto import states as s

IDLE_US, FULL_US = 1000, 2000
REST_S, STEP_S, STEP_MS = 1.0, 3.0, 3000
HOLD_LEVER = 800
QUICK = {
    "esc_idle_ms": 1000,
    "arm_hold_ms": 500,
    "bench_rest_ms": round(1000 * REST_S),
    "bench_step_ms": STEP_MS,
    "bench_run_s": 60,
    "bench_cap_pm": 700,
    "ramp_up_ms": 1000,
}


class Bench(Desk):
    """The desk with a host that beats ten times a second while `beating`."""

    def __init__(self, **plain):
        super().__init__(rig_values(**{"proven": True, **QUICK, **plain}))
        self.bench = self.controller.bench
        self.tokens = iter(range(0x8765_4321, 0x9000_0000))
        self.requests = BenchRequests(self.controller, lambda: next(self.tokens))
        self.beating = True
        self.token = self.count = 0
        self.since_beat = 0

    def ask(self):
        answer = self.requests.do[m.BENCH_ASK.kind](1, ())
        if m.head(answer)[0] == m.BENCH_OFFER.kind:
            self.token, self.count = m.BENCH_OFFER.unpack(answer)[2], 0
        return answer

    def say(self, message, *values, token=None, count=None):
        """Refusal of a message of the run, None when it was taken."""
        self.count = self.count + 1 if count is None else count
        answer = self.requests.do[message.kind](7, (self.token if token is None else token, self.count, *values))
        if answer is None or m.head(answer)[0] == m.DONE.kind:
            return None
        return m.REFUSED.unpack(answer)[2]

    def thrust(self, pulse_pm, side=1, what=s.BENCH_THRUST, time_ms=STEP_MS, **how):
        return self.say(m.BENCH_STEP, what, side, pulse_pm, time_ms, **how)

    def step(self, count=1, dt_us=STEP_US):
        for _ in range(count):
            self.since_beat += 1
            if self.beating and self.token and self.since_beat >= 5:
                self.since_beat = 0
                self.say(m.BENCH_BEAT)
            super().step(1, dt_us)

    def press(self, seconds):
        self.inputs.button = True
        self.run_s(seconds)
        self.inputs.button = False
        self.step(3)

    def enter(self):
        """To IDLE, ready for a step."""
        self.test_stop()
        self.run_s(1.2)
        self.ask()
        self.run_s(0.1)
        self.press(0.6)
        self.run_s(REST_S)
        return self

    def to(self, phase):
        """To a phase of a run by its usual way."""
        if phase == s.BENCH_ASKED:
            self.test_stop()
            self.run_s(1.2)
            self.ask()
            self.step(2)
        else:
            self.enter()
            if phase == s.BENCH_IDLE:
                return self
            what = {s.BENCH_CONFIRM: s.BENCH_END_POINTS, s.BENCH_WITHHELD: s.BENCH_WITHHOLD}.get(phase, s.BENCH_THRUST)
            if phase == s.BENCH_CONFIRM:
                self.show_quiet()
                assert self.thrust(1000, what=what) is None
            else:
                assert self.thrust(200, what=what) is None
            self.step(3)
            if phase in (s.BENCH_RUNNING, s.BENCH_WITHHELD, s.BENCH_RESTING):
                self.lever_pm = HOLD_LEVER
                self.run_s(2 if phase == s.BENCH_WITHHELD else 0.5)
            if phase == s.BENCH_RESTING:
                self.lever_pm = 0
                self.step(3)
        assert self.bench.phase == phase
        return self

    def show_quiet(self, side=1):
        """A step that draws no current: the desk's cells never sag."""
        assert self.thrust(300, side) is None
        self.run_s(2.5)  # with the rest, long enough to see that the string does not recover from a load
        self.press(2.5)
        self.run_s(REST_S)

    def events_of(self, kind):
        return [e[2] for e in self.events if e[1] == kind]
