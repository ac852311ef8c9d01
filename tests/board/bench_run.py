"""A host in a bench run on the simulated board, message by message, with its beats in virtual time."""

from bench_host import ESC_IDLE_MS, HOLD_MS, Host, quick_values

from shared_proto import frames, messages, states
from shared_proto.states import BENCH_PHASES

BEAT_S = 0.05
REST_MS = 1000


def bench_values(**plain):
    """Quick settings, with the shortest rest and a brake switch."""
    return quick_values(**{"bench_rest_ms": REST_MS, "bench_cap_pm": 800, "brake": 1, "ramp_up_ms": 1000, **plain})


class BenchHost(Host):
    """A host that beats twenty times a second while it has a token and `beating` is on."""

    def __post_init__(self):
        super().__post_init__()
        self.beating = True
        self.token = self.count = self.beats = 0
        self.beat_us = 0  # when the last one was sent
        self.sent = bytearray()

    def send(self, data):
        self.sent += data
        super().send(data)

    def ride(self, seconds, slice_s=BEAT_S):
        end_us = round(self.box.now_s * 1e6) + round(seconds * 1e6)
        while round(self.box.now_s * 1e6) < end_us:
            self.beat()
            self.box.advance(min(slice_s, end_us / 1e6 - self.box.now_s))
            self.read()

    def wait_for(self, number, within_s=2.0):
        self.beat()
        return super().wait_for(number, within_s)

    def beat(self):
        if self.token and self.beating and self._fd >= 0:
            self.beats += 1
            self.beat_us = round(self.box.now_s * 1e6)
            self.send(frames.encode(messages.BENCH_BEAT.pack(0, self.token, self.beats)))

    def ask(self):
        offer = self.request(messages.BENCH_ASK)
        if offer.kind == messages.BENCH_OFFER.kind:
            self.token, self.count, self.beats = offer.token, 0, 0
        return offer

    def of_run(self, message, *values, **how):
        """The answer to a message of the run."""
        self.count += 1
        return self.request(message, self.token, self.count, *values, **how)

    def step(self, pulse_pm=400, side=1, what=states.BENCH_THRUST, time_ms=10_000):
        answer = self.of_run(messages.BENCH_STEP, what, side, pulse_pm, time_ms)
        assert answer.kind == messages.DONE.kind, states.words(states.REFUSALS, answer.reason)
        self.ride(0.1)  # the box sees lever and button let go

    @property
    def phase(self):
        return BENCH_PHASES[self.status.bench_phase][0]

    @property
    def end(self):
        return states.name(states.BENCH_ENDS, self.status.bench_end)

    def ready(self):
        """From power-on to where the arm button would arm."""
        self.ride(0.5)
        self.box.open_stop_loop()
        self.ride(0.2)
        self.box.close_stop_loop()
        self.ride(ESC_IDLE_MS / 1000 + 0.3)

    def enter(self):
        """From power-on to IDLE in a run, as a builder does it."""
        box = self.box
        self.ready()
        self.ask()
        self.ride(0.1)
        box.press_arm_button()
        self.ride(HOLD_MS / 1000 + 0.2)
        box.release_arm_button()
        self.ride(REST_MS / 1000 + 0.2)
        assert (self.state, self.phase) == ("BENCH", "IDLE")

    def hold(self, seconds, lever=True):
        """Hold to run."""
        if lever:
            self.box.move_lever(800)
        else:
            self.box.press_arm_button()
        self.ride(seconds)

    def let_go(self):
        self.box.move_lever(0)
        self.box.release_arm_button()
