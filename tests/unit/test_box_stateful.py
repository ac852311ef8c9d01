"""Any sequence of hands, faults, messages, late steps, silent tasks and resets, on the parts of the box that decide.

What must hold at every step is in box_oracle.py.
"""

import shutil
import tempfile
from pathlib import Path

from box_desk import FRAME_US, TOKEN, DeskBox
from desk import POINTS, rig_values
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, precondition, rule

from services.beats import TASKS
from services.store import Store
from shared_proto import messages as m
from shared_proto.settings import ROWS, SETTINGS, conflict
from shared_proto.states import HELD, LOCKED, REFUSE_NOT_LOCKED

CHANGEABLE = (
    "ramp_up_ms", "ramp_down_ms", "arm_hold_ms", "esc_idle_ms", "lever_tracks", "lever_switch", "together", "brake",
    "side.proven", "side.idle_us", "side.full_us", "unproven_cap_pm", "single_track_cap_pm", "sense_cap_pm",
    "sense_policy", "supply_min_mv", "sides", "sense.side", "cell_floor_mv", "side.curve",
)  # fmt: skip
REQUESTS = [message for message in m.MESSAGES if message.sender == "host"]


class Box(DeskBox, RuleBasedStateMachine):
    def __init__(self):
        RuleBasedStateMachine.__init__(self)
        flash = tempfile.mkdtemp()
        Store(flash + "/").commit(rig_values(arm_hold_ms=500, esc_idle_ms=1000))
        self.number = 0
        self.latest = (b"", False)
        DeskBox.__init__(self, flash)

    @initialize(
        brake=st.integers(0, 1), proven=st.integers(0, 1), together=st.integers(0, 1), lever_tracks=st.integers(1, 2)
    )
    def apply_a_rig(self, proven, **plain):
        values = rig_values(proven, arm_hold_ms=500, esc_idle_ms=1000, bench_rest_ms=1000, **plain)
        self.store.commit(values)
        self.power_up()
        assert self.values.to_blob() == values.to_blob()

    def teardown(self):
        self.close()
        shutil.rmtree(self.flash)

    # -- time ---------------------------------------------------------------------------------------------------------

    @rule(count=st.integers(1, 60), dt_us=st.sampled_from([FRAME_US, FRAME_US, FRAME_US, 14000, 27000, 39999]))
    def time_passes(self, count, dt_us):
        for _ in range(count):
            self.tick(dt_us)

    @rule(dt_us=st.integers(40_000, 600_000), count=st.integers(1, 4))
    def steps_come_late(self, dt_us, count):
        for _ in range(count):
            self.tick(dt_us)

    @rule()
    def callbacks_pile_up(self):
        steps_ms = self.controller.now_ms
        self.ticks.us += 100
        self.control._tick(None)
        assert self.controller.now_ms == steps_ms

    # -- hands --------------------------------------------------------------------------------------------------------

    @rule(position=st.one_of(st.just(0), st.integers(-80, 1080)), switch=st.booleans())
    def lever(self, position, switch):
        self.position = {"a": position, "b": position}
        self.at_rest_switch = position < 60 or (switch and position < 140)

    @rule(closed=st.booleans())
    def stop_loop(self, closed):
        self.closed = closed

    @rule()
    def stop_trips(self):
        self.tick(trip=True)

    @rule(pressed=st.booleans())
    def button(self, pressed):
        self.pressed = pressed

    @rule(on=st.booleans())
    def brake(self, on):
        self.braking = on

    @rule()
    def let_go(self):
        self.let_go_of_everything()

    @precondition(lambda self: self.state in (LOCKED, HELD))
    @rule()
    def arm_in_order(self):
        self.let_go_of_everything()
        for _ in range(12):
            self.tick()
        self.pressed = True  # out of HELD
        self.tick()
        self.pressed = self.closed = False
        self.tick()
        self.closed = True
        for _ in range(self.values.get("esc_idle_ms") // 20 + 13):
            self.tick()
        self.pressed = True
        for _ in range(self.values.get("arm_hold_ms") // 20 + 2):
            self.tick()
        self.pressed = False

    @rule(
        after_reset=st.booleans(),
        left_out=st.sampled_from(["", "stop", "closed", "release", "early", "wait", "hold", "rest"]),
    )
    def arm_with_something_left_out(self, after_reset, left_out):
        """The order of arming but for one thing: whether the box arms is for the oracle to judge."""
        get = self.values.get
        self.let_go_of_everything()
        self.pressed = left_out == "release"
        if after_reset:
            self.power_up()
        self.closed = left_out == "stop"
        self.tick()
        self.pressed |= left_out == "early"
        self.tick()
        self.closed = left_out != "closed"
        self.position = dict.fromkeys("ab", 120 if left_out == "rest" else 0)
        for _ in range(2 if left_out == "wait" else get("esc_idle_ms") // 20 + 13):
            self.tick()
        self.pressed = True
        for _ in range(10 if left_out == "hold" else get("arm_hold_ms") // 20 + 2):
            self.tick()

    @rule(
        position=st.integers(300, 1000),
        after=st.integers(0, 150),
        what=st.sampled_from(["late", "track", "both tracks", "stop", "trip", "brake", "blind", "task"]),
    )
    def something_happens_under_thrust(self, position, after, what):
        if self.state in (LOCKED, HELD):
            self.arm_in_order()
        self.position = dict.fromkeys("ab", position)
        self.at_rest_switch = False
        for _ in range(after):
            self.tick()
        if what == "late":
            self.tick(400_000)  # longer ones in a row, and the box is HELD
        elif what == "track":
            self.position["b"] = 1250
        elif what == "both tracks":
            self.position = dict.fromkeys("ab", -250)
        elif what == "stop":
            self.closed = False
        elif what == "brake":
            self.braking = True
        elif what == "blind":
            self.string(1, 0)
        elif what == "task":
            self.dead_tasks.add(0)
        self.tick(trip=what == "trip")
        for _ in range(70):
            self.tick()

    @rule()
    def off_and_on_again(self):
        """A press that takes READY back, and a hold at once: the ESCs have not seen idle for long enough."""
        self.let_go_of_everything()
        for pressed in (False, True, False):
            self.pressed = pressed
            self.tick()
        self.pressed = True
        for _ in range(self.values.get("arm_hold_ms") // 20 + 2):
            self.tick()

    # -- faults -------------------------------------------------------------------------------------------------------

    @rule(track=st.sampled_from("ab"), position=st.integers(-250, 1250))
    def one_track(self, track, position):
        self.position[track] = position

    @rule(n=st.sampled_from([n for n, _, _ in POINTS]), mv=st.one_of(st.none(), st.just(0), st.integers(2500, 4300)))
    def wire(self, n, mv):
        self.wires[n] = mv

    @rule(side=st.sampled_from([1, 2]), mv=st.sampled_from([None, 0, 3380, 3500]))
    def string(self, side, mv):
        for n, its_side, _ in POINTS:
            if its_side == side:
                self.wires[n] = mv

    @rule(mv=st.sampled_from([0, 3000, 5000]))
    def supply(self, mv):
        self.supply_mv = mv

    @rule(task=st.integers(0, len(TASKS) - 1), dead=st.booleans())
    def task(self, task, dead):
        if not dead:
            self.dead_tasks.discard(task)
            return
        self.dead_tasks.add(task)
        for _ in range(70):  # silence is noticed within a second
            self.tick()

    @rule()
    def reset(self):
        before = self.store.seq, self.store.values.to_blob()
        self.power_up()
        assert (self.store.seq, self.store.values.to_blob()) == before

    @rule(keep=st.integers(0, 700), ramp_up_ms=st.integers(500, 20000), both=st.booleans())
    def power_goes_during_a_commit(self, keep, ramp_up_ms, both):
        """All but the first bytes of the slot that was being written is erased flash: the settings before are back."""
        before = self.values.to_blob()
        slots = {path: path.read_bytes() for path in Path(self.flash).iterdir()}
        values = self.values.copy()
        values.put("ramp_up_ms", ramp_up_ms)
        self.store.commit(values)
        written = [path for path in Path(self.flash).iterdir() if slots.get(path) != path.read_bytes()]
        for path in list(slots) if both else written:
            data = path.read_bytes()
            path.write_bytes(data[:keep] + b"\xff" * (len(data) - keep))
        self.power_up()
        assert both or keep > len(before) or self.values.to_blob() == before
        if not self.values.get("rig"):  # both are gone: a voltmeter until somebody applies the rig again
            self.arm_in_order()
            assert self.state == LOCKED
            self.store.commit(rig_values(arm_hold_ms=500, esc_idle_ms=1000))
            self.power_up()

    # -- messages -----------------------------------------------------------------------------------------------------

    def ask(self, body, wired):
        before = (self.state, self.store.seq, self.store.values.to_blob(), self.controller.outputs.demand_pm)
        answer = self.requests.answer(body, wired)
        again = self.latest == (body, wired)  # answered from memory, which does nothing
        self.latest = (body, wired)
        if before[0] != LOCKED:  # nothing is put in force, and nothing written
            assert (self.store.seq, self.store.values.to_blob()) == before[1:3]
            put = m.head(body)[0] == m.SETTING_PUT.kind
            assert again or not put or answer is None or answer[0] == m.REFUSED.kind
        if self.store.seq != before[1]:
            assert conflict(self.store.values) == ""
            self.oracle.settings_changed()
        # No message by itself changes the state or the thrust.
        assert self.controller.interlock.state == self.state
        assert self.controller.outputs.demand_pm == before[3]
        if answer and answer[0] == m.BENCH_OFFER.kind:
            assert wired and self.state == LOCKED
            self.oracle.bench_asked()
        if m.head(body)[0] in (m.BENCH_BEAT.kind,) and answer is None:
            assert wired
            self.oracle.bench_heard()
        return answer

    def next_number(self):
        self.number = (self.number + 1) & 0xFFFF
        return self.number

    @rule(message=st.sampled_from(REQUESTS), tail=st.binary(max_size=40), wired=st.booleans())
    def any_message(self, message, tail, wired):
        self.ask(bytes([message.kind]) + self.next_number().to_bytes(2, "little") + tail, wired)

    @rule(kind=st.integers(0, 255), tail=st.binary(max_size=20), wired=st.booleans())
    def garbage(self, kind, tail, wired):
        self.ask(bytes([kind]) + self.next_number().to_bytes(2, "little") + tail, wired)

    @rule()
    def replay(self):
        if self.latest[0]:
            self.ask(*self.latest)

    @rule(data=st.data(), name=st.sampled_from(CHANGEABLE), wired=st.booleans())
    def put(self, data, name, wired):
        setting = SETTINGS[ROWS[name]]
        index = data.draw(st.integers(0, min(setting.count, 2) - 1))
        if name == "side.curve":
            value = (0, *sorted(data.draw(st.lists(st.integers(0, 1000), min_size=10, max_size=10))))
        else:
            high = min(setting.high, 3000) if name in ("arm_hold_ms", "esc_idle_ms") else setting.high
            value = data.draw(st.one_of(st.sampled_from([setting.low, high]), st.integers(setting.low, high)))
        row = ROWS[name]
        answer = self.ask(m.SETTING_PUT.pack(self.next_number(), row, index, setting.pack(value)), wired)
        if self.state != LOCKED:
            assert answer == m.REFUSED.pack(self.number, REFUSE_NOT_LOCKED)

    @rule(wired=st.booleans())
    def commit(self, wired):
        self.ask(m.SETTING_COMMIT.pack(self.next_number()), wired)

    @precondition(lambda self: self.state in (LOCKED, HELD))
    @rule()
    def commit_what_was_put_before_arming(self):
        self.ask(m.SETTING_PUT.pack(self.next_number(), ROWS["ramp_up_ms"], 0, b"\xf4\x01"), True)
        self.arm_in_order()
        self.commit(True)

    @rule(count=st.integers(1, 9), what=st.integers(0, 2), side=st.integers(0, 2), pulse_pm=st.integers(0, 1000))
    def bench_step(self, count, what, side, pulse_pm):
        self.ask(m.BENCH_STEP.pack(self.next_number(), TOKEN, self.number + count, what, side, pulse_pm, 3000), True)

    @precondition(lambda self: self.state == LOCKED)
    @rule(wired=st.booleans(), pulse_pm=st.sampled_from([100, 300, 600]), beats=st.integers(100, 500))
    def bench_run(self, wired, pulse_pm, beats):
        """A host that asks, beats for a while, and readies steps; hands that arm, then hold each step and let go."""
        self.let_go_of_everything()
        for closed in (True, False, True):
            self.closed = closed
            for _ in range(self.values.get("esc_idle_ms") // 20 + 13):
                self.tick()
        answer = self.ask(m.BENCH_ASK.pack(self.next_number()), wired)
        if not wired:
            assert answer is not None and answer[0] == m.REFUSED.kind
        for n in range(500):
            self.pressed = 2 < n < 60
            self.position = dict.fromkeys("ab", 800 if n > 100 and n % 150 > 15 else 0)
            if n % 4 == 0 and n < beats:
                self.ask(m.BENCH_BEAT.pack(self.next_number(), TOKEN, self.number), wired)
            if n % 150 == 5:
                self.bench_step(0, 0, 0, pulse_pm)
            self.tick()


Box.TestCase.settings = settings(
    max_examples=150, stateful_step_count=40, deadline=None, suppress_health_check=[HealthCheck.too_slow]
)
TestBox = Box.TestCase
