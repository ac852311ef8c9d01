"""Four-channel 16-bit I2C ADC (ADS1115 class), without waiting: one conversion a step and part.

A step takes the result that the step before asked for and asks for the next, round robin over the inputs in
use. Single-ended, 4.096 V full scale, so one count is 125 uV at the pin; 250 conversions a second, so a
result (4.4 ms at the slowest) is always ready when the next step comes.
"""

from shared_proto.messages import SENSES_MAX

_REG_RESULT = 0
_REG_CONFIG = 1
# Start, single shot, full scale 4.096 V, 250 a second, comparator off; the input goes in at bits 12..14.
_CONFIG = 0x8000 | 0x0200 | 0x0100 | 0x00A0 | 0x0003
_SINGLE_ENDED = 4
_PAUSE_STEPS = 10  # a part that failed is asked again after this many steps, so that it cannot eat the frame


class I2cSense:
    """Sense inputs on one or two parts at `addresses` of `i2c`, four inputs each."""

    def __init__(self, i2c, addresses):
        self._i2c = i2c
        self._addresses = addresses
        self._asked = [-1] * len(addresses)  # input under conversion, -1 none
        self._next = [0] * len(addresses)
        self._pause = [0] * len(addresses)
        self._used = [False] * SENSES_MAX
        self._two = bytearray(2)
        self.errors = 0

    def use(self, used):
        """`used`: a flag for each sense input."""
        for n in range(SENSES_MAX):
            self._used[n] = used[n]

    def read(self, inputs):
        """Take finished conversions into `inputs` and start the next ones. A part that fails stays silent."""
        for part in range(len(self._addresses)):
            if self._pause[part]:
                self._pause[part] -= 1
                continue
            try:
                self._take(part, inputs)
                self._ask(part, inputs)
            except OSError:
                self.errors += 1
                self._asked[part] = -1
                self._pause[part] = _PAUSE_STEPS

    def _take(self, part, inputs):
        asked = self._asked[part]
        if asked < 0:
            return
        two = self._two
        self._i2c.readfrom_mem_into(self._addresses[part], _REG_RESULT, two)
        code = two[0] << 8 | two[1]
        n = 4 * part + asked
        inputs.code[n] = code - 0x10000 if code > 0x7FFF else code  # a little below ground reads negative
        inputs.reading[n] += 1
        if inputs.reading[n] > 0x3FFF:
            inputs.reading[n] = 1

    def _ask(self, part, inputs):
        self._asked[part] = -1
        again = inputs.again - 4 * part
        if 0 <= again < 4:  # a doubt is settled first
            inputs.again = -1
            self._start(part, again)
            return
        for _ in range(4):
            which = self._next[part]
            self._next[part] = (which + 1) & 3
            if self._used[4 * part + which]:
                self._start(part, which)
                return

    def _start(self, part, which):
        config = _CONFIG | (_SINGLE_ENDED + which) << 12
        self._two[0] = config >> 8
        self._two[1] = config & 0xFF
        self._i2c.writeto_mem(self._addresses[part], _REG_CONFIG, self._two)
        self._asked[part] = which
