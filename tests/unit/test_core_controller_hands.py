"""The control step as a whole: no sequence of inputs turns a fan that was not armed in order."""

from desk import POINTS, Desk, give_mv, lever_mv, rig_values
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

from shared_proto.states import DRIVING, HELD, LOCKED, READY

HOLD_MS, ESC_IDLE_MS, UP_MS, DOWN_MS = 500, 1000, 2000, 300
IDLE_US = 1000


class Hands(RuleBasedStateMachine):
    """Any hands, any faults. Beside the controller runs an oracle that knows only what was given to it."""

    def __init__(self):
        super().__init__()
        self.values = rig_values(arm_hold_ms=HOLD_MS, esc_idle_ms=ESC_IDLE_MS)
        self.desk = Desk(self.values)
        self.desk.inputs.stop_closed = True
        self.position = {"a": 0, "b": 0}
        self.wires = dict.fromkeys(range(8), 3900)  # mV a cell at each sense point, 0 cut, None silent
        self.dt_us = 20000
        # The oracle.
        self.stop_seen_open = False
        self.button_up_since = False  # since the box last changed its state
        self.hold_us = 0
        self.idle_us = 0
        self.before_pm = 0
        self.state = LOCKED
        self.quiet = {side: 0 for side in (1, 2)}  # steps without a healthy reading of the side

    def one(self, trip=False):
        c = self.desk.controller
        inputs = c.inputs
        for n, _, cells in POINTS:
            if self.wires[n] is not None:
                give_mv(inputs, n, self.wires[n] * cells)
        lever_mv(inputs, self.position["a"])
        a_mv = inputs.lever_a_mv
        lever_mv(inputs, self.position["b"])
        inputs.lever_a_mv = a_mv
        inputs.stop_tripped = trip
        at_rest = max(self.position.values()) < 42 and min(self.position.values()) > -102
        well = inputs.stop_closed and not trip and at_rest and inputs.tasks_fresh
        self.stop_seen_open |= not inputs.stop_closed
        if not inputs.button:
            self.button_up_since = True
        self.hold_us = self.hold_us + self.dt_us if inputs.button and well and self.button_up_since else 0
        c.step(self.dt_us)
        while c.events.take() is not None:
            pass
        self.check(c, trip)

    def check(self, c, trip):
        state, out, inputs = c.interlock.state, c.outputs, c.inputs
        pulses = list(out.pulse_us)[:2]
        armed = state in (READY, DRIVING)
        assert pulses[0] == pulses[1]
        assert armed or pulses[0] == IDLE_US
        if state == READY and self.state == LOCKED:
            assert self.stop_seen_open
            assert self.hold_us >= HOLD_MS * 1000 - self.dt_us
            assert self.idle_us >= ESC_IDLE_MS * 1000 - self.dt_us
        assert not (state == DRIVING and self.state in (LOCKED, HELD))
        assert not (state == READY and self.state == HELD)
        if not inputs.stop_closed or trip or not inputs.tasks_fresh or c.lever.cause:
            assert pulses[0] == IDLE_US
        if state != self.state:
            self.button_up_since = False
            self.hold_us = 0
        self.idle_us = 0 if armed or pulses[0] != IDLE_US else self.idle_us + self.dt_us
        self.state = state
        # Ramp and limits, against the measured time.
        up_pm, down_pm = self.dt_us / UP_MS, self.dt_us / DOWN_MS
        assert out.demand_pm <= self.before_pm + up_pm + 2
        if armed:
            assert out.demand_pm >= self.before_pm - down_pm - 2
            lower_track = min(self.position.values())
            asked = max(0, (lower_track - 38) * 1000 / 940 + 3)
            assert out.demand_pm <= max(asked, self.before_pm - down_pm + 2)
            assert out.demand_pm <= max(out.limit_pm, self.before_pm - down_pm + 2)
        self.before_pm = out.demand_pm

    @rule(count=st.integers(1, 70), dt_us=st.sampled_from([20000, 20000, 20000, 14000, 27000, 5000, 39999]))
    def time_passes(self, count, dt_us):
        self.dt_us = dt_us
        for _ in range(count):
            self.one()

    @rule(position=st.one_of(st.just(0), st.integers(-80, 1080)))
    def lever(self, position):
        self.position = {"a": position, "b": position}

    @rule(track=st.sampled_from("ab"), position=st.integers(-250, 1250))
    def one_track(self, track, position):
        self.position[track] = position

    @rule(closed=st.booleans())
    def stop_loop(self, closed):
        self.desk.inputs.stop_closed = closed

    @rule()
    def stop_trips(self):
        self.one(trip=True)

    @rule(pressed=st.booleans())
    def button(self, pressed):
        self.desk.inputs.button = pressed

    @rule(n=st.sampled_from([0, 1, 4, 5]), mv=st.one_of(st.none(), st.just(0), st.integers(2500, 4300)))
    def wire(self, n, mv):
        self.wires[n] = mv

    @rule()
    def mend(self):
        self.wires = dict.fromkeys(range(8), 3900)
        self.position = {"a": 0, "b": 0}
        self.desk.inputs.tasks_fresh = True
        self.desk.inputs.stop_closed = True

    @rule(fresh=st.booleans())
    def tasks(self, fresh):
        self.desk.inputs.tasks_fresh = fresh

    @precondition(lambda self: self.state == LOCKED)
    @rule()
    def arm_in_order(self):
        self.mend()
        self.dt_us = 20000
        inputs = self.desk.inputs
        inputs.button = False
        inputs.stop_closed = False
        for _ in range(15):
            self.one()
        inputs.stop_closed = True
        for _ in range(ESC_IDLE_MS // 20 + 1):
            self.one()
        inputs.button = True
        for _ in range(HOLD_MS // 20 + 2):
            self.one()
        inputs.button = False
        assert self.state == READY or self.desk.controller._late >= 25

    @invariant()
    def the_ring_never_fills_here(self):
        assert self.desk.controller.events.lost == 0


Hands.TestCase.settings = settings(max_examples=60, stateful_step_count=30, deadline=None)
TestHands = Hands.TestCase
