"""The RP2040's own ADC: lever tracks, and string tops on the board that has no other.

12 bits, about 8.7 of them effective, referred to the 3.3 V rail.

Erratum E11: codes 512, 1536, 2560 and 3584 are some ten codes wide and all others a little narrow for it, so the
characteristic leads by half of that before such a code and lags by as much after it. `_straight` undoes this. On a wide
code itself the noise helps: when some samples fall beside it, its samples count as just inside that edge;
when none do, the middle is the best there is, and the reading may be half the width off. The width is not published;
it is that which makes the published effective bits.
"""

import micropython
from machine import ADC, Pin

_RAIL_MV = 3300
_LEVER_SAMPLES = 4
_SAMPLES = 8

# In 16ths of a code, so that a full scale of 4096 codes is 65536.
_MID_CODE = 8  # a code stands for the middle of what it covers
_WIDE = 158  # of a wide code: 9.9 codes
_LAG = (_WIDE - 16) // 2  # of the codes before it, at its edge; those after it lag as much
_INSIDE = 8  # its samples with others beside it: half a code within the edge


@micropython.native
def _straight(code):
    """What a 12-bit code beside the wide ones stands for, in 16ths of a code from 0 V."""
    at = code & 1023
    if at < 512:
        return 16 * code + _MID_CODE - (at * _LAG >> 9)
    return 16 * code + _MID_CODE + ((1024 - at) * _LAG >> 9)


@micropython.native
def _oversampled(adc):
    """The mean of several conversions, straightened, as a 16-bit code."""
    total = 0
    wide = -1  # the wide code that was seen
    on_it = mean = 0
    for _ in range(_SAMPLES):
        code = adc.read_u16() >> 4
        if code & 1023 == 512:
            wide = code
            on_it += 1
        else:
            total += code
    beside = _SAMPLES - on_it
    if beside:
        # Noise covers a few codes, over which the characteristic is straight.
        mean = total // beside
        total = beside * (_straight(mean) - 16 * mean) + 16 * total
    if on_it:
        middle = 16 * wide + _MID_CODE
        if beside:
            edge = _WIDE // 2 - _INSIDE
            middle += edge if mean > wide else -edge
        total += on_it * middle
    return (total + _SAMPLES // 2) // _SAMPLES


def _lever_mv(adc):
    total = 0
    for _ in range(_LEVER_SAMPLES):
        total += adc.read_u16()
    return (total // _LEVER_SAMPLES * _RAIL_MV) >> 16


class LeverAdc:
    """Lever tracks in mV at the pins; a board with one pin reports it as both tracks."""

    def __init__(self, pins):
        self._a = ADC(Pin(pins[0]))
        self._b = ADC(Pin(pins[1])) if len(pins) > 1 else None

    def read(self, inputs):
        inputs.lever_a_mv = a = _lever_mv(self._a)
        inputs.lever_b_mv = _lever_mv(self._b) if self._b else a


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
        self._against = [False] * len(pins)

    def use(self, used, against):
        """As of `I2cSense`. An input without a pin here, or against another, stays silent, which the step notices."""
        for n in range(len(self._adcs)):
            self._against[n] = against[n]

    def read(self, inputs):
        inputs.again = -1  # whatever is in doubt is read now
        for n in range(len(self._adcs)):
            if self._against[n]:
                continue
            inputs.code[n] = _oversampled(self._adcs[n])
            reading = inputs.reading[n] + 1
            inputs.reading[n] = reading if reading <= 0x3FFF else 1
