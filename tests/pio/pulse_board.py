"""The pulse driver on interpreted state machines: the real assembler shim, with a `_bus` made of the interpreter."""

import importlib.util
import sys
from contextlib import contextmanager
from pathlib import Path
from types import SimpleNamespace
from typing import Any

from interpreter import ALL_ONES, Block

ROOT = Path(__file__).resolve().parents[2]
PERIOD_US = 20_000
PINS = (2, 3, 4, 5)
FIRST_PULL_US = 19_999  # of machine 1, the clock started at 0; machine n pulls n - 1 later


def load(name, path):
    """Import the file `path` as `name`, afresh."""
    spec = importlib.util.spec_from_file_location(name, ROOT / path)
    assert spec and spec.loader
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@contextmanager
def shadowed(**modules: Any):
    """Put `modules` in place of what their names import, for a while."""
    kept = {name: sys.modules.get(name) for name in modules}
    sys.modules.update(modules)
    try:
        yield
    finally:
        for name, module in kept.items():
            if module is None:
                del sys.modules[name]
            else:
                sys.modules[name] = module


class Board:
    """Two blocks in step, and the modules `machine`, `_bus`, `rp2` and `pulse` that run on them.

    `interrupt`: a callable run once, at the earliest call into the board that interrupts may break into,
    after `interrupt_after` such calls.
    """

    def __init__(self):
        self.blocks = [Block(), Block()]
        self.programs = {}  # state machine -> (name, words)
        self.words = []  # (state machine, word), as put
        self.interrupt = None
        self.interrupt_after = 0
        self.masked = False
        self.bus = SimpleNamespace(
            pio_program=self.pio_program,
            pio_active=self.pio_active,
            pio_put=self.pio_put,
            pio_exec=self.pio_exec,
            pio_fifo=self.pio_fifo,
        )
        board = self

        class Pin:
            OUT = 1

            def __init__(self, number, mode, value):
                self.number = number
                self.init(mode, value)

            def init(self, mode, value):
                assert mode == Pin.OUT
                for block in board.blocks:
                    block.drive(self.number, value)
                    block.settle()

        machine = SimpleNamespace(Pin=Pin, disable_irq=self.disable_irq, enable_irq=self.enable_irq)
        self.rp2: Any = load("rp2", "host/barbox/sim/hal/rp2.py")
        with shadowed(rp2=self.rp2, machine=machine):
            self.pulse: Any = load("pulse", "firmware/drivers/pulse.py")

    def state_machine(self, number, program, freq):
        with shadowed(_bus=self.bus):
            return self.rp2.StateMachine(number, program, freq=freq)

    def output(self, pins):
        with shadowed(_bus=self.bus):
            return self.pulse.PulseOutput(pins)

    def run_until(self, t_us):
        for block in self.blocks:
            block.run_until(t_us)

    @property
    def now_us(self):
        return self.blocks[0].now_us

    def pulses(self, gpio):
        return self.blocks[0].pulses(gpio) + self.blocks[1].pulses(gpio)

    def machine(self, number):
        return self.blocks[number // 4].machines[number % 4]

    def pio_program(self, number, words, name, gpio):
        self.programs[number] = (name, words)
        self.machine(number).load(words, set_base=gpio)

    def pio_active(self, number, on):
        self.machine(number).enabled = bool(on)

    def pio_put(self, number, word):
        self._may_interrupt()
        self.words.append((number, word))
        self.machine(number).put(word)

    def pio_exec(self, number, word):
        self.machine(number).execute(word)

    def pio_fifo(self, number):
        self._may_interrupt()
        return len(self.machine(number).tx)

    def disable_irq(self):
        self._may_interrupt()
        self.masked, before = True, self.masked
        return before

    def enable_irq(self, state):
        self.masked = state
        self._may_interrupt()

    def _may_interrupt(self):
        if self.masked or self.interrupt is None:
            return
        if self.interrupt_after:
            self.interrupt_after -= 1
            return
        handler, self.interrupt = self.interrupt, None
        handler()


def started(sides=1):
    """A board whose output runs, with what drives it."""
    board = Board()
    output = board.output(PINS[:sides])
    output.start()
    return board, output


def programmed(count):
    """The two programs without the driver; frames of `count` + 5 us."""
    pulse = Board().pulse
    block = Block()
    block.machines[0].load(pulse.frame_clock.words)
    block.machines[0].isr = count
    for machine in block.machines[1:]:
        machine.load(pulse.esc_pulse.words, set_base=PINS[machine.number - 1])
        machine.x = ALL_ONES
    for machine in block.machines:
        machine.enabled = True
    return block
