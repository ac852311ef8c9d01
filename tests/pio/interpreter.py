"""Interpreter of the RP2040's PIO instruction words, cycle by cycle, after its data sheet, section 3.4.

It knows nothing of any assembler. Left out: side-set (all five bits are delay), autopush, autopull and
`mov` from STATUS. All machines of a block run at one cycle a microsecond, in step: each sees the flags and
pins as they stood when the cycle began, and what it changes counts from the next cycle on. An edge made in
cycle c therefore has the time c + 1. What a board adds is a fixed phase of less than a cycle by machine.
"""

ALL_ONES = 0xFFFFFFFF
FIFO_WORDS = 4
FOREVER = 1 << 62

JMP, WAIT, IN, OUT, PUSH_PULL, MOV, IRQ, SET = range(8)


class Machine:
    """One state machine of a `Block`. X and Y start as garbage: only a program may set them."""

    def __init__(self, block, number):
        self.block = block
        self.number = number
        self.enabled = False
        self.x = 0x5A5A5A5A
        self.y = 0x00000009
        self.tx = []
        self.rx = []
        self.load([0xA042])

    def load(self, words, set_base=0, out_shift_right=False, in_shift_right=False, wrap_target=0, wrap_top=None):
        """Take a program that sits at 0: halted, FIFOs empty, shift registers and counters cleared."""
        self.words = list(words)
        self.set_base = set_base
        self.out_shift_right = out_shift_right
        self.in_shift_right = in_shift_right
        self.wrap_target = wrap_target
        self.wrap_top = len(self.words) - 1 if wrap_top is None else wrap_top
        self.enabled = False
        self.pc = 0
        self.isr = self.osr = 0
        self.isr_count, self.osr_count = 0, 32
        self.delay = 0
        self.irq_raised = False
        self.tx.clear()
        self.rx.clear()

    def put(self, word):
        """The processor's write to the FIFO, seen by the instruction of this very cycle."""
        if len(self.tx) == FIFO_WORDS:
            raise OverflowError("FIFO is full")
        self.tx.append(word & ALL_ONES)

    def execute(self, word):
        """An instruction written by the processor; it must not stall. The program counter stays."""
        pc = self.pc
        done = self._instruction(word)
        assert done, "the written instruction stalled"
        if word >> 13 != JMP:
            self.pc = pc
        self.block.settle()

    def step(self):
        if self.delay:
            self.delay -= 1
            return
        word = self.words[self.pc]
        at = self.pc
        self.pc = self.wrap_target if at == self.wrap_top else at + 1
        if self._instruction(word):
            self.delay = word >> 8 & 0x1F
        else:
            self.pc = at

    def idle_cycles(self):
        """How many cycles from now change nothing but a count (or nothing at all) if the block stays as is."""
        if not self.enabled:
            return FOREVER
        if self.delay:
            return self.delay
        word = self.words[self.pc]
        if word & 0xFF1F == self.pc and word >> 5 & 7 in (2, 4):  # jmp x-- or y-- to itself, no delay
            return self.x if word >> 5 & 7 == 2 else self.y
        if word & 0xE0E0 == 0x20C0 and not self.block.flags >> self._flag(word) & 1:  # wait 1 irq
            return FOREVER
        if word & 0xE0E0 == 0x80A0 and not self.tx:  # pull block
            return FOREVER
        return 0

    def skip(self, cycles):
        """What `cycles` steps, no more than `idle_cycles()`, come to."""
        if not self.enabled:
            return
        if self.delay:
            self.delay -= cycles
            return
        word = self.words[self.pc]
        if word >> 13 == JMP:
            if word >> 5 & 7 == 2:
                self.x -= cycles
            else:
                self.y -= cycles

    def _flag(self, word):
        index = word & 0x1F
        if index & 0x10:  # relative: the machine's number is added to the lowest two bits
            return index & 4 | (index + self.number) & 3
        return index & 7

    def _instruction(self, word):
        """Execute; False when it stalls."""
        operation = word >> 13
        if operation == JMP:
            return self._jmp(word >> 5 & 7, word & 0x1F)
        if operation == WAIT:
            return self._wait(word)
        if operation == IN:
            return self._in(word >> 5 & 7, word & 0x1F or 32)
        if operation == OUT:
            return self._out(word >> 5 & 7, word & 0x1F or 32)
        if operation == PUSH_PULL:
            return self._pull(word) if word & 0x80 else self._push(word)
        if operation == MOV:
            return self._mov(word >> 5 & 7, word >> 3 & 3, word & 7)
        if operation == IRQ:
            return self._irq(word)
        return self._set(word >> 5 & 7, word & 0x1F)

    def _jmp(self, condition, target):
        taken = (
            True, not self.x, bool(self.x), not self.y, bool(self.y), self.x != self.y, None, self.osr_count < 32,
        )[condition]
        if taken is None:
            raise NotImplementedError("jmp pin")
        # Decremented whether or not the jump is taken; what counts is the value before.
        if condition == 2:
            self.x = (self.x - 1) & ALL_ONES
        elif condition == 4:
            self.y = (self.y - 1) & ALL_ONES
        if taken:
            self.pc = target
        return True

    def _wait(self, word):
        polarity, source = word >> 7 & 1, word >> 5 & 3
        if source == 2:
            flag = self._flag(word)
            if self.block.flags >> flag & 1 != polarity:
                return False
            if polarity:
                self.block.clear(flag)
            return True
        if source == 0:
            return self.block.pins >> (word & 0x1F) & 1 == polarity
        raise NotImplementedError("wait pin")

    def _in(self, source, count):
        mask = (1 << count) - 1
        value = self._source(source) & mask
        if self.in_shift_right:
            self.isr = (self.isr >> count | value << (32 - count)) & ALL_ONES
        else:
            self.isr = (self.isr << count | value) & ALL_ONES
        self.isr_count = min(32, self.isr_count + count)
        return True

    def _out(self, target, count):
        if self.out_shift_right:
            value = self.osr & ((1 << count) - 1)
            self.osr >>= count
        else:
            value = self.osr >> (32 - count)
            self.osr = self.osr << count & ALL_ONES
        self.osr_count = min(32, self.osr_count + count)
        if target == 6:
            self.isr, self.isr_count = value, count
            return True
        if target == 7:
            return self._instruction(value & 0xFFFF)
        return self._set(target, value, count)

    def _push(self, word):
        if word & 0x40 and self.isr_count < 32:
            return True
        if len(self.rx) == FIFO_WORDS:
            if word & 0x20:
                return False
        else:
            self.rx.append(self.isr)
        self.isr = self.isr_count = 0
        return True

    def _pull(self, word):
        if word & 0x40 and self.osr_count < 32:
            return True
        if self.tx:
            self.osr = self.tx.pop(0)
        elif word & 0x20:
            return False
        else:
            self.osr = self.x  # data sheet 3.4.7: a nonblocking pull of an empty FIFO copies scratch X
        self.osr_count = 0
        return True

    def _mov(self, target, operation, source):
        value = self._source(source)
        if operation == 1:
            value ^= ALL_ONES
        elif operation == 2:
            value = int(f"{value:032b}"[::-1], 2)
        elif operation == 3:
            raise NotImplementedError("mov operation 3 is reserved")
        if target == 4:
            return self._instruction(value & 0xFFFF)
        if target == 6:
            self.isr, self.isr_count = value, 0
        elif target == 7:
            self.osr, self.osr_count = value, 0
        else:
            self._set(target, value, 32)
        return True

    def _irq(self, word):
        flag = self._flag(word)
        if word & 0x40:
            self.block.clear(flag)
            return True
        if not self.irq_raised:
            self.block.set(flag)
            self.irq_raised = bool(word & 0x20)
            return not self.irq_raised
        self.irq_raised = bool(self.block.flags >> flag & 1)
        return not self.irq_raised

    def _set(self, target, value, count=5):
        if target == 0:
            # `out` and `mov` would use their own base; the programs here have one pin, and one base.
            self.block.drive(self.set_base, value & 1)
        elif target == 1:
            self.x = value
        elif target == 2:
            self.y = value
        elif target == 5:
            self.pc = value & 0x1F
        elif target not in (3, 4):  # null and pindirs change nothing here
            raise NotImplementedError(f"destination {target}")
        return True

    def _source(self, source):
        if source in (4, 5):
            raise NotImplementedError("STATUS, or a reserved source")
        return (self.block.pins >> self.set_base, self.x, self.y, 0, 0, 0, self.isr, self.osr)[source] & ALL_ONES


class Block:
    """Four machines that share eight flags, and the pins. `edges`: (time_us, gpio, level), in order."""

    def __init__(self):
        self.machines = [Machine(self, number) for number in range(4)]
        self.now_us = 0
        self.flags = 0
        self.pins = 0
        self.edges = []
        self._raised = self._cleared = 0
        self._driven = []

    def set(self, flag):
        self._raised |= 1 << flag

    def clear(self, flag):
        self._cleared |= 1 << flag

    def drive(self, gpio, level):
        self._driven.append((gpio, level))

    def settle(self):
        """Let the changes of a cycle count; a flag set and cleared in one cycle ends up set."""
        self.flags = self.flags & ~self._cleared | self._raised
        self._raised = self._cleared = 0
        for gpio, level in self._driven:
            if self.pins >> gpio & 1 != level:
                self.pins ^= 1 << gpio
                self.edges.append((self.now_us, gpio, level))
        self._driven.clear()

    def run_until(self, t_us, skipping=True):
        """Run up to, not including, cycle `t_us`; `skipping` leaps over cycles in which nothing but counts."""
        while self.now_us < t_us:
            idle = 0
            if skipping:
                idle = min(t_us - self.now_us, *(machine.idle_cycles() for machine in self.machines))
            if idle:
                for machine in self.machines:
                    machine.skip(idle)
                self.now_us += idle
                continue
            for machine in self.machines:
                if machine.enabled:
                    machine.step()
            self.now_us += 1
            self.settle()

    def pulses(self, gpio):
        """(rise_us, width_us) of the whole pulses so far on one pin."""
        edges = [(t_us, level) for t_us, pin, level in self.edges if pin == gpio]
        assert [level for _, level in edges] == [1, 0] * (len(edges) // 2) + [1] * (len(edges) % 2)
        return [(up, down - up) for (up, _), (down, _) in zip(edges[::2], edges[1::2], strict=False)]
