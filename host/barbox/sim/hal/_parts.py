"""Parts at register level: the four-channel I2C ADC (ADS1115 class) and the RP2040's own converter.

What the pins carry, gain error, offset and noise included, comes from the host; here it is only quantised.
"""

import _bus
import _display

STUCK = "stuck"

_NV = (187500, 125000, 62500, 31250, 15625, 7813, 7813, 7813)  # one count, by gain code
_US = (125000, 62500, 31250, 15625, 7813, 4000, 2106, 1163)  # one conversion, by rate code


class Ads1115:
    def __init__(self, first):
        self._first = first  # index of its input 0 in the answer
        self._config = 0x8583
        self._pointer = 0
        self._result = 0
        self._code = 0  # under conversion
        self._done_at = -1

    def _finish(self):
        if 0 <= self._done_at <= _bus.now:
            self._result = self._code
            self._done_at = -1

    def _input_uv(self, mux):
        uv = _bus.answer
        i = self._first
        if mux >= 4:
            return uv[i + mux - 4]
        if mux == 0:
            return uv[i] - uv[i + 1]
        return uv[i + mux - 1] - uv[i + 3]

    def point(self, register):
        self._pointer = register & 3

    def write_register(self, data):
        if self._pointer != 1:
            return
        self._config = config = data[0] << 8 | data[1]
        if config & 0x8000:
            nv = _NV[config >> 9 & 7]
            code = (1000 * self._input_uv(config >> 12 & 7) + nv // 2) // nv
            self._code = max(-32768, min(32767, code))
            self._done_at = _bus.now + _US[config >> 5 & 7]

    def write(self, data):
        self.point(data[0])
        if len(data) > 1:
            self.write_register(data[1:])

    def read_into(self, data):
        self._finish()
        if self._pointer == 0:
            value = self._result
        elif self._pointer == 1:
            value = self._config & 0x7FFF | (0x8000 if self._done_at < 0 else 0)
        else:
            value = 0x8000 if self._pointer == 2 else 0x7FFF
        data[0] = value >> 8 & 0xFF
        data[1] = value & 0xFF


_display_part = _display.Ssd1306()
_PARTS = {(0, 0x48): Ads1115(_bus.SENSE_UV), (0, 0x49): Ads1115(_bus.SENSE_UV + 4), (1, 0x3C): _display_part}
_BITS = {0x48: 0, 0x49: 1, 0x3C: 2}
_display_powered = 0


def at(bus, address):
    """The part that answers, None for none, STUCK when the bus is held low. Bits of the answer's PARTS:
    n: part n absent, 8 + bus: bus stuck; 16 and up: how often the display lost its supply."""
    global _display_powered
    wrong = _bus.answer[_bus.PARTS]
    if wrong >> (8 + bus) & 1:
        return STUCK
    if wrong >> 16 != _display_powered:
        _display_powered = wrong >> 16
        _display_part.power_on()
    part = _PARTS.get((bus, address))
    if part is not None and wrong >> _BITS[address] & 1:
        return None
    return part


_seed = 1


def configure(seed):
    global _seed
    _seed = seed & 0x7FFFFFFF | 1


def chip_code(uv):
    """12-bit code of a voltage at an ADC pin: about one count of noise, and the wide codes of erratum E11."""
    global _seed
    _seed = (1103515245 * _seed + 12345) & 0x7FFFFFFF
    noise_uv = ((_seed >> 8 & 0xFF) + (_seed >> 16 & 0xFF) - 255) * 6
    code = (uv + noise_uv) * 4096 // 3300000
    # Codes 512, 1536, 2560 and 3584 are about nine counts wide; the neighbours that they swallow never show.
    off = (code & 1023) - 512
    if -4 <= off <= 4:
        code -= off
    if code < 0:
        return 0
    return code if code < 4096 else 4095
