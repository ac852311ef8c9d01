"""Speed from a wheel sensor: one pulse a turn, or more with a shorter way for each."""

import time

from machine import Pin

_STILL_US = 3000000  # no pulse for this long: standing
_LEAST_US = 2000  # two pulses closer than this are one that bounced


class Wheel:
    """`way_mm` of the wheel for one pulse (0: not fitted). The pin is pulled up; the sensor closes to ground."""

    def __init__(self, pin):
        self.way_mm = 0
        self._last_us = 0
        self._period_us = 0  # 0: standing, or only one pulse so far
        self._moving = False
        self._pin = Pin(pin, Pin.IN, Pin.PULL_UP)
        self._pin.irq(self._pulse, Pin.IRQ_FALLING, hard=True)

    def _pulse(self, _):
        now_us = time.ticks_us()
        period_us = time.ticks_diff(now_us, self._last_us)
        if self._moving and 0 <= period_us < _LEAST_US:
            return
        self._period_us = period_us if self._moving and period_us > 0 else 0
        self._moving = True
        self._last_us = now_us

    def read(self, inputs):
        """Speed in 0.1 km/h; between pulses it falls as the time since the last one tells."""
        speed_dmh = 0
        if self.way_mm and self._moving:
            since_us = time.ticks_diff(time.ticks_us(), self._last_us)
            if since_us < 0 or since_us > _STILL_US:
                self._moving = False
                self._period_us = 0
            elif self._period_us:
                period_us = since_us if since_us > self._period_us else self._period_us
                speed_dmh = self.way_mm * 36000 // period_us
        inputs.speed_dmh = speed_dmh
