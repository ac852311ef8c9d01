"""The control timer: every 20 ms read, step, write pulses, feed the watchdog.

A soft timer starts it between two bytecodes of whatever task runs, so no slow task can hold it up. After a
stall the callbacks that piled up are let pass but for the first: they must not run several steps back to back.
"""

import asyncio
import time

import machine

from core.controller import FRAME_US
from shared_proto.states import EVENT_ERROR

# A step this soon after the one before is one that piled up. Less, and the ADC might not be ready; more, and a step
# that came late would cost the next one.
_SOON_US = 6000
_OLD_US = 4 * FRAME_US


class Control:
    """Runs `controller` with `readers` (objects with `read(inputs)`) and `pulses`.

    Since the last `take_times`: `late_us`, the latest start of a step; `step_us`, the longest step.
    """

    def __init__(self, controller, readers, pulses, beats):
        self.controller = controller
        self.late_us = 0
        self.step_us = 0
        self.stepped = asyncio.ThreadSafeFlag()  # set at the end of each tick
        self.failed = None  # the exception that ended stepping
        self.on_configure = lambda values: None  # called with the settings (Values) put in force
        self.on_silent = lambda task: None  # called in each step while a task is silent: the watchdog will reset
        self._readers = readers
        self._pulses = pulses
        self._beats = beats
        self._last_us = 0
        self._busy = False
        self._paused = False  # and no step since
        self._paused_us = 0  # ticks without a step
        self._watchdog = None
        self._timer = None

    def start(self, watchdog_ms):
        """Start pulses (idle), timer and watchdog. The watchdog cannot be stopped again."""
        self._pulses.start()
        self._last_us = time.ticks_us()
        self._timer = machine.Timer(-1, period=FRAME_US // 1000, mode=machine.Timer.PERIODIC, callback=self._tick)
        self._watchdog = machine.WDT(timeout=watchdog_ms)

    def pause(self, on):
        """No steps and idle pulses, so that nothing arms while the flash is written. Only while LOCKED or HELD."""
        self._busy = on
        self._paused = True

    def configure(self, values):
        """Put settings in force between two steps; idle pulses meanwhile; ends a pause. Only while LOCKED."""
        self._busy = True
        try:
            self.controller.configure(values)
            self.on_configure(values)
            outputs = len(self._pulses.idle_us)
            self.controller.short_of_pulses = self.controller.sides > outputs
            for side in range(min(self.controller.sides, outputs)):
                self._pulses.idle_us[side] = self.controller.idle_us[side]
        finally:
            self._busy = False

    def since_step_us(self):
        """Microseconds since the last step should have begun: a late one leaves less time before the next."""
        return time.ticks_diff(time.ticks_us(), self._last_us) + self.controller.behind_us()

    def take_times(self):
        """(late_us, step_us) since the last call, each at most 65535."""
        times = (min(self.late_us, 0xFFFF), min(self.step_us, 0xFFFF))
        self.late_us = self.step_us = 0
        return times

    def _tick(self, _):
        now_us = time.ticks_us()
        dt_us = time.ticks_diff(now_us, self._last_us)
        if dt_us < _SOON_US:
            return
        self._last_us = now_us
        if self._busy:
            self._paused_us += dt_us
        elif self._paused:
            self._paused = False
            self.controller.resume(max(0, dt_us - FRAME_US + self._paused_us) // 1000)
            self._paused_us = 0
            dt_us = FRAME_US  # what the flash took was meant: no step was due
        controller = self.controller
        # A box whose step failed stays up and HELD; a pause does not hide that a task is silent.
        fresh = self.failed is not None or self._beats.fresh(controller.now_ms)
        if self.failed is None and not self._busy:
            try:
                inputs = controller.inputs
                for reader in self._readers:
                    reader.read(inputs)
                inputs.tasks_fresh = fresh
                controller.step(dt_us)
            except Exception as e:
                self._fail(e)
        try:
            # A decision from before a stall is old: pulses have ended by themselves, and the next step decides anew.
            if time.ticks_diff(time.ticks_us(), now_us) < _OLD_US:
                self._write(controller)
        except Exception as e:
            self._fail(e)  # with nothing handed over, the pulses end by themselves; the next word is idle
        if not fresh:
            self.on_silent(self._beats.silent(controller.now_ms))
        elif self._watchdog is not None:
            self._watchdog.feed()
        if dt_us - FRAME_US > self.late_us and not self._busy:
            self.late_us = dt_us - FRAME_US
        took_us = time.ticks_diff(time.ticks_us(), now_us)
        if took_us > self.step_us:
            self.step_us = took_us
        self.stepped.set()

    def _fail(self, error):
        """No more steps, and idle from now on: outputs that no step renews must not stand."""
        self.failed = error
        controller = self.controller
        controller.fail()
        controller.events.add(controller.now_ms, EVENT_ERROR, 0, 1)

    def _write(self, controller):
        pulses = self._pulses
        # A stop that tripped after the step looked wins over what the step decided.
        idle = self._busy or controller.inputs.stop_tripped
        for side in range(min(controller.sides, len(pulses.idle_us))):
            width_us = controller.idle_us[side] if idle else controller.outputs.pulse_us[side]
            if width_us:  # 0: withheld by a bench step
                pulses.write(side, width_us)
