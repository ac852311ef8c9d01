"""Housekeeping: garbage is collected at moments of the box's own choosing, never in the middle of an allocation."""

import asyncio
import gc
import time

from services.beats import HOUSE

_EVERY_MS = 250
_IDLE_EVERY = 20  # rounds between collections at idle: 5 s
_TRIES = 25
_JUST_US, _LEAST_US = 7000, 4000  # since a step began, the step itself included: at most, and in any case
# From a step to the end of the next that a collection delays: later, and the one after would be left out as too close.
_SPAN_US = 37000
_LOW_BYTES = 40000  # collect under thrust, too, below this


class House:
    def __init__(self, control, beats):
        self._control = control
        self._controller = control.controller
        self._beats = beats
        self.free_bytes = 0  # after the last collection
        self._took_us = 0

    async def run(self):
        """Never returns."""
        controller = self._controller
        rounds = 0
        while True:
            await asyncio.sleep_ms(_EVERY_MS)
            self._beats.beat(HOUSE, controller.now_ms)
            rounds += 1
            if (controller.is_idle() and rounds >= _IDLE_EVERY) or gc.mem_free() < _LOW_BYTES:
                rounds = 0
                await self._just_after_a_step()
                self.collect()

    async def _just_after_a_step(self):
        """A collection takes most of a frame, and more: begun right after a step it delays the next, and loses none.

        Another task that was ready first may have used the time, so the next step is waited for, up to a point.
        """
        control = self._control
        for _ in range(_TRIES):
            control.stepped.clear()
            await control.stepped.wait()
            if control.since_step_us() < max(min(_JUST_US, _SPAN_US - self._took_us), _LEAST_US):
                return

    def collect(self):
        began_us = time.ticks_us()
        gc.collect()
        self._took_us = time.ticks_diff(time.ticks_us(), began_us)
        self.free_bytes = gc.mem_free()
