"""Parts at register level: the four-channel I2C ADC (ADS1115 class) and the RP2040's own converter.

What the pins carry, gain error, offset and noise included, comes from the host; here it is only quantised.
"""

import _bus
import _display

STUCK = "stuck"

# Bits of the answer's PARTS, as `barbox.sim.wiring.Wiring.parts` sets them; n is the number of an ADC part.
_ABSENT = 0  # bit n does not answer; bit 2: the display
_REPLACED = 3  # bit 3 + n: another part answers at its address
_FROZEN = 5  # bit 5 + n: conversions end, and the result is that of the one before
_HELD = 8  # bit 8 + bus: a part holds the data line low
_NEVER_READY = 10  # bit 10 + n: conversions begin and do not end
_POWERED = 16  # 16 bits: how often the display lost its supply
_CLOCKS = 32  # 8 bits: clocks after which the data line of bus 0 is let go, 0 never
_HOLDS = 40  # 16 bits: how often it was held so far

_NV = (187500, 125000, 62500, 31250, 15625, 7813, 7813, 7813)  # one count, by gain code
_US = (125000, 62500, 31250, 15625, 7813, 4000, 2106, 1163)  # one conversion, by rate code


class Ads1115:
    def __init__(self, number):
        self._number = number
        self._first = _bus.SENSE_UV + 4 * number  # index of its input 0 in the answer
        self._config = 0x8583
        self._pointer = 0
        self._result = 0
        self._code = 0  # under conversion
        self._done_at = -1

    def _wrong(self, bit):
        return _bus.answer[_bus.PARTS] >> bit + self._number & 1

    def _finish(self):
        if 0 <= self._done_at <= _bus.now and not self._wrong(_NEVER_READY):
            if not self._wrong(_FROZEN):
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


class Thermometer:
    """A wrong part that answers at the same address: a temperature sensor with four registers (from memory).

    Its temperature of 25 C, read as a conversion, would be 0.8 V at the pin.
    """

    def __init__(self):
        self._registers = [0x1900, 0x0000, 0x4B00, 0x5000]
        self._pointer = 0

    def point(self, register):
        self._pointer = register & 3

    def write_register(self, data):
        if self._pointer == 1:
            self._registers[1] = data[0] << 8  # configuration, one byte
        elif self._pointer and len(data) == 2:
            self._registers[self._pointer] = (data[0] << 8 | data[1]) & 0xFF80

    def write(self, data):
        self.point(data[0])
        if len(data) > 1:
            self.write_register(data[1:])

    def read_into(self, data):
        value = self._registers[self._pointer]
        data[0] = value >> 8
        data[1] = value & 0xFF


_display_part = _display.Ssd1306()
_PARTS = {(0, 0x48): Ads1115(0), (0, 0x49): Ads1115(1), (1, 0x3C): _display_part}
_NUMBERS = {0x48: 0, 0x49: 1, 0x3C: 2}
_others = (Thermometer(), Thermometer())
_display_powered = 0

_lines = {}  # pin: (bus, whether it is the clock)
_clocked = 0  # clocks that bus 0 has had since its data line was held
_holds_seen = 0


def at(bus, address):
    """The part that answers, None for none, STUCK when a line of the bus is held low."""
    global _display_powered
    wrong = _bus.answer[_bus.PARTS]
    if held(bus):
        return STUCK
    powered = wrong >> _POWERED & 0xFFFF
    if powered != _display_powered:
        _display_powered = powered
        _display_part.power_on()
    part = _PARTS.get((bus, address))
    if part is None or wrong >> _ABSENT + _NUMBERS[address] & 1:
        return None
    number = _NUMBERS[address]
    if number < 2 and wrong >> _REPLACED + number & 1:
        return _others[number]
    return part


def held(bus):
    """Whether a part holds the data line low. One that was interrupted in mid-byte lets go after its clocks."""
    global _clocked, _holds_seen
    wrong = _bus.answer[_bus.PARTS]
    if not wrong >> _HELD + bus & 1:
        return False
    if bus:
        return True
    holds = wrong >> _HOLDS & 0xFFFF
    if holds != _holds_seen:
        _holds_seen = holds
        _clocked = 0
    clocks = wrong >> _CLOCKS & 0xFF
    return clocks == 0 or _clocked < clocks


def wire(bus, scl, sda):
    """Which pins are the lines of a bus."""
    _lines[scl] = bus, True
    _lines[sda] = bus, False


def rise(pin):
    """The firmware lets a pin go high that it held low: a clock, on a bus's clock line."""
    global _clocked
    bus, is_clock = _lines.get(pin, (-1, False))
    if is_clock and bus == 0 and held(0):
        _clocked += 1


def pulled_low(pin):
    """Whether a part on a bus pulls this pin low."""
    bus, is_clock = _lines.get(pin, (-1, False))
    return bus >= 0 and not is_clock and held(bus)


_seed = 1
# Erratum E11: codes 512, 1536, 2560 and 3584 are this wide, in 256ths of a code, and all others a little narrow for
# it, so that the characteristic leads and lags by half as much in turn. Its width is not published; with a code of
# noise 9.9 codes make 8.8 effective bits, and 8.7 are. Chips differ: see `configure`.
_HALF = 512 * 256
_wide = 2534
_narrow = _HALF + 128 - _wide // 2  # from the middle of a pair of such codes to the edge of one


def configure(seed):
    """Draw the noise, and the width of the wide codes within a tenth, from `seed`."""
    global _seed, _wide, _narrow
    _seed = seed & 0x7FFFFFFF | 1
    _wide = 2280 + 97 * seed % 508
    _narrow = _HALF + 128 - _wide // 2


def chip_code(uv):
    """12-bit code of a voltage at an ADC pin: about one count of noise, and the wide codes of erratum E11."""
    global _seed
    _seed = (1103515245 * _seed + 12345) & 0x7FFFFFFF
    noise_uv = ((_seed >> 8 & 0xFF) + (_seed >> 16 & 0xFF) - 255) * 6
    return wide_codes((uv + noise_uv) * 4096 * 256 // 3300000)


def wide_codes(ideal):
    """Code of an ideal converter's input in 256ths of a code, with the wide codes of erratum E11."""
    base = ideal >> 18 << 10
    at = (ideal & 0x3FFFF) - _narrow  # from the lower edge of the wide code
    if at < 0:
        code = base + (at + _narrow) * 512 // _narrow
    elif at < _wide:
        code = base + 512
    else:
        code = base + 513 + (at - _wide) * 511 // (2 * _HALF - _narrow - _wide)
    if code < 0:
        return 0
    return code if code < 4096 else 4095
