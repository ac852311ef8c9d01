"""ADC drivers on a desk: the register-level parts of the simulated board, joined to the drivers without a VM."""

import importlib.util
import sys
import types
from pathlib import Path

import machine

from core.inputs import Inputs
from drivers import adc_i2c
from drivers.adc_i2c import I2cSense

adc_i2c.time = types.SimpleNamespace(sleep_us=lambda us: None)  # CPython's own has none
HAL = Path(__file__).resolve().parents[2] / "host" / "barbox" / "sim" / "hal"
SCL, SDA = 9, 8
STEP_US, TIMEOUT_US = 20_000, 3000


def load_parts():
    """The module `_parts` of the simulated board, on a bus of its own that a test sets."""
    bus = types.ModuleType("_bus")
    bus.__dict__.update(answer=[0] * 19, now=0, PARTS=6, SENSE_UV=7)
    display = types.ModuleType("_display")
    display.__dict__["Ssd1306"] = lambda: None
    spec = importlib.util.spec_from_file_location("_parts", HAL / "_parts.py")
    assert spec and spec.loader
    parts = importlib.util.module_from_spec(spec)
    before = {name: sys.modules.get(name) for name in ("_bus", "_display")}
    sys.modules.update({"_bus": bus, "_display": display})
    try:
        spec.loader.exec_module(parts)
    finally:
        for name, module in before.items():
            if module is None:
                del sys.modules[name]
    return parts, bus


class Bus:
    """`machine.I2C` as far as the driver uses it; counts what each step costs."""

    def __init__(self, parts, bus):
        self._parts = parts
        self._bus = bus
        self.transfers = self.timeouts = self.opened = 0
        self.glitch = []  # errors to raise at the next transfers, None for none

    def open(self):
        self.opened += 1
        return self

    def _part(self, address):
        self.transfers += 1
        if self.glitch and (error := self.glitch.pop(0)):
            raise OSError(error)
        part = self._parts.at(0, address)
        if part is None:
            raise OSError(5)
        if part is self._parts.STUCK:
            self.timeouts += 1
            self._bus.now += TIMEOUT_US
            raise OSError(110)
        return part

    def readfrom_into(self, address, data):
        self._part(address).read_into(data)

    def readfrom_mem_into(self, address, register, data):
        part = self._part(address)
        part.point(register)
        part.read_into(data)

    def writeto_mem(self, address, register, data):
        part = self._part(address)
        part.point(register)
        part.write_register(data)


class AdcDesk:
    """The I2C driver with two parts. Input n carries `uv[n]`; `step` is what a control step does."""

    def __init__(self, used=range(8), against=()):
        self.parts, self._bus = load_parts()
        self.bus = Bus(self.parts, self._bus)
        self.parts.wire(0, SCL, SDA)
        machine.Pin.levels = {SDA: lambda: 0 if self.parts.pulled_low(SDA) else 1}
        machine.Pin.on_rise = self.parts.rise
        self.inputs = Inputs()
        self.driver = I2cSense(self.bus.open, SCL, SDA, (0x48, 0x49))
        self.driver.use([n in used for n in range(8)], [n in against for n in range(8)])
        self.steps = 0
        self.read_at = [0] * 8  # step of the latest reading of each input
        for n in range(8):
            self.set_uv(n, 125 * self.code_of(n))

    @staticmethod
    def code_of(n):
        """Unlike that of any other input."""
        return 3000 + 2500 * n

    def set_uv(self, n, uv):
        self._bus.answer[7 + n] = uv

    def wrong(self, word):
        """Faults, bit by bit as in `_parts`."""
        self._bus.answer[6] = word

    def step(self, count=1, spacing_us=STEP_US):
        """Control steps; returns which inputs got a new reading."""
        new = []
        for _ in range(count):
            before = list(self.inputs.reading)
            self.steps += 1
            self.driver.read(self.inputs)
            self._bus.now += spacing_us
            for n in range(8):
                if self.inputs.reading[n] != before[n]:
                    self.read_at[n] = self.steps
                    new.append(n)
        return new

    def lose_power(self, number):
        """A part loses its supply for a moment: all registers as at power-on."""
        part = self.parts.at(0, 0x48 + number)
        part.__init__(number)
