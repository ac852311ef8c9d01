"""The RP2040's own ADC: lever tracks, and string tops on the board that has no other.

12 bits, about 8.7 of them effective, referred to the 3.3 V rail. Several conversions are averaged.
"""

from machine import ADC, Pin

_RAIL_MV = 3300
_SAMPLES = 4


def _mean_u16(adc):
    total = 0
    for _ in range(_SAMPLES):
        total += adc.read_u16()
    return total // _SAMPLES


class LeverAdc:
    """Lever tracks in mV at the pins; a board with one pin reports it as both tracks."""

    def __init__(self, pins):
        self._a = ADC(Pin(pins[0]))
        self._b = ADC(Pin(pins[1])) if len(pins) > 1 else None

    def read(self, inputs):
        inputs.lever_a_mv = a = (_mean_u16(self._a) * _RAIL_MV) >> 16
        inputs.lever_b_mv = (_mean_u16(self._b) * _RAIL_MV) >> 16 if self._b else a


class SupplyAdc:
    """Supply of the lever and the ESC signals, in mV, through a divider of `ratio`."""

    def __init__(self, pin, ratio):
        self._adc = ADC(Pin(pin))
        self._ratio = ratio

    def read(self, inputs):
        inputs.supply_mv = ((self._adc.read_u16() * _RAIL_MV) >> 16) * self._ratio


class ChipSense:
    """Sense inputs on ADC pins, as 16-bit codes, read every step."""

    def __init__(self, pins):
        self._adcs = [ADC(Pin(p)) for p in pins]

    def use(self, used):
        """`used`: a flag for each sense input. Those without a pin here stay silent, which the step notices."""

    def read(self, inputs):
        for n in range(len(self._adcs)):
            inputs.code[n] = _mean_u16(self._adcs[n])
            inputs.reading[n] += 1
            if inputs.reading[n] > 0x3FFF:
                inputs.reading[n] = 1
