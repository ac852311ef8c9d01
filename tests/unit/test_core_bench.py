"""A bench run on the desk: who may begin one, what makes thrust, and that nothing else does."""

import pytest
from desk import STEP_US, Desk, rig_values
from hypothesis import example, given, settings
from hypothesis import strategies as st

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
        self.step(3)
        self.press(2.5)
        self.run_s(REST_S)

    def events_of(self, kind):
        return [e[2] for e in self.events if e[1] == kind]


def test_a_run_from_ask_to_end():
    desk = Bench()
    desk.test_stop()
    desk.run_s(1.2)
    assert m.BENCH_OFFER.unpack(desk.ask())[2:] == (0x87654321, *[700] * 2, 300, 300, 250, 3000, 60, 1000, 180)
    desk.step(3)
    assert (desk.state, desk.waits, desk.bench.phase) == (s.LOCKED, s.WAIT_BENCH_BUTTON, s.BENCH_ASKED)
    desk.press(0.6)
    assert (desk.state, desk.bench.phase) == (s.BENCH, s.BENCH_RESTING)
    desk.run_s(REST_S)
    assert desk.bench.phase == s.BENCH_IDLE
    assert desk.thrust(500, side=2) is None
    desk.step(3)
    assert desk.bench.phase == s.BENCH_WAITING and desk.pulses == [IDLE_US, IDLE_US]
    desk.lever_pm = HOLD_LEVER
    desk.step(10)
    assert desk.bench.phase == s.BENCH_RUNNING
    assert desk.pulses[0] == IDLE_US and IDLE_US < desk.pulses[1] <= IDLE_US + 200  # the ramp: 1 s for all of it
    desk.run_s(0.5)
    assert desk.pulses == [IDLE_US, 1500]
    assert desk.demand_pm == 500 and desk.controller.outputs.limit == s.LIMIT_BENCH
    desk.lever_pm = 0
    desk.step(2)
    assert desk.pulses == [IDLE_US, IDLE_US]
    assert (desk.bench.phase, desk.bench.end, desk.bench.steps) == (s.BENCH_RESTING, s.ENDED_RELEASED, 1)
    desk.run_s(REST_S)
    assert desk.say(m.BENCH_END) is None
    desk.step(2)
    assert (desk.state, desk.bench.phase) == (s.LOCKED, s.BENCH_NONE)
    assert desk.events_of(s.EVENT_STATE) == [s.BENCH, s.LOCKED]
    assert desk.events_of(s.EVENT_BENCH_STEP) == [2] and desk.events_of(s.EVENT_BENCH_END) == [s.ENDED_RELEASED]
    desk.run_s(0.2)
    assert desk.thrust(500) == s.REFUSE_NOT_OF_THIS_RUN


def test_without_an_ask_the_button_arms_and_with_one_it_never_does():
    desk = Bench()
    desk.arm()
    assert desk.state == s.READY
    desk = Bench()
    desk.to(s.BENCH_ASKED)
    desk.press(3)
    assert desk.events_of(s.EVENT_STATE) == [s.BENCH]


@pytest.mark.parametrize("early_s", [0.04, 0.2, 0.48])
@pytest.mark.parametrize("what", ["asked", "lapsed"])
def test_a_hold_that_was_meant_for_the_one_does_not_lead_to_the_other(early_s, what):
    desk = Bench()
    if what == "asked":
        desk.test_stop()
        desk.run_s(1.2)
        desk.inputs.button = True
        desk.run_s(early_s)
        desk.ask()
    else:
        desk.to(s.BENCH_ASKED)
        desk.inputs.button = True
        desk.run_s(early_s)
        desk.say(m.BENCH_END)
    desk.run_s(3)
    assert (desk.state, desk.waits) == (s.LOCKED, s.WAIT_BUTTON_RELEASE)
    desk.inputs.button = False
    desk.step(2)
    desk.press(0.6)
    assert desk.state == (s.BENCH if what == "asked" else s.READY)


def test_an_ask_lapses_without_beats_and_after_30_s():
    desk = Bench()
    desk.beating = False
    desk.to(s.BENCH_ASKED)
    desk.run_s(1.1)
    assert desk.bench.phase == s.BENCH_NONE and desk.state == s.LOCKED
    desk = Bench()
    desk.to(s.BENCH_ASKED)
    desk.run_s(29.8)
    assert desk.bench.phase == s.BENCH_ASKED
    desk.run_s(0.3)
    assert (desk.bench.phase, desk.state, desk.waits) == (s.BENCH_NONE, s.LOCKED, s.WAIT_BUTTON)


@pytest.mark.parametrize("state", [s.READY, s.DRIVING, s.HELD, s.BENCH])
def test_an_ask_is_refused_unless_locked(state):
    desk = Bench()
    if state == s.BENCH:
        desk.enter()
    else:
        desk.arm()
        desk.lever_pm = 500 if state == s.DRIVING else 0
        desk.inputs.tasks_fresh = state != s.HELD
        desk.run_s(0.5)
    assert desk.state == state
    assert m.REFUSED.unpack(desk.ask())[2] == s.REFUSE_NOT_LOCKED
    desk.run_s(1)
    assert desk.state == state


@pytest.mark.parametrize("hold", ["button", "lever"])
@pytest.mark.parametrize("side", [0, 1, 2])
def test_hold_to_run(hold, side):
    desk = Bench().enter()

    def held(on):
        desk.inputs.button = on and hold == "button"
        desk.lever_pm = HOLD_LEVER if on and hold == "lever" else 0

    held(True)
    desk.run_s(0.2)
    assert desk.thrust(400, side) is None
    desk.run_s(1)
    assert desk.bench.phase == s.BENCH_WAITING  # held before it was readied: must be let go first
    held(False)
    desk.step(2)
    held(True)
    desk.run_s(1)
    assert desk.pulses == [1400 if side != 2 else IDLE_US, 1400 if side != 1 else IDLE_US]
    held(False)
    desk.step(1)
    held(True)
    desk.step(1)
    assert max(desk.pulses) == 1400  # a contact that bounces for one step
    held(False)
    desk.step(2)
    assert desk.pulses == [IDLE_US, IDLE_US]
    held(True)
    desk.run_s(3)
    assert desk.pulses == [IDLE_US, IDLE_US] and desk.bench.steps == 1


@pytest.mark.parametrize("hold", ["button", "lever"])
def test_a_hold_that_outlasts_its_step_does_not_hold_the_next(hold):
    desk = Bench().enter()
    for steps in (1, 2):
        assert desk.thrust(400, time_ms=1000) is None
        desk.run_s(0.5)
        assert desk.bench.phase == s.BENCH_WAITING and desk.pulses == [IDLE_US, IDLE_US]
        desk.inputs.button = desk.lever_pm = 0
        desk.step(3)
        desk.inputs.button = hold == "button"
        desk.lever_pm = HOLD_LEVER if hold == "lever" else 0
        desk.run_s(1 + REST_S + 0.5)  # the step ends by its time, and is still held
        assert desk.bench.steps == steps and desk.bench.end == s.ENDED_TIME and desk.bench.phase == s.BENCH_IDLE


@pytest.mark.parametrize("side", [0, 1, 2])
def test_the_step_itself_holds_to_the_cap_whatever_order_it_is_given(side):
    values = {**QUICK, "bench_cap_pm": 500}
    desk = Bench(**values).enter()
    desk.bench.take_step(s.BENCH_THRUST, side, 1000, STEP_MS)  # past the check of the message
    desk.step(3)
    desk.press(1.5)
    assert max(desk.bench.cap_pm[:2]) == 500
    assert desk.events_of(s.EVENT_BENCH_STEP) and [e[3] for e in desk.events if e[1] == s.EVENT_BENCH_STEP] == [500]


def test_a_lever_below_half_holds_nothing():
    desk = Bench().enter()
    desk.thrust(400)
    desk.step(2)
    desk.lever_pm = 480
    desk.run_s(1)
    assert desk.bench.phase == s.BENCH_WAITING


def stop_by(desk, what):
    """What ends a step; returns (state, cause, end) that must follow."""
    inputs = desk.inputs
    if what == "stop":
        inputs.stop_closed = False
        return s.HELD, s.CAUSE_STOP_OPEN, s.ENDED_HELD
    if what == "trip":
        inputs.stop_tripped = True
        return s.HELD, s.CAUSE_STOP_OPEN, s.ENDED_HELD
    if what == "lever":
        desk.lever_pm = 1500
        return s.HELD, s.CAUSE_LEVER_RANGE, s.ENDED_HELD
    if what == "task":
        inputs.tasks_fresh = False
        return s.HELD, s.CAUSE_TASK_SILENT, s.ENDED_HELD
    if what == "silent host":
        desk.beating = False
        return s.HELD, s.CAUSE_BENCH_HOST, s.ENDED_HELD
    if what == "floor":
        desk.cell_mv = [3900, 3310]
        return s.BENCH, s.CAUSE_NONE, s.ENDED_FLOOR
    if what == "brake":
        inputs.brake = True
        return s.BENCH, s.CAUSE_NONE, s.ENDED_BRAKE
    if what == "supply":
        inputs.supply_mv = 4000
        return s.HELD, s.CAUSE_SUPPLY, s.ENDED_SUPPLY
    if what == "drop":
        desk.say(m.BENCH_DROP)
        return s.BENCH, s.CAUSE_NONE, s.ENDED_HOST
    assert what == "end"
    desk.say(m.BENCH_END)
    return s.LOCKED, s.CAUSE_NONE, s.ENDED_HOST


WAYS = ("stop", "trip", "lever", "task", "silent host", "floor", "brake", "supply", "drop", "end")


@pytest.mark.parametrize("phase", [s.BENCH_WAITING, s.BENCH_CONFIRM, s.BENCH_RUNNING, s.BENCH_WITHHELD])
@pytest.mark.parametrize("what", WAYS)
def test_every_way_to_end_a_step(what, phase):
    desk = Bench(brake=1, supply_min_mv=4500)
    desk.inputs.supply_mv = 5000
    desk.to(phase)
    state, cause, end = stop_by(desk, what)
    desk.step(1 if what in ("stop", "trip", "task", "brake", "drop", "end", "floor") else 4)
    if what == "silent host":
        desk.step(9)
    assert desk.pulses == [IDLE_US, IDLE_US]
    desk.step(3)
    assert (desk.state, desk.controller.interlock.cause, desk.bench.end) == (state, cause, end)
    desk.run_s(1)
    assert desk.pulses == [IDLE_US, IDLE_US]


def test_a_lost_sense_point_ends_the_step_and_a_blind_side_the_run():
    desk = Bench().to(s.BENCH_RUNNING)
    desk.cell_mv[1] = 0
    desk.step(4)
    assert desk.pulses == [IDLE_US, IDLE_US]
    desk.step(2)
    assert (desk.state, desk.controller.interlock.cause) == (s.HELD, s.CAUSE_SENSING_LOST)


def test_a_step_that_came_late_by_more_than_the_pulses_live_is_over():
    desk = Bench().to(s.BENCH_RUNNING)
    desk.step(1, dt_us=99_000)
    assert max(desk.pulses) > IDLE_US
    desk.step(1, dt_us=101_000)
    assert desk.pulses == [IDLE_US, IDLE_US]
    assert desk.bench.end == s.ENDED_LATE


def test_the_longest_step_the_longest_wait_and_the_longest_run():
    desk = Bench().to(s.BENCH_RUNNING)
    desk.run_s(STEP_S - 0.44)
    assert (desk.bench.end, desk.pulses) == (s.ENDED_TIME, [IDLE_US, IDLE_US])
    desk.lever_pm = 0
    desk.run_s(REST_S + 0.1)
    assert desk.thrust(300, time_ms=600) is None
    desk.step(2)
    desk.lever_pm = HOLD_LEVER
    desk.run_s(0.56)
    assert desk.pulses[0] == 1300
    desk.run_s(0.1)
    assert desk.bench.end == s.ENDED_TIME
    assert desk.state == s.BENCH
    desk.lever_pm = 0
    desk.run_s(REST_S)
    assert desk.thrust(300) is None
    desk.run_s(51)
    assert desk.state == s.BENCH
    desk.lever_pm = HOLD_LEVER
    desk.run_s(2.5)
    assert desk.state == s.LOCKED and desk.bench.end == s.ENDED_RUN
    desk = Bench(bench_run_s=120).to(s.BENCH_WAITING)
    desk.run_s(60.1)
    assert (desk.bench.phase, desk.bench.end) == (s.BENCH_IDLE, s.ENDED_NOT_HELD)


@pytest.mark.parametrize(
    ("values", "reason"),
    [
        ((s.BENCH_THRUST, 1, 701, 1000), s.REFUSE_OUT_OF_RANGE),
        ((s.BENCH_THRUST, 0, 701, 1000), s.REFUSE_OUT_OF_RANGE),
        ((s.BENCH_THRUST, 1, 0, 1000), s.REFUSE_OUT_OF_RANGE),
        ((s.BENCH_THRUST, 1, 65535, 1000), s.REFUSE_OUT_OF_RANGE),
        ((s.BENCH_THRUST, 3, 100, 1000), s.REFUSE_OUT_OF_RANGE),
        ((s.BENCH_THRUST, 1, 100, 3001), s.REFUSE_OUT_OF_RANGE),
        ((s.BENCH_THRUST, 1, 100, 100), s.REFUSE_OUT_OF_RANGE),
        ((s.BENCH_WITHHOLD, 1, 251, 1000), s.REFUSE_OUT_OF_RANGE),
        ((s.BENCH_WITHHOLD, 0, 100, 1000), s.REFUSE_OUT_OF_RANGE),
        ((s.BENCH_END_POINTS, 0, 1000, 1000), s.REFUSE_OUT_OF_RANGE),
        ((s.BENCH_END_POINTS, 1, 500, 1000), s.REFUSE_OUT_OF_RANGE),
        ((s.BENCH_END_POINTS, 1, 1000, 1000), s.REFUSE_NOT_QUIET),
        ((len(s.BENCH_KINDS), 1, 100, 1000), s.REFUSE_OUT_OF_RANGE),
    ],
)
def test_no_message_widens_what_the_settings_allow(values, reason):
    desk = Bench().enter()
    assert desk.say(m.BENCH_STEP, *values) == reason
    desk.lever_pm = HOLD_LEVER
    desk.run_s(1)
    assert desk.bench.phase == s.BENCH_IDLE and desk.pulses == [IDLE_US, IDLE_US]


def test_an_unproven_side_gets_no_more_than_its_cap():
    desk = Bench(proven=False).enter()
    assert desk.thrust(301) == s.REFUSE_OUT_OF_RANGE
    assert desk.thrust(300) is None


def test_a_wrong_token_an_old_count_and_another_moment_do_nothing():
    desk = Bench().enter()
    assert desk.say(m.BENCH_DROP) is None  # of nothing, but it counts
    here = desk.count
    other = desk.token ^ 1
    assert desk.thrust(300, token=other) == s.REFUSE_NOT_OF_THIS_RUN
    assert desk.thrust(300, token=0) == s.REFUSE_NOT_OF_THIS_RUN
    for count in (here, here - 1, 0, 1):
        assert desk.thrust(300, count=count) == s.REFUSE_NOT_OF_THIS_RUN
    desk.count = here
    desk.step(2)
    assert desk.bench.phase == s.BENCH_IDLE
    assert desk.thrust(300) is None
    assert desk.thrust(400) == s.REFUSE_NOT_NOW
    desk.step(2)
    assert desk.thrust(400) == s.REFUSE_NOT_NOW
    desk.lever_pm = HOLD_LEVER
    desk.run_s(0.8)
    assert desk.thrust(400) == s.REFUSE_NOT_NOW
    assert desk.pulses == [1300, IDLE_US]


def test_beats_with_another_token_keep_nothing_alive():
    desk = Bench().to(s.BENCH_RUNNING)
    desk.beating = False
    for _ in range(10):
        desk.step()
        assert desk.say(m.BENCH_BEAT, token=desk.token + 1) == s.REFUSE_NOT_OF_THIS_RUN
    assert (desk.state, desk.controller.interlock.cause) == (s.HELD, s.CAUSE_BENCH_HOST)


def test_pulses_are_withheld_once_the_fan_is_steady():
    desk = Bench().enter()
    desk.thrust(250, side=2, what=s.BENCH_WITHHOLD)
    desk.step(2)
    desk.inputs.button = True
    desk.run_s(1.7)
    assert desk.pulses == [IDLE_US, 1250]
    desk.run_s(0.2)
    assert desk.pulses == [IDLE_US, 0] and desk.events_of(s.EVENT_BENCH_WITHHELD) == [2]
    assert desk.demand_pm == 250  # an ESC that holds its last command still turns its fan
    desk.inputs.button = False
    desk.step(2)
    assert desk.pulses == [IDLE_US, IDLE_US]


def test_end_points_need_a_quiet_side_a_press_and_a_hold_of_the_button():
    desk = Bench(bench_step_ms=5000).enter()
    desk.show_quiet(1)
    assert desk.thrust(1000, side=2, what=s.BENCH_END_POINTS) == s.REFUSE_NOT_QUIET
    assert desk.thrust(1000, what=s.BENCH_END_POINTS, time_ms=5000) is None
    desk.step(2)
    desk.lever_pm = HOLD_LEVER
    desk.run_s(1)
    assert desk.bench.phase == s.BENCH_CONFIRM
    desk.lever_pm = 0
    desk.inputs.button = True
    desk.run_s(2)
    assert desk.bench.phase == s.BENCH_CONFIRM  # a press is not yet a hold
    desk.inputs.button = False
    desk.step(3)
    assert desk.bench.phase == s.BENCH_WAITING
    desk.lever_pm = HOLD_LEVER
    desk.run_s(1)
    assert desk.bench.phase == s.BENCH_WAITING  # nor is the lever
    desk.lever_pm = 0
    desk.step(2)
    desk.inputs.button = True
    desk.run_s(3.9)
    assert desk.pulses[0] < FULL_US
    desk.run_s(0.2)
    assert desk.pulses == [FULL_US, IDLE_US]  # beyond the cap: to the end point itself
    desk.inputs.button = False
    desk.step(2)
    assert desk.pulses == [IDLE_US, IDLE_US]
    desk.run_s(REST_S)
    assert desk.thrust(1000, what=s.BENCH_END_POINTS) == s.REFUSE_NOT_QUIET  # shown anew each time


def test_current_in_end_point_learning_ends_it():
    desk = Bench(bench_step_ms=5000).enter()
    desk.show_quiet(1)
    desk.thrust(1000, what=s.BENCH_END_POINTS)
    desk.step(2)
    desk.press(0.1)
    desk.inputs.button = True
    desk.run_s(0.3)
    desk.cell_mv[0] -= 30  # ten cells
    desk.step(3)
    desk.cell_mv[0] += 30  # the inrush of an ESC that is connected
    desk.step(5)
    assert max(desk.pulses) > IDLE_US
    desk.cell_mv[0] -= 30
    desk.step(8)
    assert (desk.pulses[0], desk.bench.end) == (IDLE_US, s.ENDED_CURRENT)


def test_a_side_that_sags_is_not_quiet():
    desk = Bench().enter()
    desk.thrust(300)
    desk.step(3)
    desk.inputs.button = True
    desk.run_s(0.5)
    desk.cell_mv[0] -= 4
    desk.run_s(1.8)
    desk.cell_mv[0] += 4
    desk.inputs.button = False
    desk.run_s(REST_S + 0.1)
    assert desk.thrust(1000, what=s.BENCH_END_POINTS) == s.REFUSE_NOT_QUIET


def test_settings_are_refused_and_unchanged_in_a_run():
    desk = Bench().enter()
    assert not desk.controller.is_locked()


# What a host, hands and mishaps may do, in any order.
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
