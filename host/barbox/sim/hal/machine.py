"""`machine` of an RP2040, as far as the firmware uses it, on `_bus`."""

import _bus
import _parts
import _streams

PWRON_RESET = 1
WDT_RESET = 3

_reset_cause = PWRON_RESET
_unique_id = bytes(8)
_SCRATCH0 = 0x4005800C  # of the watchdog, the first of four that survive its reset
_SCRATCHES = 4


class _Words:
    """Registers that hold what was written to them."""

    def __init__(self):
        self.words = {}

    def __getitem__(self, address):
        return self.words[address]

    def __setitem__(self, address, value):
        _bus.spend(_bus.cost["pin"])
        self.words[address] = value
        which = (address - _SCRATCH0) // 4
        if 0 <= which < _SCRATCHES:
            _bus.log(_bus.SCRATCH, which, value)


mem32 = _Words()


class _Port:
    """The registers of the USB port that tell what of a write has gone."""

    def __getitem__(self, address):
        _bus.spend(_bus.cost["pin"])
        if address == 0x50100013:  # the IN endpoint is configured
            return 0x80
        if address == 0x50100090:
            _streams.settle()
            return _streams.buffer_control
        if address == 0x50110048:
            return _bus.now // 1000 & 0x7FF
        raise ValueError(address)


mem8 = mem16 = _Port()


def configure(reset_cause, unique_id, scratch):
    global _reset_cause, _unique_id
    for which, word in enumerate(scratch):
        mem32.words[_SCRATCH0 + 4 * which] = word
    _reset_cause = reset_cause
    _unique_id = unique_id


def reset_cause():
    return _reset_cause


def unique_id():
    return _unique_id


def freq():
    return 125000000


def reset():
    _bus.exchange(_bus.RESET)
    raise SystemExit


def idle():
    _bus.spend(10)


def disable_irq():
    return _bus.mask(True)


def enable_irq(state):
    _bus.mask(state)


class Pin:
    IN = 0
    OUT = 1
    OPEN_DRAIN = 2
    PULL_UP = 1
    PULL_DOWN = 2
    IRQ_RISING = 8
    IRQ_FALLING = 4

    def __init__(self, number, mode=-1, pull=-1, value=None):
        self.number = number
        self._out = 0
        self._open = False
        self.init(mode, pull, value)

    def init(self, mode=-1, pull=-1, value=None):
        if mode != -1:
            self._open = mode == Pin.OPEN_DRAIN
        if mode == Pin.OUT or mode == Pin.OPEN_DRAIN:
            self(0 if value is None else value)

    def value(self, value=None):
        if value is not None:
            return self(value)
        _bus.spend(_bus.cost["pin"])
        if self._open and not self._out or _parts.pulled_low(self.number):
            return 0
        return _bus.answer[_bus.PINS] >> self.number & 1

    def __call__(self, value=None):
        if value is None:
            return self.value()
        _bus.spend(_bus.cost["pin"])
        if value and not self._out:
            _parts.rise(self.number)
        self._out = 1 if value else 0
        _bus.log(_bus.PIN_OUT, self.number, self._out)

    def irq(self, handler=None, trigger=IRQ_RISING | IRQ_FALLING, hard=False):
        edges = (1 if trigger & Pin.IRQ_RISING else 0) | (2 if trigger & Pin.IRQ_FALLING else 0)
        _bus.irq(self.number, lambda: handler(self), edges)


class ADC:
    """12 bits, left-aligned to 16 by repetition as the port does, with noise and the codes of erratum E11."""

    def __init__(self, pin):
        self._index = _bus.CHIP_UV + (pin.number if isinstance(pin, Pin) else pin) - 26

    def read_u16(self):
        _bus.spend(_bus.cost["adc_read"])
        code = _parts.chip_code(_bus.answer[self._index])
        return code << 4 | code >> 8


class Timer:
    ONE_SHOT = 0
    PERIODIC = 1

    def __init__(self, id=-1, **options):
        self.due = 0
        if options:
            self.init(**options)

    def init(self, mode=PERIODIC, period=-1, freq=-1, callback=None):
        self._period_us = int(1000000 / freq) if freq > 0 else 1000 * period
        self._mode = mode
        self.callback = callback
        self.due = _bus.now + self._period_us
        _bus.add_timer(self)

    def next(self):
        if self._mode == Timer.ONE_SHOT:
            _bus.remove_timer(self)
            return
        self.due += self._period_us
        # The scheduler's queue holds eight callbacks; what does not fit is lost.
        if self.due < _bus.now - 8 * self._period_us:
            self.due = _bus.now - 8 * self._period_us

    def deinit(self):
        _bus.remove_timer(self)


class WDT:
    def __init__(self, id=0, timeout=5000):
        if not 1 <= timeout <= 8388:
            raise ValueError("timeout out of range")
        _bus.feed_watchdog(1000 * timeout)

    def feed(self):
        _bus.feed_watchdog()


class PWM:
    def __init__(self, pin, freq=0, duty_u16=0):
        self._pin = pin.number if isinstance(pin, Pin) else pin
        self._freq = freq
        self._duty = duty_u16
        self._tell()

    def freq(self, value=None):
        if value is None:
            return self._freq
        self._freq = value
        self._tell()

    def duty_u16(self, value=None):
        if value is None:
            return self._duty
        self._duty = value
        self._tell()

    def _tell(self):
        _bus.spend(_bus.cost["pwm"])
        _bus.log(_bus.PWM_OUT, self._pin, self._freq << 16 | self._duty)


class I2C:
    """Transfers with the parts of `_parts`, charged by their bits."""

    def __init__(self, id=0, scl=None, sda=None, freq=400000, timeout=50000):
        self._id = id
        _bus.spend(_bus.cost["i2c_make"])
        if scl is not None:
            _parts.wire(id, scl.number, sda.number)
        self._call_us = _bus.cost["i2c_call"]
        self._bits_us = _bus.cost["i2c_bit_x100"] * 4000  # of 400,000 bits, at 400 kHz
        self._freq = freq
        self._timeout = timeout
        self._well = {a: p for (bus, a), p in _parts._PARTS.items() if bus == id}  # who answers when nothing is wrong

    def _transfer(self, address, count):
        us = self._call_us + (9 * (count + 1) + 2) * self._bits_us // self._freq
        part = _parts.at(self._id, address) if _bus.answer[_bus.PARTS] else self._well.get(address)
        if part is None:
            _bus.hold(self._call_us + 30)
            raise OSError(5)
        if part is _parts.STUCK:
            _bus.hold(self._timeout)
            raise OSError(110)
        _bus.hold(us)
        return part

    def scan(self):
        return [a for a in range(8, 120) if _parts.at(self._id, a) not in (None, _parts.STUCK)]

    def writeto(self, address, data, stop=True):
        self._transfer(address, len(data)).write(data)
        return len(data)

    def writevto(self, address, vector, stop=True):
        data = bytearray()
        for part in vector:
            data += part
        self._transfer(address, len(data)).write(data)
        return len(data)

    def readfrom_into(self, address, data, stop=True):
        self._transfer(address, len(data)).read_into(data)

    def writeto_mem(self, address, register, data, addrsize=8):
        part = self._transfer(address, len(data) + 1)
        part.point(register)
        part.write_register(data)

    def readfrom_mem_into(self, address, register, data, addrsize=8):
        part = self._transfer(address, len(data) + 2)
        part.point(register)
        part.read_into(data)


SoftI2C = I2C
