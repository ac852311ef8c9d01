"""Virtual time costs what real time costs.

The figures here were measured on MicroPython's own RP2040 build at 125 MHz in an emulator that models the flash
cache; no physical board has been measured. Bus times follow from the bits of a transfer (NXP UM10204: nine clocks
a byte, start and stop), flash times from typical figures of NOR flash data sheets (from memory).
"""

import pytest
from bench_host import Host, make_box

from barbox.sim.hal import _costs

MEASURED_US = {  # microseconds each
    "ADC.read_u16": 6,
    "PWM.duty": 12,
    "stdout.buffer.write of 48 bytes": 50,
    "gc.collect with 15,000 bytes live": 1_450,
    "gc.collect with 75,000 bytes live": 13_300,
}

PROGRAM = b"""
import machine, sys, time, gc, os
import _bus
out = sys.stdout.buffer
gain = machine.ADC(26)
pwm = machine.PWM(12, 1000)
i2c = machine.I2C(0, scl=machine.Pin(9), sda=machine.Pin(8), freq=400000, timeout=3000)
two = bytearray(2)
class Late:
    def __init__(self):
        self.at = 0
    def tick(self, _):
        self.at = _bus.now
def took(name, what, *args):
    began = _bus.now
    try:
        what(*args)
    except OSError:
        pass
    results.append((name, _bus.now - began))
results = []
took("adc", gain.read_u16)
took("pwm", pwm.duty_u16, 30000)
took("i2c write", i2c.writeto_mem, 0x48, 1, b"\\xc1\\x83")
took("i2c read", i2c.readfrom_mem_into, 0x48, 0, two)
took("i2c absent", i2c.readfrom_mem_into, 0x4A, 0, two)
took("print 48", out.write, b"." * 48)
took("ticks", time.ticks_us)
took("sleep", time.sleep_ms, 7)
first = [bytearray(2000) for _ in range(30)]  # beyond what is free of charge
took("collect", gc.collect)
live = gc.mem_alloc()
kept = [bytearray(2000) for _ in range(60)]
took("collect more", gc.collect)
results.append(("live", gc.mem_alloc() - live))
late = Late()
timer = machine.Timer(-1, period=20, mode=machine.Timer.PERIODIC, callback=late.tick)
due = timer.due
_bus.hold(50000)
results.append(("timer in a long C call", late.at - due))
due = timer.due
for _ in range(4000):
    _bus.spend(10)
results.append(("timer in bytecode", late.at - due if late.at < due + 20000 else late.at - due - 20000))
f = open("x", "wb")
took("flash", f.write, b"x" * 3000)
took("flash close", f.close)
for name, us in results:
    out.write(("%s=%d;" % (name, us)).encode())
out.write(b"end;")
time.sleep(60)
"""


@pytest.fixture(scope="module")
def measured():
    with make_box(overlay={"main.py": PROGRAM}) as box, Host(box) as host:
        host.ride(1)
        text = bytes(host.raw).decode("ascii", "replace").lstrip(".")
        assert text.endswith("end;"), text[-300:]
        return {name: int(us) for name, us in (part.split("=") for part in text.split(";") if "=" in part)}


def test_calls_cost_what_was_measured(measured):
    assert measured["adc"] == MEASURED_US["ADC.read_u16"]
    assert measured["pwm"] == MEASURED_US["PWM.duty"]
    # A single figure may be 30 % off on another build.
    assert measured["print 48"] == pytest.approx(MEASURED_US["stdout.buffer.write of 48 bytes"], rel=0.3)
    assert 0 <= measured["ticks"] <= 20
    assert measured["sleep"] == 7000


def test_the_bus_costs_its_bits(measured):
    bit_us = 2.5  # 400 kHz
    write_bits = 9 * 4 + 2  # address, register, two bytes; start and stop
    read_bits = 9 * 5 + 3  # address, register, address again, two bytes; two starts and a stop
    for name, bits in (("i2c write", write_bits), ("i2c read", read_bits)):
        assert bits * bit_us <= measured[name] - _costs.US["i2c_call"] + 3 <= 1.1 * bits * bit_us
    assert 9 * bit_us <= measured["i2c absent"] <= 200


def test_a_collection_costs_by_what_lives():
    costs = _costs.US

    def collect_us(live_bytes):
        return costs["gc_base"] + max(0, live_bytes - costs["gc_base_bytes"]) * costs["gc_kilobyte"] / 1000

    assert collect_us(15_000) == pytest.approx(MEASURED_US["gc.collect with 15,000 bytes live"], rel=0.01)
    assert collect_us(75_000) == pytest.approx(MEASURED_US["gc.collect with 75,000 bytes live"], rel=0.01)


def test_the_collection_that_runs_is_charged_so(measured):
    per_kilobyte_us = (MEASURED_US["gc.collect with 75,000 bytes live"] - 1_450) / 60
    grown_us = measured["collect more"] - measured["collect"]
    assert measured["collect"] >= MEASURED_US["gc.collect with 15,000 bytes live"]
    assert grown_us == pytest.approx(measured["live"] / 1000 * per_kilobyte_us, rel=0.1)


def test_a_soft_callback_waits_behind_a_long_c_call_and_not_behind_bytecode(measured):
    assert measured["timer in a long C call"] >= 30_000
    # 9 us for 95 % and 60 us at most were measured beside a loop of integers.
    assert 0 <= measured["timer in bytecode"] <= 60


def test_flash_costs_erases_and_programs(measured):
    total = measured["flash"] + measured["flash close"]
    # A new sector, eleven further pages, and the directory's own pages: 2 to 113 ms were measured for such a write.
    assert 46_000 <= total <= 2 * 113_000
    assert _costs.US["flash_erase"] == 46_000 and _costs.US["flash_program"] in range(250, 1000)


def test_the_declared_step_is_not_less_than_its_operations():
    """Two hundred operations and a dozen calls fit in 2 ms; the step of two sides has more, and is declared so."""
    assert 2_000 <= _costs.US["step"] <= 10_000
