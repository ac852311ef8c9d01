"""Stands in for MicroPython's own module when a driver runs on CPython: pins and converters that a test sets."""


class Pin:
    """`levels` has what the world makes of a pin that nobody pulls low; `on_rise(number)` is told of rising edges."""

    IN, OUT, OPEN_DRAIN, PULL_UP = 0, 1, 2, 1
    levels: dict = {}
    on_rise = staticmethod(lambda number: None)

    def __init__(self, number, mode=-1, pull=-1, value=None):
        self.number = number
        self._out = 1

    def init(self, mode=-1, pull=-1, value=None):
        self._out = 1 if value is None else value

    def __call__(self, value=None):
        if value is None:
            level = Pin.levels.get(self.number, 1)
            return (level() if callable(level) else level) if self._out else 0
        if value and not self._out:
            Pin.on_rise(self.number)
        self._out = value


class ADC:
    """`code(number)` is the 12-bit code of a conversion at a pin."""

    code = staticmethod(lambda number: 0)

    def __init__(self, pin):
        self._number = pin.number

    def read_u16(self):
        code = ADC.code(self._number)
        return code << 4 | code >> 8


class Timer:
    """Never calls back: a test does."""

    PERIODIC = 1

    def __init__(self, *_, **how):
        self.how = how


class WDT:
    def __init__(self, timeout):
        self.timeout = timeout

    def feed(self):
        """On the board: puts the reset off."""
