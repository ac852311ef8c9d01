"""Any sequence of hands, faults, messages, late steps, silent tasks and resets, on the parts of the box that decide.

The real Control, Controller, Requests and Store run on a folder for a flash and on a clock that the test moves. Beside
them runs an oracle, written from what the box promises (DEVELOPERS.md, hardware_notes) and from nothing in `core`:
it knows the hands, the wires, the time and the settings that were accepted, and sees the pulses.
"""

import shutil
import tempfile
from pathlib import Path
from types import SimpleNamespace

from desk import POINTS, give_mv, lever_mv, rig_values
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, precondition, rule

import services.control
from core.controller import Controller
from services.beats import TASKS, Beats
from services.bench_requests import BenchRequests
from services.clock import Clock
from services.requests import Requests
from services.store import Store
from shared_proto import messages as m
from shared_proto.settings import ROWS, SETTINGS, conflict
from shared_proto.states import BENCH, DRIVING, HELD, LOCKED, READY, REFUSE_NOT_LOCKED

FRAME_US = 20000
ARMED = (READY, DRIVING)
TOKEN = 0x5EED  # of every bench run here, so that messages of an old run are tried, too
CHANGEABLE = (
    "ramp_up_ms", "ramp_down_ms", "arm_hold_ms", "esc_idle_ms", "lever_tracks", "lever_switch", "together", "brake",
    "side.proven", "side.idle_us", "side.full_us", "unproven_cap_pm", "single_track_cap_pm", "sense_cap_pm",
    "sense_policy", "supply_min_mv", "sides", "sense.side", "cell_floor_mv", "side.curve",
)  # fmt: skip
REQUESTS = [message for message in m.MESSAGES if message.sender == "host"]


class Ticks:
    """In place of `time` in services.control."""

    def __init__(self):
        self.us = 0

    def ticks_us(self):
        return self.us

    @staticmethod
    def ticks_diff(a, b):
        return a - b


class Pulses:
    """In place of the pulse output: what each side was last handed."""

    def __init__(self):
        self.idle_us = [1000] * 3
        self.us = [0] * 3

    def start(self):
        self.us = list(self.idle_us)

    def write(self, side, us):
        self.us[side] = us


class Box(RuleBasedStateMachine):
    def __init__(self):
        super().__init__()
        self.flash = tempfile.mkdtemp()
        self.ticks = Ticks()
        services.control.time = self.ticks  # type: ignore[assignment]
        services.control.asyncio = SimpleNamespace(ThreadSafeFlag=lambda: SimpleNamespace(set=lambda: None))  # type: ignore[assignment]
        store = Store(self.flash + "/")
        store.commit(rig_values(arm_hold_ms=500, esc_idle_ms=1000))
        self.number = 0
        self.latest = (b"", False)
        self.let_go_of_everything()
        self.power_up()

    @initialize(
        brake=st.integers(0, 1), proven=st.integers(0, 1), together=st.integers(0, 1), lever_tracks=st.integers(1, 2)
    )
    def apply_a_rig(self, proven, **plain):
        values = rig_values(proven, arm_hold_ms=500, esc_idle_ms=1000, bench_rest_ms=1000, **plain)
        self.store.commit(values)
        self.power_up()
        assert self.values.to_blob() == values.to_blob()

    def teardown(self):
        shutil.rmtree(self.flash)

    # -- the box and its world ----------------------------------------------------------------------------------------

    def let_go_of_everything(self):
        self.position = {"a": 0, "b": 0}
        self.closed = True
        self.pressed = self.braking = False
        self.at_rest_switch = True
        self.supply_mv = 5000
        self.wires = dict.fromkeys([n for n, _, _ in POINTS], 3900)  # mV a cell, 0 cut, None silent
        self.dead_tasks: set[int] = set()

    def power_up(self):
        """As firmware/box.py does, from what is on the flash."""
        self.store = Store(self.flash + "/")
        self.store.load()
        self.controller = Controller()
        self.pulses = Pulses()
        self.beats = Beats()
        self.control = services.control.Control(self.controller, [self], self.pulses, self.beats)
        self.requests = Requests(self.control, self.store, Clock(), b"desk", b"0", 0, lambda: 0, 0)
        self.requests.wired_only = BenchRequests(self.controller, lambda: TOKEN).do
        self.control.configure(self.store.values)
        self.control.start(1000)
        assert self.controller.interlock.state == LOCKED and self.pulses.us[:2] == self.idle_us
        # What the oracle has seen since.
        self.state = LOCKED
        self.before_pm = 0
        self.stop_has_opened = False
        self.button_was_up = False  # since power-up, or since the box changed its state, or since a press too early
        self.held_us = self.idle_for_us = 0
        self.lever_bad = self.tasks_bad_us = 0
        self.blind_us = {1: 0, 2: 0}
        self.asked_us = None  # when a bench run was asked for by wire
        self.heard_us = 0

    @property
    def values(self):
        return self.store.values

    @property
    def idle_us(self):
        return [self.values.get("side.idle_us", side) for side in range(2)]

    def read(self, inputs):
        """A driver, for all inputs."""
        for n, _, cells in POINTS:
            if self.wires[n] is not None:
                give_mv(inputs, n, self.wires[n] * cells)
        lever_mv(inputs, self.position["a"])
        a_mv = inputs.lever_a_mv
        lever_mv(inputs, self.position["b"])
        inputs.lever_a_mv = a_mv
        inputs.stop_closed, inputs.button, inputs.brake = self.closed, self.pressed, self.braking
        inputs.lever_switch, inputs.supply_mv = self.at_rest_switch, self.supply_mv
        inputs.stop_tripped |= self.trip

    def tick(self, dt_us=FRAME_US, trip=False):
        self.ticks.us += dt_us
        self.trip = trip
        counted_us = min(dt_us, 100_000)  # a longer gap counts as this: no ramp jumps
        for task in range(len(TASKS)):
            if task not in self.dead_tasks:
                self.beats.beat(task, self.controller.now_ms)
        self.note(counted_us, trip)
        self.control._tick(None)
        while self.controller.events.take() is not None:
            pass
        self.check(counted_us, trip)

    # -- the oracle ---------------------------------------------------------------------------------------------------

    def tracks(self):
        return list(self.position.values())[: self.values.get("lever_tracks")]

    def lever_at_rest(self):
        switch = self.at_rest_switch or not self.values.get("lever_switch")
        return max(self.tracks()) <= 41 and min(self.tracks()) >= -102 and switch

    def note(self, dt_us, trip):
        self.stop_has_opened |= not self.closed
        self.button_was_up |= not self.pressed
        well = self.closed and not trip and self.lever_at_rest() and not self.tasks_bad_us > 1_200_000
        self.held_us = self.held_us + dt_us if self.pressed and well and self.button_was_up else 0
        self.tasks_bad_us = self.tasks_bad_us + dt_us if self.dead_tasks else 0
        beyond = max(self.tracks()) > 1103 or min(self.tracks()) < -103
        self.lever_bad = self.lever_bad + 1 if beyond else 0
        for side in (1, 2):
            seen = any(s == side and self.wires[n] and self.wires[n] >= 2000 for n, s, _ in POINTS)
            self.blind_us[side] = 0 if seen else self.blind_us[side] + dt_us

    def check(self, dt_us, trip):
        get = self.values.get
        state, demand_pm, us = self.controller.interlock.state, self.controller.outputs.demand_pm, self.pulses.us[:2]
        sides = get("sides")
        idle = us[:sides] == self.idle_us[:sides]
        assert self.control.failed is None
        # The order of arming.
        if state != self.state:
            assert (self.state, state) not in [(LOCKED, DRIVING), (HELD, READY), (HELD, DRIVING), (HELD, BENCH),
                                               (READY, BENCH), (BENCH, READY), (BENCH, DRIVING)]  # fmt: skip
            if self.state == LOCKED and state in (READY, BENCH):
                assert self.stop_has_opened and self.closed and not trip
                assert self.lever_at_rest()
                assert self.button_was_up and self.pressed
                assert self.held_us >= get("arm_hold_ms") * 1000 - dt_us
                assert self.idle_for_us >= get("esc_idle_ms") * 1000 - dt_us
                assert max(self.blind_us[s + 1] for s in range(sides)) < 1_000_000
                assert not (get("brake") and self.braking)
                assert get("rig")
            if state == BENCH:
                assert self.asked_us is not None and self.ticks.us - self.asked_us < 31_000_000
            if state == HELD:
                assert self.controller.interlock.cause
            self.button_was_up = False
            self.held_us = 0
        if state == LOCKED and self.pressed and self.held_us == 0:
            self.button_was_up = False  # too early: it has to be let go first
        # What leaves idle pulses only.
        if state in (LOCKED, HELD):
            assert idle
        if not self.closed or trip or self.tasks_bad_us > 1_200_000 or self.lever_bad > 3:
            assert idle and state != READY
        if state in ARMED and max(self.blind_us[s + 1] for s in range(sides)) > 300_000 + 1000 * get("ramp_down_ms"):
            assert idle
        self.idle_for_us = self.idle_for_us + dt_us if idle and state not in ARMED else 0
        # Ramps and limits, by the measured time.
        if state in ARMED:
            fallen_pm = self.before_pm - dt_us / get("ramp_down_ms")
            assert demand_pm <= self.before_pm + dt_us / get("ramp_up_ms") + 2
            assert demand_pm >= fallen_pm - 2
            assert demand_pm <= max(self.most_pm(), fallen_pm + 2)
            together = [self.by_curve(side, demand_pm) for side in range(sides)]
            if get("together"):
                assert us[:sides] == together
            else:
                assert all(mine <= most for mine, most in zip(us, together, strict=False))
        elif state == BENCH:
            caps = [min(get("bench_cap_pm"), 1000 if get("side.proven", s) else get("unproven_cap_pm")) for s in (0, 1)]
            for side in range(sides):
                span_us = get("side.full_us", side) - self.idle_us[side]
                # End points are learned at full, and need a side that was shown to draw no current: not in here.
                assert us[side] <= self.idle_us[side] + span_us * caps[side] // 1000
            # Host silent: idle within 250 ms, less the frame until the pulse and a late step.
            assert idle or self.ticks.us - self.heard_us <= 230_000 + dt_us
        self.before_pm = demand_pm
        self.state = state

    def most_pm(self):
        """The lowest of the limits that the oracle can tell, and what the lower track asks for."""
        get = self.values.get
        asked_pm = max(0.0, (min(self.tracks()) - 38) * 1000 / 940 + 4)
        most_pm = min(1000.0, asked_pm)
        if not all(get("side.proven", side) for side in range(get("sides"))):
            most_pm = min(most_pm, get("unproven_cap_pm"))
        if get("lever_tracks") == 1 and not get("lever_switch"):
            most_pm = min(most_pm, get("single_track_cap_pm"))
        if get("brake") and self.braking:
            most_pm = 0
        if get("lever_switch") and self.at_rest_switch:
            most_pm = 0
        return most_pm

    def by_curve(self, side, demand_pm):
        get = self.values.get
        idle_us, span_us = self.idle_us[side], get("side.full_us", side) - self.idle_us[side]
        points_us = [idle_us + span_us * share // 1000 for share in get("side.curve", side)] * 2
        at = demand_pm // 100
        low_us, high_us = points_us[at], points_us[at + 1 if at < 10 else 10]
        return low_us + (high_us - low_us) * (demand_pm % 100) // 100

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
            self.before_pm = self.held_us = 0
        # No message by itself changes the state or the thrust.
        assert self.controller.interlock.state == self.state
        assert self.controller.outputs.demand_pm == before[3]
        if answer and answer[0] == m.BENCH_OFFER.kind:
            assert wired and self.state == LOCKED
            self.asked_us = self.heard_us = self.ticks.us
        if m.head(body)[0] in (m.BENCH_BEAT.kind,) and answer is None:
            assert wired
            self.heard_us = self.ticks.us
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
