"""Shadows MicroPython's `rp2` in the simulated board: a PIO assembler and its state machines.

The assembler takes what `rp2.asm_pio` takes, side-set left out, and makes the words of the RP2040 data
sheet, section 3.4. It runs on CPython too. What the machines do is up to `_bus`.
"""

PROGRAM_WORDS_MAX = 32  # instruction memory of a block
MACHINE_CLOCK_HZ = 1000000  # what `_bus` models: one cycle is one microsecond


class PIOASMError(Exception):
    """A PIO program that cannot be assembled."""


class PIO:
    IN_LOW = 0
    IN_HIGH = 1
    OUT_LOW = 2
    OUT_HIGH = 3
    SHIFT_LEFT = 0
    SHIFT_RIGHT = 1
    JOIN_NONE = 0
    JOIN_TX = 1
    JOIN_RX = 2


# The operands, as the board numbers them; an instruction gives each place its meaning.
_OPERANDS = {
    "gpio": 0, "pins": 0, "x": 1, "y": 2, "null": 3, "pindirs": 4, "pc": 5, "status": 5, "isr": 6, "osr": 7,
    "exec": 8,
    "not_x": 1, "x_dec": 2, "not_y": 3, "y_dec": 4, "x_not_y": 5, "pin": 6, "not_osre": 7,
    "noblock": 0x01, "block": 0x21, "iffull": 0x40, "ifempty": 0x40, "clear": 0x40,
    "invert": lambda source: source | 0x08,
    "reverse": lambda source: source | 0x10,
    "rel": lambda index: index | 0x10,
}
_MOV_INVERT = 0x08
_MOV_REVERSE = 0x10
_INSTRUCTIONS = ("jmp", "wait", "in_", "out", "push", "pull", "mov", "irq", "set", "nop", "word")
_DIRECTIVES = ("wrap_target", "wrap", "label")


class Program:
    """An assembled program: its words, where it wraps, and the set-up given to `asm_pio`."""

    def __init__(self, name, words, wrap_target, wrap_top, options):
        self.name = name
        self.words = words
        self.wrap_target = wrap_target
        self.wrap_top = wrap_top
        self.options = options


class _Assembler:
    """Takes the calls of one program function; every instruction returns it, for `[delay]`."""

    def __init__(self):
        self._words = []
        self._labels = {}
        self._jumps = []  # (position, label)
        self._target = 0
        self._top = None

    def names(self):
        names = dict(_OPERANDS)
        for name in _INSTRUCTIONS + _DIRECTIVES:
            names[name] = getattr(self, name)
        return names

    def program(self, name, options):
        words = self._words
        if not 0 < len(words) <= PROGRAM_WORDS_MAX:
            raise PIOASMError("%s: %d instructions, 1 to %d fit" % (name, len(words), PROGRAM_WORDS_MAX))
        for position, label in self._jumps:
            target = self._labels.get(label, label)
            if not isinstance(target, int):
                raise PIOASMError("%s: no label %r" % (name, label))
            words[position] |= _within("jmp target", target, 0, len(words) - 1)
        top = len(words) - 1 if self._top is None else self._top
        if self._target >= len(words):
            raise PIOASMError("%s: wrap_target has no instruction after it" % name)
        return Program(name, tuple(words), self._target, top, options)

    def wrap_target(self):
        self._target = len(self._words)

    def wrap(self):
        if not self._words:
            raise PIOASMError("wrap has no instruction before it")
        self._top = len(self._words) - 1

    def label(self, name):
        if name in self._labels:
            raise PIOASMError("label %r stands twice" % name)
        self._labels[name] = len(self._words)

    def word(self, value):
        self._words.append(_within("word", value, 0, 0xFFFF))
        return self

    def delay(self, cycles):
        self._words[-1] |= _within("delay", cycles, 0, 31) << 8
        return self

    def __getitem__(self, cycles):
        return self.delay(cycles)

    def side(self, value):
        raise PIOASMError("side-set is not simulated")

    def nop(self):
        return self.mov(2, 2)

    def jmp(self, condition, label=None):
        if label is None:
            condition, label = 0, condition
        self._jumps.append((len(self._words), label))
        return self.word(_within("jmp condition", condition, 0, 7) << 5)

    def wait(self, polarity, source, index):
        if callable(source):  # `irq` is the instruction of that name
            source = 2
            _irq_index(index)
        elif source == _OPERANDS["pin"]:
            source = 1
        elif source != _OPERANDS["gpio"]:
            raise PIOASMError("wait takes gpio, pin or irq")
        polarity = _within("wait polarity", polarity, 0, 1)
        return self.word(0x2000 | polarity << 7 | source << 5 | _within("wait index", index, 0, 31))

    def in_(self, source, count):
        _one_of("in_ source", source, (0, 1, 2, 3, 6, 7))
        return self.word(0x4000 | source << 5 | _bits(count))

    def out(self, target, count):
        _one_of("out destination", target, (0, 1, 2, 3, 4, 5, 6, 8))
        return self.word(0x6000 | (7 if target == 8 else target) << 5 | _bits(count))

    def push(self, first=0, second=0):
        return self.word(0x8000 | _fifo_bits(first | second))

    def pull(self, first=0, second=0):
        return self.word(0x8080 | _fifo_bits(first | second))

    def mov(self, target, source):
        _one_of("mov destination", target, (0, 1, 2, 5, 6, 7, 8))
        _one_of("mov source", source & ~(_MOV_INVERT | _MOV_REVERSE), (0, 1, 2, 3, 5, 6, 7))
        if source & (_MOV_INVERT | _MOV_REVERSE) == _MOV_INVERT | _MOV_REVERSE:
            raise PIOASMError("mov takes invert or reverse, not both")
        return self.word(0xA000 | (4 if target == 8 else target) << 5 | source)

    def irq(self, mode, index=None):
        if index is None:
            mode, index = 0, mode
        mode &= 0x60
        _one_of("irq mode", mode, (0, 0x20, 0x40))
        return self.word(0xC000 | mode | _irq_index(index))

    def set(self, target, value):
        _one_of("set destination", target, (0, 1, 2, 4))
        return self.word(0xE000 | target << 5 | _within("set value", value, 0, 31))


def _within(what, value, least, most):
    if not least <= value <= most:
        raise PIOASMError("%s %d is not within %d to %d" % (what, value, least, most))
    return value


def _one_of(what, value, choices):
    if value not in choices:
        raise PIOASMError("not a %s: %r" % (what, value))


def _bits(count):
    return _within("bit count", count, 1, 32) & 0x1F  # 32 is coded as 0


def _irq_index(index):
    _within("irq flag", index & ~0x10, 0, 7)
    return index


def _fifo_bits(flags):
    return flags & 0x60 | (0 if flags & 0x01 else 0x20)


def asm_pio(**options):
    """Decorator: run the function with the PIO words as its globals, and return the assembled `Program`.

    As on the board, the function sees nothing else of its own file. Raises PIOASMError.
    """

    def assemble(function):
        assembler = _Assembler()
        scope = function.__globals__
        kept = scope.copy()
        scope.clear()
        scope.update(assembler.names())
        try:
            function()
        finally:
            scope.clear()
            scope.update(kept)
        return assembler.program(function.__name__, options)

    return assemble


def asm_pio_encode(instr, sideset_count, sideset_opt=False):
    """The word of one instruction given as text, for example `set(x, 3)`. Raises PIOASMError."""
    if sideset_count or sideset_opt:
        raise PIOASMError("side-set is not simulated")
    assembler = _Assembler()
    eval(instr, assembler.names())
    return assembler.program(instr, {}).words[0]


_loaded = {}  # block -> programs in its instruction memory


class StateMachine:
    """State machine `id`, 0 to 7, four a block."""

    def __init__(self, id, program=None, **options):
        if not 0 <= id <= 7:
            raise ValueError("state machine 0 to 7, not %d" % id)
        # Not at the top: the assembler is used without it.
        import _bus  # pyright: ignore[reportMissingImports]

        self._bus = _bus
        self._id = id
        self._active = 0
        if program is not None:
            self.init(program, **options)

    def init(self, program, freq=-1, set_base=0, **options):
        """Load `program`, halted at its start, its FIFO empty. Other options of the board are accepted.

        Raises OSError (12, ENOMEM) when the block's programs pass 32 words, and NotImplementedError for a
        clock other than 1 MHz.
        """
        if freq != MACHINE_CLOCK_HZ:
            raise NotImplementedError("simulated state machines run at 1 MHz")
        programs = _loaded.setdefault(self._id // 4, [])
        if program not in programs:
            if sum([len(one.words) for one in programs]) + len(program.words) > PROGRAM_WORDS_MAX:
                raise OSError(12)
            programs.append(program)
        self._active = 0
        gpio = getattr(set_base, "number", set_base)  # a Pin, or its number
        self._bus.pio_program(self._id, program.words, program.name, gpio)

    def active(self, value=None):
        if value is not None:
            self._active = 1 if value else 0
            self._bus.pio_active(self._id, self._active)
        return bool(self._active)

    def put(self, value, shift=0):
        """Put one word, or each of an array; waits while four words wait already."""
        if isinstance(value, int):
            self._bus.pio_put(self._id, value << shift & 0xFFFFFFFF)
            return
        for word in value:
            self.put(word, shift)

    def tx_fifo(self):
        return self._bus.pio_fifo(self._id)

    def exec(self, instr):
        word = asm_pio_encode(instr, 0) if isinstance(instr, str) else instr
        self._bus.pio_exec(self._id, word)

    def restart(self):
        """Go back to the start of the program, which the simulated board always has at 0."""
        self.exec(0x0000)
