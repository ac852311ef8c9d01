"""The arming order, what takes the armed state away, and the way out of HELD."""

from itertools import permutations, product

import pytest
from desk import STEP_US, Desk, give_mv, lever_mv, rig_values

from shared_proto.states import (
    CAUSE_LEVER_RANGE,
    CAUSE_NONE,
    CAUSE_SENSING_LOST,
    CAUSE_STEP_FAILED,
    CAUSE_STOP_OPEN,
    CAUSE_TASK_SILENT,
    DRIVING,
    EVENT_ARM_REFUSED,
    EVENT_STATE,
    HELD,
    LOCKED,
    READY,
    WAIT_BUTTON,
    WAIT_BUTTON_RELEASE,
    WAIT_ESC_IDLE,
    WAIT_LEVER_REST,
    WAIT_NO_RIG,
    WAIT_NOTHING,
    WAIT_SELF_CHECK,
    WAIT_STOP_CLOSED,
    WAIT_STOP_TEST,
)

ESC_IDLE_S, HOLD_S = 1.0, 0.5
QUICK = {"esc_idle_ms": 1000, "arm_hold_ms": 500}


class Rider(Desk):
    """The desk, with a way to leave out each part of the order."""

    def __init__(self, values=None):
        super().__init__(values or rig_values(**QUICK))
        self.seen_sides = {0, 1}

    def step(self, count=1, dt_us=STEP_US):
        for _ in range(count):
            for n, side, cells in ((0, 1, 5), (1, 1, 10), (4, 2, 5), (5, 2, 10)):
                give_mv(self.inputs, n, self.cell_mv[side - 1] * cells if side - 1 in self.seen_sides else 0)
            lever_mv(self.inputs, self.lever_pm)
            self.controller.step(dt_us)
            while (event := self.controller.events.take()) is not None:
                self.events.append(event)

    def events_of(self, kind):
        return [e[2] for e in self.events if e[1] == kind]

    def drive(self, lever_pm=600, seconds=3.0):
        self.arm()
        self.lever_pm = lever_pm
        self.run_s(seconds)
        assert self.state == DRIVING


def test_the_order_leads_to_ready_and_the_lever_to_driving():
    rider = Rider()
    rider.arm()
    assert (rider.state, rider.waits) == (READY, WAIT_NOTHING)
    assert rider.pulses == [1000, 1000]
    rider.lever_pm = 600
    rider.run_s(3)
    assert rider.state == DRIVING
    assert rider.pulses[0] > 1400
    rider.lever_pm = 0
    rider.run_s(1)
    assert (rider.state, rider.pulses) == (READY, [1000, 1000])
    assert rider.events_of(EVENT_STATE) == [READY, DRIVING, READY]


# What each part of the order looks like when it is missing, how it is mended, and what the box then waits for.
PARTS = {
    WAIT_SELF_CHECK: (lambda r: r.seen_sides.discard(1), lambda r: r.seen_sides.add(1)),
    WAIT_STOP_TEST: (lambda r: None, lambda r: r.test_stop()),
    WAIT_LEVER_REST: (lambda r: setattr(r, "lever_pm", 300), lambda r: setattr(r, "lever_pm", 0)),
    WAIT_BUTTON_RELEASE: (
        lambda r: setattr(r.inputs, "button", True),
        lambda r: setattr(r.inputs, "button", False),
    ),
}


def settled(rider):
    rider.step(15)  # a sense point is believed again after ten readings
    return rider.waits


def missing(parts):
    rider = Rider()
    for wait in parts:
        PARTS[wait][0](rider)
    for wait in PARTS:
        if wait not in parts:
            PARTS[wait][1](rider)
    rider.run_s(ESC_IDLE_S + 0.1)
    return rider


@pytest.mark.parametrize(
    "parts", [tuple(w for w, on in zip(PARTS, mask, strict=True) if on) for mask in product((0, 1), repeat=4)]
)
def test_whatever_is_missing_is_named_and_the_press_refused(parts):
    rider = missing(parts)
    assert rider.waits == (parts[0] if parts else WAIT_BUTTON)  # PARTS stand in the order that the box asks for
    if WAIT_BUTTON_RELEASE not in parts:
        rider.inputs.button = True
    rider.run_s(3 * HOLD_S)
    if not parts:
        assert rider.state == READY
        return
    assert rider.state == LOCKED
    assert rider.pulses == [1000, 1000]
    told = [] if WAIT_BUTTON_RELEASE in parts else [parts[0]]
    assert rider.events_of(EVENT_ARM_REFUSED) == told


@pytest.mark.parametrize("order", list(permutations(PARTS)))
def test_in_any_order_only_the_last_mended_part_lets_it_arm(order):
    rider = missing(tuple(PARTS))
    left = list(PARTS)
    for part in order:
        assert settled(rider) == left[0]
        PARTS[part][1](rider)
        left.remove(part)
        assert rider.state == LOCKED
    assert settled(rider) == WAIT_BUTTON
    rider.inputs.button = True
    rider.run_s(HOLD_S + 0.1)
    assert rider.state == READY


def test_a_button_held_while_the_rest_is_mended_does_not_arm():
    rider = missing((WAIT_LEVER_REST,))
    rider.inputs.button = True
    rider.run_s(1)
    rider.lever_pm = 0
    rider.run_s(3)
    assert (rider.state, rider.waits) == (LOCKED, WAIT_BUTTON_RELEASE)
    rider.inputs.button = False
    rider.step()
    rider.inputs.button = True
    rider.run_s(HOLD_S + 0.1)
    assert rider.state == READY


def test_a_button_stuck_closed_from_power_up_never_arms():
    rider = Rider()
    rider.inputs.button = True
    rider.test_stop()
    rider.run_s(10)
    assert (rider.state, rider.waits) == (LOCKED, WAIT_BUTTON_RELEASE)


def test_the_stop_loop_must_be_seen_to_open():
    rider = Rider()
    rider.inputs.stop_tripped = True  # a trip that no step saw open shows no more than a bounce
    rider.run_s(2)
    assert rider.waits == WAIT_STOP_TEST
    rider.inputs.stop_closed = False
    rider.step()
    assert rider.waits == WAIT_STOP_CLOSED
    rider.inputs.stop_closed = True
    rider.step()
    assert rider.waits == WAIT_BUTTON


def test_escs_see_idle_for_a_while_first_also_after_a_stop():
    rider = Rider()
    rider.test_stop()
    rider.run_s(0.5)
    assert rider.waits == WAIT_ESC_IDLE
    rider.inputs.button = True
    rider.run_s(0.2)
    assert rider.events_of(EVENT_ARM_REFUSED) == [WAIT_ESC_IDLE]
    rider = Rider()
    rider.drive()
    rider.test_stop()
    rider.lever_pm = 0
    rider.inputs.button = False
    rider.step()
    rider.inputs.button = True
    rider.step()
    rider.inputs.button = False
    rider.step()
    assert (rider.state, rider.waits) == (LOCKED, WAIT_ESC_IDLE)


def test_a_box_without_a_rig_never_arms():
    values = rig_values(**QUICK)
    values.put("rig", b"")
    rider = Rider(values)
    rider.arm()
    assert (rider.state, rider.waits) == (LOCKED, WAIT_NO_RIG)


def test_a_silent_task_is_a_failed_self_check():
    rider = Rider()
    rider.inputs.tasks_fresh = False
    rider.arm()
    assert (rider.state, rider.waits) == (LOCKED, WAIT_SELF_CHECK)


@pytest.mark.parametrize("early_s", [0.02, 0.1, 0.3, 0.44])
@pytest.mark.parametrize("what", ["button", "lever", "stop", "trip", "sense", "task"])
def test_anything_amiss_during_the_hold_starts_it_afresh(early_s, what):
    rider = missing(())
    rider.inputs.button = True
    rider.run_s(early_s)
    if what == "button":
        rider.inputs.button = False
        rider.step()
        rider.inputs.button = True
    elif what == "lever":
        rider.lever_pm = 100
        rider.step()
        rider.lever_pm = 0
    elif what == "stop":
        rider.inputs.stop_closed = False
        rider.step()
        rider.inputs.stop_closed = True
    elif what == "trip":  # open for less than a step: only its interrupt has seen it
        rider.inputs.stop_tripped = True
        rider.step()
    elif what == "sense":
        rider.seen_sides.discard(0)
        rider.step(3)
        rider.seen_sides.add(0)
        rider.step(12)
    else:
        rider.inputs.tasks_fresh = False
        rider.step()
        rider.inputs.tasks_fresh = True
    rider.run_s(HOLD_S - 0.04)
    assert rider.state == LOCKED
    rider.run_s(1)
    assert rider.state == (READY if what == "button" else LOCKED)  # after the others, the button must be let go


@pytest.mark.parametrize("how", ["open", "trip"])
@pytest.mark.parametrize("where", ["locked", "ready", "pulling away", "full", "held"])
def test_the_stop_loop_in_any_state(where, how):
    rider = Rider()
    if where != "locked":
        rider.arm()
    if where not in ("locked", "ready"):
        rider.lever_pm = 1000
        rider.run_s(0.5 if where == "pulling away" else 3)
        assert rider.pulses[0] > 1100
    if where == "held":
        rider.inputs.tasks_fresh = False
        rider.step()
    if how == "open":
        rider.inputs.stop_closed = False
    else:
        rider.inputs.stop_tripped = True
    rider.step()
    assert rider.pulses == [1000, 1000]
    assert rider.demand_pm == 0
    expected = {"locked": (LOCKED, CAUSE_NONE), "held": (HELD, CAUSE_TASK_SILENT)}
    assert (rider.state, rider.controller.interlock.cause) == expected.get(where, (HELD, CAUSE_STOP_OPEN))
    rider.inputs.stop_closed = True
    rider.run_s(5)
    assert rider.pulses == [1000, 1000]


def hold_by(rider, cause):
    """Into HELD by `cause`; returns what undoes it."""
    inputs = rider.inputs
    if cause == CAUSE_STOP_OPEN:
        inputs.stop_closed = False
        undo = lambda: setattr(inputs, "stop_closed", True)  # noqa: E731
    elif cause == CAUSE_TASK_SILENT:
        inputs.tasks_fresh = False
        undo = lambda: setattr(inputs, "tasks_fresh", True)  # noqa: E731
    elif cause == CAUSE_SENSING_LOST:
        rider.seen_sides.clear()
        undo = lambda: rider.seen_sides.update({0, 1})  # noqa: E731
    else:
        rider.lever_pm = 1500  # beyond any end point
        undo = lambda: setattr(rider, "lever_pm", 600)  # noqa: E731
    rider.run_s(1)
    return undo


@pytest.mark.parametrize("cause", [CAUSE_STOP_OPEN, CAUSE_LEVER_RANGE, CAUSE_SENSING_LOST, CAUSE_TASK_SILENT])
def test_the_way_out_of_held(cause):
    rider = Rider()
    rider.drive()
    undo = hold_by(rider, cause)

    def press():
        rider.inputs.button = True
        rider.step(2)
        rider.inputs.button = False
        rider.step(2)
        return rider.state

    assert (rider.state, rider.controller.interlock.cause) == (HELD, cause)
    if cause != CAUSE_TASK_SILENT:  # LOCKED is where a silent task is waited for
        assert press() == HELD
    undo()
    rider.step(15)
    assert press() == HELD  # the lever is not at rest
    assert rider.pulses == [1000, 1000]
    rider.lever_pm = 0
    rider.step(3)
    rider.inputs.button = True
    rider.step()
    assert (rider.state, rider.controller.interlock.cause) == (LOCKED, CAUSE_NONE)
    rider.run_s(5)  # the press that led out of HELD does not arm, however long it lasts
    assert rider.state == LOCKED
    rider.inputs.button = False
    rider.step()
    rider.inputs.button = True
    rider.run_s(ESC_IDLE_S + HOLD_S)
    assert rider.state == READY


def test_sensing_lost_eases_before_it_holds():
    rider = Rider()
    rider.drive(1000)
    rider.seen_sides.clear()
    rider.step(3)
    falling = []
    while rider.state == DRIVING:
        falling.append(rider.demand_pm)
        rider.step()
    assert 10 <= len(falling) <= 20  # 300 ms for the full span
    assert all(0 < a - b <= 70 for a, b in zip(falling, falling[1:], strict=False))


def test_only_a_restart_leads_out_of_a_failed_step():
    rider = Rider()
    rider.drive()
    rider.controller.fail()
    assert rider.pulses == [1000, 1000]
    rider.lever_pm = 0
    for pressed in (False, True, False, True):
        rider.inputs.button = pressed
        rider.run_s(2)
        assert (rider.state, rider.controller.interlock.cause) == (HELD, CAUSE_STEP_FAILED)


def test_the_first_cause_is_the_one_that_stands():
    rider = Rider()
    rider.drive()
    hold_by(rider, CAUSE_LEVER_RANGE)
    hold_by(rider, CAUSE_STOP_OPEN)
    assert rider.controller.interlock.cause == CAUSE_LEVER_RANGE


def test_a_press_while_ready_locks():
    rider = Rider()
    rider.arm()
    rider.run_s(1)
    rider.inputs.button = True
    rider.step()
    assert rider.state == LOCKED
