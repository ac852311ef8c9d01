"""`time` in virtual time. The tick counters wrap at 2**30, as on the board."""

import _bus
from utime import gmtime, localtime, mktime  # noqa: F401  (the built-in module)

_MASK = 0x3FFFFFFF
_HALF = 0x20000000


def ticks_ms():
    return (_bus.ticks_base + _bus.now) // 1000 & _MASK


def ticks_us():
    return _bus.ticks_base + _bus.now & _MASK


def ticks_cpu():
    return ticks_us()


def ticks_diff(a, b):
    return ((a - b + _HALF) & _MASK) - _HALF


def ticks_add(a, b):
    return (a + b) & _MASK


def _never():
    return False


def sleep_us(us):
    if us > 0:
        _bus.wait(us, _never)


def sleep_ms(ms):
    sleep_us(1000 * ms)


def sleep(s):
    sleep_us(int(1000000 * s))


def time():
    return _bus.now // 1000000


def time_ns():
    return 1000 * _bus.now
