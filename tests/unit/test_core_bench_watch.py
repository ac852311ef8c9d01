"""Any sequence of what a host, hands and mishaps may do in a bench run, watched from outside."""

from core_bench_desk import FULL_US, IDLE_US, REST_S, STEP_S, Bench
from desk import STEP_US
from hypothesis import example, given, settings
from hypothesis import strategies as st

from shared_proto import messages as m
from shared_proto import states as s

DOINGS = st.one_of(
    st.tuples(st.just("steps"), st.integers(1, 60)),
    st.tuples(st.just("button"), st.booleans()),
    st.tuples(st.just("lever"), st.sampled_from([0, 0, 300, 600, 800, 1000, 1500])),
    st.tuples(st.just("stop"), st.booleans()),
    st.tuples(st.just("trip"), st.none()),
    st.tuples(st.just("brake"), st.booleans()),
    st.tuples(st.just("cells"), st.sampled_from([3900, 3900, 3300, 3200, 0])),
    st.tuples(st.just("tasks"), st.sampled_from([True, True, False])),
    st.tuples(st.just("beating"), st.sampled_from([True, True, False])),
    st.tuples(st.just("late"), st.integers(1, 300_000)),
    st.tuples(st.just("ask"), st.none()),
    st.tuples(st.just("enter"), st.none()),
    st.tuples(st.just("run"), st.integers(0, 3)),
    st.tuples(
        st.just("step"),
        st.tuples(st.integers(0, 3), st.integers(0, 3), st.sampled_from([0, 1, 200, 250, 300, 700, 701, 1000, 65535]),
                  st.sampled_from([0, 499, 500, 1500, 3000, 3001, 65535])),
    ),
    st.tuples(st.just("stray"), st.tuples(st.sampled_from([m.BENCH_BEAT, m.BENCH_STEP, m.BENCH_DROP, m.BENCH_END]),
                                          st.sampled_from([0, 1, 0xFFFF_FFFF]), st.integers(0, 99))),
    st.tuples(st.just("drop"), st.none()),
    st.tuples(st.just("end"), st.none()),
)  # fmt: skip


class Watched(Bench):
    """Asserts after each step what must hold of the pulses. Knows the hands, the beats and the limits, and nothing
    of how the box comes to its decision."""

    def __init__(self):
        super().__init__(brake=1)
        self.unheld = self.unheard_us = self.above_us = self.run_us = self.at_idle_us = 0
        self.before = [IDLE_US, IDLE_US]
        self.thrust_seen = 0

    def say(self, message, *values, **how):
        refusal = super().say(message, *values, **how)
        if message is m.BENCH_BEAT and refusal is None:
            self.unheard_us = 0
        return refusal

    def step(self, count=1, dt_us=STEP_US):
        for _ in range(count):
            inputs = self.inputs
            tripped = inputs.stop_tripped or not inputs.stop_closed
            super().step(1, dt_us)
            lever = self.controller.lever.pm >= 400
            self.unheld = 0 if inputs.button or lever else self.unheld + 1
            self.unheard_us += min(dt_us, 100_000)
            pulses = [us or IDLE_US + 250 for us in self.pulses]  # none at all: an ESC may hold the last
            above = max(pulses) > IDLE_US
            in_bench = self.state == s.BENCH
            self.run_us = self.run_us + min(dt_us, 100_000) if in_bench else 0
            self.above_us = self.above_us + min(dt_us, 100_000) if above else 0
            if above and self.state != s.DRIVING:
                assert in_bench
                assert not tripped and inputs.tasks_fresh and not inputs.brake
                assert self.unheld < 2
                assert self.unheard_us < 180_000 + STEP_US
                assert self.above_us <= STEP_S * 1e6 + 100_000
                assert self.run_us <= 60e6 + 100_000
                whole = self.bench._what == s.BENCH_END_POINTS
                assert max(pulses) <= (FULL_US if whole else IDLE_US + 700)
                for us, was in zip(pulses, self.before, strict=True):
                    assert us - was <= min(max(dt_us, 1000), 100_000) // 1000 + 1  # 1 s for 1000 us
                if max(self.before) == IDLE_US:
                    assert self.at_idle_us >= REST_S * 1e6 - 100_000  # the rest between two steps
                self.at_idle_us = 0
                self.thrust_seen += 1
            elif self.state == s.DRIVING:
                self.at_idle_us = 0
            else:
                self.at_idle_us += min(dt_us, 100_000)
            self.before = pulses

    def do(self, what, value):
        inputs = self.inputs
        if what == "steps":
            self.step(value)
        elif what == "button":
            inputs.button = value
        elif what == "lever":
            self.lever_pm = value
        elif what == "stop":
            inputs.stop_closed = value
        elif what == "trip":
            inputs.stop_tripped = True
        elif what == "brake":
            inputs.brake = value
        elif what == "cells":
            self.cell_mv = [value, 3900]
        elif what == "tasks":
            inputs.tasks_fresh = value
        elif what == "beating":
            self.beating = value
        elif what == "late":
            self.step(1, dt_us=value)
        elif what == "ask":
            self.ask()
        elif what in ("enter", "run"):
            self.calm()
            if self.state != s.BENCH:
                self.enter()
            if what == "run":
                self.thrust(200 + 100 * value if value < 2 else 250, side=value % 3, what=int(value == 2))
                self.step(3)
                inputs.button = True
                self.step(20)
        elif what == "step":
            self.say(m.BENCH_STEP, *value)
        elif what == "stray":
            message, token, count = value
            self.say(message, *((0, 1, 300, 1000) if message is m.BENCH_STEP else ()), token=token, count=count)
        else:
            self.say(m.BENCH_DROP if what == "drop" else m.BENCH_END)

    def calm(self):
        """All well, hands off, out of HELD."""
        self.inputs.stop_closed = self.inputs.tasks_fresh = self.beating = True
        self.inputs.button = self.inputs.brake = False
        self.lever_pm = 0
        self.cell_mv = [3900, 3900]
        self.run_s(1.5)
        if self.state in (s.HELD, s.READY, s.DRIVING):
            self.press(0.1)


@settings(max_examples=60, deadline=None)
@given(st.lists(DOINGS, min_size=4, max_size=25))
@example([("run", 1), ("stop", False), ("steps", 5)])
def test_no_sequence_gives_a_pulse_without_token_beat_hold_and_loop(doings):
    desk = Watched()
    for what, value in doings:
        desk.do(what, value)


def test_the_watch_itself_sees_thrust():
    """The property above is about something: its usual way does make thrust."""
    for value in range(3):
        desk = Watched()
        desk.do("run", value)
        assert desk.thrust_seen > 10
