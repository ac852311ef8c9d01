"""No integer of the step passes 30 bits: beyond that it is an object on the heap of a 32-bit board.

MicroPython's small integers on such a board have 31 bits with the sign (MicroPython, py/smallint.h, from memory).
"""

import random

import pytest

import core.balance
import core.controller
import core.events
import core.inputs
from core.controller import Controller
from core.recovery import Recovery
from shared_proto.settings import ROWS, SETTINGS, Values, conflict

LEAST, MOST = -(1 << 30), (1 << 30) - 1


class Small(int):
    """An int that refuses to leave the range, and so does all that is computed from it."""

    def __new__(cls, value):
        assert LEAST <= value <= MOST, f"{value} passes 30 bits"
        return int.__new__(cls, value)


def _checked(name):
    plain = getattr(int, name)

    def method(self, *others):
        result = plain(self, *others)
        return result if result is NotImplemented else Small(result)

    return method


for _name in (
    "add", "radd", "sub", "rsub", "mul", "rmul", "floordiv", "rfloordiv", "lshift", "rlshift", "rshift", "rrshift",
    "and", "rand", "or", "ror", "xor", "rxor", "neg",
):  # fmt: skip
    setattr(Small, f"__{_name}__", _checked(f"__{_name}__"))


class SmallList(list):
    """In place of `array`, which would hand out plain ints."""

    def __init__(self, _code, values):
        super().__init__(Small(v) for v in values)

    def __setitem__(self, at, value):
        super().__setitem__(at, Small(value))


def small(value, seen):
    """`value` with every int in it made Small; the same object where nothing of it had to change."""
    if type(value) is int:
        return Small(value)
    if isinstance(value, tuple):
        return tuple(small(v, seen) for v in value)
    if isinstance(value, list) and not isinstance(value, SmallList):
        if value and all(type(v) is int for v in value):
            return SmallList(None, value)
        value[:] = [small(v, seen) for v in value]
    small_attributes(value, seen)
    return value


def small_attributes(thing, seen=None):
    """Every int that an object of the core keeps, made Small."""
    seen = set() if seen is None else seen
    if id(thing) in seen or not type(thing).__module__.startswith("core."):
        return
    seen.add(id(thing))
    for name, value in vars(thing).items():
        setattr(thing, name, small(value, seen))


def extreme_values(rng):
    """Settings at their limits, or anywhere between, that the box would accept."""
    while True:
        values = Values()
        for setting, row in zip(SETTINGS, values.rows, strict=True):
            for i in range(setting.count):
                if setting.code[-1] == "s" or setting.name in ("rig_crc", "sides"):
                    continue
                if setting.name == "current_da":
                    row[i] = tuple(rng.choice((0, setting.high, rng.randint(0, setting.high))) for _ in range(11))
                elif setting.name == "curve":
                    row[i] = (0, *sorted(rng.choice((0, 1000, rng.randint(0, 1000))) for _ in range(10)))
                else:
                    default = [setting.default] if isinstance(setting.default, int) else []
                    row[i] = rng.choice(
                        [setting.low, setting.high, *default, rng.randint(setting.low, setting.high)]
                    )
        values.put("rig", b"")
        for n in range(8):
            values.put("sense.side", rng.randint(0, 2), n)
            values.put("sense.cells", rng.choice((0, n + 1, 14 - n)), n)
        for side in range(4):
            values.put("side.cells", 14, side)
        if not conflict(values):
            values.put("rig", b"x")
            return values


@pytest.mark.parametrize("seed", range(40))
def test_no_integer_of_the_step_passes_30_bits(monkeypatch, seed):
    for module in (core.balance, core.events, core.inputs):
        monkeypatch.setattr(module, "array", SmallList)
    rng = random.Random(seed)
    controller = Controller()
    values = extreme_values(rng)
    controller.configure(values)  # outside the step: it may
    controller.now_ms = MOST - 100  # and over the wrap of the clock
    small_attributes(controller)
    inputs = controller.inputs
    inputs.stop_closed = True
    share = rng.random()
    for _ in range(150):
        for n in range(8):
            if rng.random() < 0.9:
                code = rng.choice((0, 32767, 65535, int(65535 * share), rng.randint(0, 65535)))
                inputs.code[n] = code
                inputs.reading[n] = inputs.reading[n] + 1
        inputs.lever_a_mv = Small(rng.choice((0, 3300, rng.randint(0, 3300))))
        inputs.lever_b_mv = Small(rng.choice((0, 3300, rng.randint(0, 3300))))
        controller.interlock.state = Small(rng.choice((0, 1, 2, 3, 4, 4)))
        controller.bench.phase = Small(rng.randint(0, 7))
        if rng.random() < 0.2:
            controller.bench.take_step(Small(rng.randint(0, 2)), Small(rng.randint(0, 2)), Small(1000), Small(30000))
        if rng.random() < 0.7:
            controller.bench.take_beat()
        inputs.button = rng.random() < 0.7
        controller.step(Small(rng.choice((0, 1, 20000, 10_000_000, MOST))))
        believed_mv = controller.strings.weakest_cell_mv
        controller.strings.weakest_cell_mv = Small(rng.randint(0, 65535))
        controller.limits.update(Small(rng.randint(0, 1000)), controller.strings, Small(100_000))
        controller.strings.weakest_cell_mv = believed_mv  # without a new reading it would stand
        if rng.random() < 0.1:
            controller.events.take()


def test_the_check_itself_refuses_31_bits():
    with pytest.raises(AssertionError):
        Small(1 << 20) * (1 << 10)
    with pytest.raises(AssertionError):
        (1 << 20) * Small(1 << 11) >> 11


def test_a_string_that_appears_while_its_rise_is_watched():
    """From 14 cells at 1 V to full, and the longest bench step that the settings allow."""
    longest_ms = SETTINGS[ROWS["bench_step_ms"]].high
    recovery = Recovery()
    for top_mv in (14_000, 14_000, 14_000, 58_800):
        for _ in range(50):
            recovery.update(20, [top_mv], 1)
    rise_mv = recovery.most_mv(0, 3000)
    assert rise_mv > 20_000
    assert rise_mv * longest_ms <= MOST
