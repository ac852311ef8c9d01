"""The log's task: takes events from the step, and writes the log to flash when that can hurt nobody.

A sector erase keeps interrupts off for 46 to 400 ms, and the control step waits. So it is written only while the
box is LOCKED or HELD, has been for a second, every pulse is idle, and in LOCKED the arm button is neither pressed nor
all that arming waits for; not in READY, whose rider may pull away at any moment. Until then all stays in RAM.

Wear: at most 4 writes at once and 30 an hour after that. A box that starts over and over waits longer before its
first write each time, up to 8 s: one that resets every few seconds soon writes no more.
"""

import asyncio

from shared_proto.states import EVENT_STATE, HELD, LOCKED, WAIT_BENCH_BUTTON, WAIT_BUTTON

_EVERY_MS = 100
_QUIET_ROUNDS = 10  # a second
_AT_ONCE = 4
_SPACING_ROUNDS = 1200  # two minutes
_TOLD_ROUNDS = 100  # a stop of the run before has been on the screen for so long: the rider has been told
_SHORT_RUNS = 3  # 2**3 s is the longest wait before the first write
NOT_KNOWN_PM = 0xFFFF
_LEARNED_PM = 20  # a charge that has changed by this is worth a write of its own


class LogTask:
    """Moves events of `control.controller` into `log`; `estimate` gives what was learned; `note(state, cause)` keeps
    a word where a watchdog reset does not reach."""

    def __init__(self, control, log, clock, estimate, note):
        self._control = control
        self._log = log
        self._clock = clock
        self._estimate = estimate
        self._note = note
        self._missed = 0
        self._dated = False
        self._quiet = 0  # rounds
        self._left = _AT_ONCE  # writes
        self._spacing = 0
        self._wait = 10 << min(log.short_runs, _SHORT_RUNS)  # rounds until the first write
        self._run = 0
        self._saved_pm = list(estimate.charge_pm)
        log.short_runs = min(log.short_runs + 1, _SHORT_RUNS)

    async def run(self):
        """Never returns."""
        while True:
            await asyncio.sleep_ms(_EVERY_MS)
            self.round()

    def round(self):
        """A tenth of a second's work."""
        self._take()
        log = self._log
        if self._run < _SPACING_ROUNDS:
            self._run += 1
            if self._run == _SPACING_ROUNDS:
                log.short_runs = 0
            if self._run == _TOLD_ROUNDS and self._control.controller.warnings.last_stop:
                log.told = log.changed = True
        if self._left < _AT_ONCE:
            self._spacing += 1
            if self._spacing >= _SPACING_ROUNDS:
                self._spacing = 0
                self._left += 1
        if self._wait:
            self._wait -= 1
        self._quiet = self._quiet + 1 if self._is_quiet() else 0
        if self._quiet >= _QUIET_ROUNDS and not self._wait and self._left and (log.changed or self._learned()):
            self._save()

    def _take(self):
        controller = self._control.controller
        events = controller.events
        log = self._log
        unix_s = self._clock.unix_s(controller.now_ms)
        if unix_s and not self._dated:
            self._dated = True
            log.date(controller.now_ms, unix_s)
        for _ in range(64):
            event = events.take_for_log()
            if event is None:
                break
            time_ms, which, a, b = event
            log.see(time_ms, which, a, b, self._clock.unix_s(time_ms) if unix_s else 0)
            if which == EVENT_STATE:
                self._note(a, b)
        missed = events.lost + events.unlogged
        if missed != self._missed:
            log.missed(missed - self._missed)
            self._missed = missed
        if not log.unseen:
            controller.warnings.last_stop = 0

    def _is_quiet(self):
        c = self._control.controller
        state = c.interlock.state
        if (state != LOCKED and state != HELD) or c.outputs.demand_pm:
            return False
        # In HELD a button that is down does nothing until it has been up; it may be stuck, and after a step that
        # failed nobody reads it any more.
        waits = c.interlock.waits
        if state == LOCKED and (c.inputs.button or waits == WAIT_BUTTON or waits == WAIT_BENCH_BUTTON):
            return False
        for side in range(c.sides):
            if c.outputs.pulse_us[side] != c.idle_us[side]:
                return False
        return True

    def _learned(self):
        saved_pm = self._saved_pm
        for side in range(len(saved_pm)):
            pm = self._estimate.charge_pm[side]
            if saved_pm[side] == NOT_KNOWN_PM:
                saved_pm[side] = pm  # the voltage told it, and would again
            elif pm != NOT_KNOWN_PM and abs(saved_pm[side] - pm) >= _LEARNED_PM:
                return True
        return False

    def _save(self):
        control = self._control
        log = self._log
        control.pause(True)  # nothing arms while the flash is written
        try:
            if not self._is_quiet():
                return
            self._left -= 1
            log.snapshot = self._estimate.snapshot()
            self._saved_pm = list(self._estimate.charge_pm)
            log.save()
        except OSError:
            pass  # counted by the log; what is in RAM stays, and the next turn tries again
        finally:
            control.pause(False)
