"""Four-channel 16-bit I2C ADC (ADS1115 class), without waiting: one conversion a step and part.

A step takes the result that the step before asked for and asks for the next, round robin over the inputs in
use, so a reading is at most as many steps old as its part has inputs in use. 4.096 V full scale, so one count is
125 uV at the pin; 250 conversions a second, so a result (4.4 ms at the slowest) is ready when the next step comes.

Nothing is taken on trust. The configuration is read back before each result: that it is what was written shows
that the result is of the input asked for, and its top bit that the conversion is over. A part that never behaves so,
or whose thresholds, which nobody writes, are not those of power-on, is another part or a broken one.
"""

import time

from machine import Pin

from shared_proto.messages import SENSES_MAX
from shared_proto.settings import INPUTS_OF_A_PART
from shared_proto.states import SENSE_PART, SENSE_SILENT

_REG_RESULT = 0
_REG_CONFIG = 1
_REG_THRESHOLDS = ((2, 0x8000), (3, 0x7FFF))  # low and high, and what they hold from power-on (TI SBAS444D)
# Single shot, full scale 4.096 V, 250 a second, comparator off; the input goes in at bits 12..14.
_CONFIG = 0x0200 | 0x0100 | 0x00A0 | 0x0003
_READY = 0x8000  # written: start; read: no conversion under way
_SINGLE_ENDED = 4  # input n against ground is 4 + n; against the fourth, n + 1
_AGAINST_FOURTH = 1
_PAUSE_STEPS = 10  # what failed is asked again after this many steps, so that it cannot eat the frame
_DOUBTS = 3  # results in a row that are late, or not of the input asked for, make a part a wrong one

_ETIMEDOUT = 110
_CLOCKS = 9  # of a bus clear: a byte and its acknowledgement (I2C specification UM10204, 3.1.16; from memory)
_HALF_CLOCK_US = 5


class I2cSense:
    """Sense inputs on one or two parts at `addresses`, four inputs each.

    `open_bus()` gives the I2C object, made anew after the bus was clocked free; `scl`, `sda`: numbers of its pins.
    """

    def __init__(self, open_bus, scl, sda, addresses):
        self._open_bus = open_bus
        self._scl = Pin(scl)
        self._sda = Pin(sda)
        self._i2c = open_bus()
        self._addresses = addresses
        self._asked = [-1] * len(addresses)  # input under conversion, -1 none
        self._config = [0] * len(addresses)  # as written for it
        self._next = [0] * len(addresses)
        self._doubts = [0] * len(addresses)
        self._failed = [False] * len(addresses)  # and not yet given a result again
        self._pause = [0] * len(addresses)
        self._known = [False] * len(addresses)  # its thresholds were looked at since it last failed
        self._mux = [-1] * SENSES_MAX  # -1: not in use
        self._two = bytearray(2)
        self._held = False  # the bus may be held low
        self._bus_pause = 0
        self.errors = 0
        self.recoveries = 0

    def use(self, used, against):
        """Flags for each sense input: whether it is in use, and whether against the fourth of its part."""
        for n in range(SENSES_MAX):
            which = n % INPUTS_OF_A_PART
            mux = which + (_AGAINST_FOURTH if against[n] else _SINGLE_ENDED)
            self._mux[n] = mux if used[n] else -1

    def read(self, inputs):
        """Take finished conversions into `inputs` and start the next ones. What fails stays silent.

        One transfer that times out is the most that a step can wait.
        """
        if self._bus_pause:
            self._bus_pause -= 1
            return
        if self._held:
            self._held = not self._clear_bus()
            if self._held:
                self._bus_pause = _PAUSE_STEPS
                for n in range(SENSES_MAX):
                    inputs.no_reading[n] = SENSE_SILENT
                return
        for part in range(len(self._addresses)):
            if self._pause[part]:
                self._pause[part] -= 1
                continue
            try:
                self._serve(part, inputs)
            except OSError as e:
                self.errors += 1
                self._fail(part, SENSE_SILENT, inputs)
                # What a held line looks like from inside differs: a time-out, or an arbitration that is lost.
                if e.errno == _ETIMEDOUT or not self._sda():
                    self._held = True
                    return

    def _serve(self, part, inputs):
        if not self._known[part]:
            for register, wanted in _REG_THRESHOLDS:
                self._i2c.readfrom_mem_into(self._addresses[part], register, self._two)
                if self._two[0] << 8 | self._two[1] != wanted:
                    self._fail(part, SENSE_PART, inputs)
                    return
            self._known[part] = True
        elif self._asked[part] >= 0 and not self._take(part, inputs):
            return
        self._ask(part, inputs)

    def _fail(self, part, why, inputs):
        """Look at a part from the start; at once after a first failure, after a while when it fails again."""
        self._known[part] = False
        self._lose(part)
        self._doubts[part] = 0
        self._pause[part] = _PAUSE_STEPS if self._failed[part] else 0
        self._failed[part] = True
        for n in range(INPUTS_OF_A_PART * part, INPUTS_OF_A_PART * part + INPUTS_OF_A_PART):
            inputs.no_reading[n] = why

    def _lose(self, part):
        """No result comes of what was asked: it is the next in turn again."""
        if self._asked[part] >= 0:
            self._next[part] = self._asked[part]
            self._asked[part] = -1

    def _take(self, part, inputs):
        """The result, when there is one and it is that of the input asked for; whether the next can be asked for."""
        two = self._two
        address = self._addresses[part]
        self._i2c.readfrom_into(address, two)  # the configuration: the write has left the pointer there
        config = two[0] << 8 | two[1]
        if config != self._config[part] | _READY:
            self._doubts[part] += 1
            if self._doubts[part] >= _DOUBTS:
                self._fail(part, SENSE_PART, inputs)
                return False
            if config == self._config[part]:  # not over yet
                return False
            self._lose(part)  # it lost its supply for a moment
            return True
        self._doubts[part] = 0
        self._failed[part] = False
        self._i2c.readfrom_mem_into(address, _REG_RESULT, two)
        code = two[0] << 8 | two[1]
        n = INPUTS_OF_A_PART * part + self._asked[part]
        inputs.code[n] = code - 0x10000 if code > 0x7FFF else code  # a little below ground reads negative
        reading = inputs.reading[n] + 1
        inputs.reading[n] = reading if reading <= 0x3FFF else 1
        return True

    def _ask(self, part, inputs):
        self._asked[part] = -1
        again = inputs.again - INPUTS_OF_A_PART * part
        if 0 <= again < INPUTS_OF_A_PART:  # a doubt is settled first
            inputs.again = -1
            self._start(part, again)
            return
        for _ in range(INPUTS_OF_A_PART):
            which = self._next[part]
            self._next[part] = (which + 1) & 3
            if self._mux[INPUTS_OF_A_PART * part + which] >= 0:
                self._start(part, which)
                return

    def _start(self, part, which):
        config = _CONFIG | self._mux[INPUTS_OF_A_PART * part + which] << 12
        self._config[part] = config
        config |= _READY
        self._two[0] = config >> 8
        self._two[1] = config & 0xFF
        self._i2c.writeto_mem(self._addresses[part], _REG_CONFIG, self._two)
        self._asked[part] = which

    def _clear_bus(self):
        """Clock free a part that was interrupted in the middle of a byte; whether both lines are high now."""
        scl, sda = self._scl, self._sda
        self.recoveries += 1
        sda.init(Pin.OPEN_DRAIN, Pin.PULL_UP, value=1)
        scl.init(Pin.OPEN_DRAIN, Pin.PULL_UP, value=1)
        for _ in range(_CLOCKS):
            if sda():
                break
            scl(0)
            time.sleep_us(_HALF_CLOCK_US)
            scl(1)
            time.sleep_us(_HALF_CLOCK_US)
        if not sda() or not scl():
            return False
        # A start and a stop: whatever listens begins anew.
        sda(0)
        time.sleep_us(_HALF_CLOCK_US)
        sda(1)
        time.sleep_us(_HALF_CLOCK_US)
        self._i2c = self._open_bus()
        for part in range(len(self._addresses)):
            self._lose(part)
        return True
