"""The order in which a box becomes able to turn a fan, and what takes that away.

Boot is LOCKED. Thrust needs, in this order: a rig and self-checks; the stop loop seen to open once since
power-up and now closed; the lever at rest; the arm button seen released, then held. Nothing on a link counts. While
a host asks for a bench run the same order leads to BENCH and nowhere else.
"""

import micropython

from shared_proto.states import (
    BENCH,
    BENCH_ASKED,
    CAUSE_NONE,
    CAUSE_STEP_FAILED,
    CAUSE_STOP_OPEN,
    CAUSE_TASK_SILENT,
    DRIVING,
    EVENT_ARM_REFUSED,
    EVENT_STATE,
    HELD,
    LOCKED,
    READY,
    WAIT_BENCH_BUTTON,
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


class Interlock:
    """`state`, `cause` (why HELD) and `waits` (what arming waits for)."""

    def __init__(self, events, bench):
        self.state = LOCKED
        self.cause = CAUSE_NONE
        self.waits = WAIT_NO_RIG
        self._events = events
        self._bench = bench
        self._asked = False  # whether a host asked for a bench run when last looked at
        self._stop_tested = False
        self._released = False  # the arm button has been up since it last did something
        self._button = True  # a button found pressed at power-up has not been pressed by anyone
        self._held_ms = 0
        self._idle_ms = 0
        self._hold_ms = 1000
        self._esc_idle_ms = 3000

    def configure(self, values):
        self._hold_ms = values.get("arm_hold_ms")
        self._esc_idle_ms = values.get("esc_idle_ms")

    def hold(self, now_ms, cause):
        """To HELD, unless it is HELD already: the first cause is the one worth knowing."""
        if self.state != HELD:
            self.cause = cause
            self._go(now_ms, HELD)

    @micropython.native
    def update(self, now_ms, dt_ms, inputs, lever, demand_pm, unready, fault):
        """One step. `unready`: a WAIT_* that stands before all others, WAIT_NOTHING if none; `fault`: a standing
        cause, CAUSE_NONE if none."""
        if not inputs.stop_closed:
            self._stop_tested = True
        if not inputs.stop_closed or inputs.stop_tripped:
            fault = CAUSE_STOP_OPEN
        pressed = inputs.button
        press = pressed and not self._button and self._released
        if not pressed:
            self._released = True
        self._button = pressed
        state = self.state
        if state == LOCKED:
            self._arm(now_ms, dt_ms, inputs, lever, unready, press)
            return
        self.waits = WAIT_NOTHING
        if state == HELD:
            if press and lever.at_rest and fault == CAUSE_NONE and self.cause != CAUSE_STEP_FAILED:
                self._go(now_ms, LOCKED)
        elif fault != CAUSE_NONE:
            self.hold(now_ms, fault)
        elif not inputs.tasks_fresh:
            self.hold(now_ms, CAUSE_TASK_SILENT)
        elif state == READY:
            if press:
                self._go(now_ms, LOCKED)
            elif lever.pm > 0:
                self._go(now_ms, DRIVING)
        elif state == DRIVING and lever.at_rest and demand_pm == 0:
            self._go(now_ms, READY)
        elif state == BENCH and self._bench.over:
            self._go(now_ms, LOCKED)

    @micropython.native
    def _arm(self, now_ms, dt_ms, inputs, lever, unready, press):
        self._idle_ms = min(self._idle_ms + dt_ms, 100000)
        asked = self._bench.phase == BENCH_ASKED
        if asked != self._asked:
            self._asked = asked
            self._released = False  # a hold that was meant for the one must not lead to the other
            self._held_ms = 0
        if unready != WAIT_NOTHING:
            waits = unready
        elif not inputs.tasks_fresh:
            waits = WAIT_SELF_CHECK
        elif not inputs.stop_closed or inputs.stop_tripped:
            waits = WAIT_STOP_CLOSED
        elif not self._stop_tested:
            waits = WAIT_STOP_TEST
        elif not lever.at_rest:
            waits = WAIT_LEVER_REST
        elif self._idle_ms < self._esc_idle_ms:
            waits = WAIT_ESC_IDLE
        elif inputs.button and not self._released:
            waits = WAIT_BUTTON_RELEASE
        else:
            waits = WAIT_BENCH_BUTTON if asked else WAIT_BUTTON
        self.waits = waits
        if waits != WAIT_BUTTON and waits != WAIT_BENCH_BUTTON:
            self._held_ms = 0
            if press:
                self._events.add(now_ms, EVENT_ARM_REFUSED, waits, 0)
            if inputs.button:
                self._released = False  # a press that came too early must be let go first
            return
        if not inputs.button:
            self._held_ms = 0
            return
        self._held_ms += dt_ms
        if self._held_ms >= self._hold_ms:
            self._go(now_ms, BENCH if asked else READY)

    def _go(self, now_ms, state):
        self.state = state
        if state != HELD:
            self.cause = CAUSE_NONE
        self._released = False
        self._held_ms = 0
        if state == HELD or state == LOCKED:
            self._idle_ms = 0
        self._events.add(now_ms, EVENT_STATE, state, self.cause)
