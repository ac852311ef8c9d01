"""ESC pulses from the RP2040's PIO: exact to the microsecond, and gone by themselves when no word follows.

A frame clock raises one flag for each ESC machine of its block every 20 ms. At its flag an ESC machine
takes the next word and makes one pulse of it. Without a new word it repeats the last pulse three times and
then holds the pin low: the last pulse ends at most 82.2 ms after the word was handed over, whatever the
software does meanwhile.
"""

import rp2
from machine import Pin, disable_irq, enable_irq

# False on the board, which has no `typing`; type checkers take it for True and learn the PIO words.
TYPE_CHECKING = False
if TYPE_CHECKING:
    from rp2.asm_pio import (
        invert,
        irq,
        isr,
        jmp,
        label,
        mov,
        noblock,
        not_y,
        osr,
        out,
        pins,
        pull,
        rel,
        set,
        wait,
        wrap,
        wrap_target,
        x,
        x_dec,
        y,
        y_dec,
    )

PERIOD_US = 20000
REPEATS = 3  # written in the program too: there a constant of this file cannot be seen
WIDTH_MIN_US = 800
WIDTH_MAX_US = 2200
IDLE_US = 1000

CLOCK_HZ = 1000000  # one cycle is one microsecond; the chip's clock must be a whole multiple of it
CLOCK_CYCLES = 5  # of a frame, besides the counts in ISR: mov, the last count of jmp, three irq
PULSE_CYCLES = 2  # of a pulse, besides the counts of its word: set, the last count of jmp

# State machines. An ESC machine waits for the flag of its own number in its block, 1 to 3; a fourth side is
# in block 1, whose clock is machine 3 of the block: a Pico W's radio takes machine 0 there (from memory).
ESC_MACHINES = (1, 2, 3, 5)
CLOCK_MACHINES = (0, 7)


@rp2.asm_pio()
def frame_clock():
    """Raise flags 1, 2 and 3 once a frame. ISR holds the frame's length less CLOCK_CYCLES."""
    wrap_target()
    mov(x, isr)
    label("count")
    jmp(x_dec, "count")
    irq(1)
    irq(2)
    irq(3)
    wrap()


# A word is the width less PULSE_CYCLES, top bit 0. X holds the repeats left, inverted, so its top bit is
# 1; all ones means none left. `pull(noblock)` on an empty FIFO hands X back: the top bit tells them apart.
@rp2.asm_pio(set_init=rp2.PIO.OUT_LOW, out_shiftdir=rp2.PIO.SHIFT_LEFT)
def esc_pulse():
    """One pulse for a word at each flag, at most three repeats of it, then low. X must start as all ones."""
    wrap_target()
    label("start")
    wait(1, irq, rel(0))  # pyright: ignore[reportArgumentType]
    pull(noblock)
    mov(x, osr)
    out(y, 1)
    jmp(not_y, "fresh")
    mov(x, invert(x))
    jmp(x_dec, "again")
    jmp("start")  # X has wrapped to all ones
    label("again")
    mov(x, invert(x))
    jmp("pulse")
    label("fresh")
    mov(isr, x)
    set(x, 3)
    mov(x, invert(x))[1]  # as long as the way through "again", so that every pulse rises in step
    label("pulse")
    mov(y, isr)
    set(pins, 1)
    label("high")
    jmp(y_dec, "high")
    set(pins, 0)
    wrap()


def _word(width_us):
    if width_us < WIDTH_MIN_US:
        width_us = WIDTH_MIN_US
    elif width_us > WIDTH_MAX_US:
        width_us = WIDTH_MAX_US
    return width_us - PULSE_CYCLES


class PulseOutput:
    """Pulses of 1 to 4 ESCs.

    `pins`: GPIO numbers, one a side, in the order of the sides. They are driven low at once; no pulse is
    made before `start()` and the first `write()` after it. `idle_us` (a list, one a side) is
    the width that `all_idle()` sends, held to 800..2200. Raises ValueError for no pins or more than four.
    """

    def __init__(self, pins):
        count = len(pins)
        if not 1 <= count <= len(ESC_MACHINES):
            raise ValueError("1 to 4 pulse pins, not %d" % count)
        self._pins = [Pin(number, Pin.OUT, value=0) for number in pins]
        self._machines = [rp2.StateMachine(ESC_MACHINES[i]) for i in range(count)]
        self._clocks = [rp2.StateMachine(number) for number in CLOCK_MACHINES[: 1 + count // 4]]
        self._count = count
        self._forced = [False] * count
        self._running = False
        self.idle_us = [IDLE_US] * count

    def start(self):
        """Start the frame clock; pins stay low until the first `write()`. Allocates."""
        self.stop()
        for i in range(self._count):
            machine = self._machines[i]
            machine.init(esc_pulse, freq=CLOCK_HZ, set_base=self._pins[i])
            machine.exec("mov(x, invert(null))")  # no repeats left: no edge before the first word
            machine.active(1)
        for clock in self._clocks:
            clock.init(frame_clock, freq=CLOCK_HZ)
            clock.put(PERIOD_US - CLOCK_CYCLES)
            clock.exec("pull()")
            clock.exec("mov(isr, osr)")
            clock.active(1)
        self._running = True

    def stop(self):
        """Hold every pin low at once, cutting a pulse short, and forget what waited. Allocates."""
        self._running = False
        for clock in self._clocks:
            clock.active(0)
        for i in range(self._count):
            self._machines[i].active(0)
            self._pins[i].init(Pin.OUT, value=0)  # takes the pin from the PIO

    def write(self, index, width_us):
        """Hand over the next pulse of side `index`, `width_us` high, held to 800..2200; no heap.

        Returns False, and hands over nothing, when a word still waits (so that words never queue up) or
        when not started. After `all_idle()` a side stays at its idle until a width at or below it was
        asked for: a step that was already under way cannot undo a stop. Such a write still returns True.
        """
        machine = self._machines[index]
        idle_us = self.idle_us[index]
        taken = False
        # `all_idle()` must not come between the look and the put: its idle would then be the older word.
        interrupts = disable_irq()
        try:
            if self._running and not machine.tx_fifo():
                if width_us <= idle_us:
                    self._forced[index] = False
                elif self._forced[index]:
                    width_us = idle_us
                machine.put(_word(width_us))
                taken = True
        finally:
            enable_irq(interrupts)
        return taken

    def all_idle(self, _source=None):
        """Make idle the last word of every side; for a hard interrupt: no heap, never blocks.

        A pulse above idle that was under way or waiting is the last: it starts within a frame (20 ms).
        """
        for i in range(self._count):
            self._forced[i] = True
            machine = self._machines[i]
            # Two words wait only after an earlier call, and then the newer of them is idle already.
            if self._running and machine.tx_fifo() < 2:
                machine.put(_word(self.idle_us[i]))

    def forced(self, index):
        """Whether `all_idle()` still holds side `index` at its idle."""
        return self._forced[index]
