"""A passive buzzer on a PWM pin."""

import asyncio

from machine import PWM, Pin

_HALF_DUTY = 32768


class Sounder:
    def __init__(self, pin):
        # Never `deinit`, which may leave the pin high: a duty of nothing is silence.
        self._pwm = PWM(Pin(pin), freq=2000, duty_u16=0)

    async def play(self, pattern):
        """`pattern`: (frequency in Hz, ms) one after another; a frequency of 0 is a pause. Ends silent."""
        try:
            for hz, ms in pattern:
                if hz:
                    self._pwm.freq(hz)
                    self._pwm.duty_u16(_HALF_DUTY)
                else:
                    self._pwm.duty_u16(0)
                await asyncio.sleep_ms(ms)
        finally:
            self._pwm.duty_u16(0)
