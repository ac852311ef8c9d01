"""The order of a bench run on the desk: who may begin one, what makes thrust, and what the messages may ask for."""

from math import exp

import pytest
from core_bench_desk import FULL_US, HOLD_LEVER, IDLE_US, REST_S, STEP_MS, Bench

from core.bench import SILENT_MS
from shared_proto import messages as m
from shared_proto import states as s


def test_a_run_from_ask_to_end():
    desk = Bench()
    desk.test_stop()
    desk.run_s(1.2)
    assert m.BENCH_OFFER.unpack(desk.ask())[2:] == (0x87654321, *[700] * 2, 300, 300, 250, 3000, 60, 1000, SILENT_MS)
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
    desk = Bench(bench_cap_pm=500).enter()
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


@pytest.mark.parametrize("rises_mv, draws_mv, refused", [
    (0, 0, False), (60, 0, False), (600, 0, False),  # nor does it pass for one
    (0, 40, True), (60, 40, True), (600, 40, True),
])  # fmt: skip
def test_a_string_that_recovers_from_a_load_does_not_hide_a_fan(rises_mv, draws_mv, refused):
    desk = Bench().enter()
    rest_mv = desk.cell_mv[0]
    desk.thrust(300)
    for n in range(400):
        second = n / 50
        desk.inputs.button = 4 <= second < 6.8
        drawn_mv = draws_mv if 5.2 <= second < 6.8 else 0
        desk.cell_mv[0] = rest_mv + (rises_mv * (1 - exp(-second / 30)) - drawn_mv) / 10  # of ten cells
        desk.step()
    assert desk.bench.phase == s.BENCH_IDLE and desk.bench.end == s.ENDED_RELEASED
    assert desk.thrust(1000, what=s.BENCH_END_POINTS) == (s.REFUSE_NOT_QUIET if refused else None)


def test_without_a_rest_that_was_long_enough_to_see_it_nothing_is_told():
    desk = Bench().enter()
    desk.thrust(300)
    desk.step(3)
    desk.press(2.5)
    desk.run_s(REST_S)
    assert desk.thrust(1000, what=s.BENCH_END_POINTS) == s.REFUSE_NOT_QUIET


def test_a_run_is_not_locked_which_is_what_settings_are_refused_by():
    desk = Bench().enter()
    assert not desk.controller.is_locked()
