"""The assembler that stands in for the board's: each instruction, and both ESC programs, word for word.

Source: RP2040 data sheet, section 3.4 (instruction set), from memory. Words of an instruction: made by the assembler
of the package adafruit-circuitpython-pioasm 1.3.8, which shares nothing with ours.
"""

import pytest
from pulse_board import Board, load

rp2 = load("rp2_assembler", "host/barbox/sim/hal/rp2.py")


ENCODINGS = [
    ("jmp('a')", 0x0000), ("jmp(not_x, 'a')", 0x0020), ("jmp(x_dec, 'a')", 0x0040),
    ("jmp(not_y, 'a')", 0x0060), ("jmp(y_dec, 'a')", 0x0080), ("jmp(x_not_y, 'a')", 0x00A0),
    ("jmp(pin, 'a')", 0x00C0), ("jmp(not_osre, 'a')", 0x00E0),
    ("wait(0, gpio, 5)", 0x2005), ("wait(1, pin, 3)", 0x20A3), ("wait(1, irq, 2)", 0x20C2),
    ("wait(0, irq, 7)", 0x2047), ("wait(1, irq, rel(0))", 0x20D0),
    ("in_(pins, 1)", 0x4001), ("in_(x, 32)", 0x4020), ("in_(null, 5)", 0x4065), ("in_(isr, 8)", 0x40C8),
    ("in_(osr, 31)", 0x40FF),
    ("out(pins, 32)", 0x6000), ("out(y, 1)", 0x6041), ("out(pindirs, 1)", 0x6081), ("out(pc, 5)", 0x60A5),
    ("out(isr, 32)", 0x60C0), ("out(exec, 16)", 0x60F0),
    ("push()", 0x8020), ("push(block)", 0x8020), ("push(noblock)", 0x8000), ("push(iffull)", 0x8060),
    ("push(iffull, noblock)", 0x8040),
    ("pull()", 0x80A0), ("pull(block)", 0x80A0), ("pull(noblock)", 0x8080), ("pull(ifempty)", 0x80E0),
    ("pull(ifempty, noblock)", 0x80C0),
    ("mov(pins, reverse(x))", 0xA011), ("mov(exec, y)", 0xA082), ("mov(pc, null)", 0xA0A3),
    ("mov(isr, invert(osr))", 0xA0CF), ("mov(osr, status)", 0xA0E5), ("mov(y, pins)", 0xA040),
    ("mov(x, invert(null))", 0xA02B), ("mov(isr, osr)", 0xA0C7),
    ("irq(0)", 0xC000), ("irq(block, 1)", 0xC021), ("irq(clear, 7)", 0xC047), ("irq(rel(2))", 0xC012),
    ("set(pins, 31)", 0xE01F), ("set(pindirs, 1)", 0xE081), ("set(y, 0)[31]", 0xFF40), ("nop()[7]", 0xA742),
    ("nop().delay(7)", 0xA742),
]  # fmt: skip


@pytest.mark.parametrize("text, word", ENCODINGS, ids=[text for text, _ in ENCODINGS])
def test_each_instruction_has_the_published_word(text, word):
    source = f"label('a')\n{text}" if "jmp" in text else text
    scope = {}
    exec("def one():\n    " + source.replace("\n", "\n    "), scope)
    assert rp2.asm_pio()(scope["one"]).words == (word,)


def test_one_instruction_as_text_is_the_word_that_the_board_documents():
    # MicroPython's documentation of rp2.asm_pio_encode gives 57345 for this text.
    assert rp2.asm_pio_encode("set(0, 1)", 0) == 57345


def test_programs_are_word_for_word_what_another_assembler_makes():
    pulse = Board().pulse
    assert pulse.esc_pulse.words == (
        0x20D0, 0x8080, 0xA027, 0x6041, 0x006A, 0xA029, 0x0048, 0x0000, 0xA029, 0x000D, 0xA0C1, 0xE023,
        0xA129, 0xA046, 0xE001, 0x008F, 0xE000,
    )  # fmt: skip
    assert pulse.frame_clock.words == (0xA026, 0x0041, 0xC001, 0xC002, 0xC003)


def test_both_programs_fit_in_24_instructions_and_wrap_whole():
    pulse = Board().pulse
    programs = (pulse.esc_pulse, pulse.frame_clock)
    assert sum(len(program.words) for program in programs) <= 24
    for program in programs:
        assert (program.wrap_target, program.wrap_top) == (0, len(program.words) - 1)


def test_the_functions_globals_are_hidden_while_it_runs_and_come_back():
    scope = {"secret": 5, "x": "mine"}
    exec("def peek():\n    nop()\n    secret", scope)
    with pytest.raises(NameError):
        rp2.asm_pio()(scope["peek"])
    assert scope["secret"] == 5 and scope["x"] == "mine" and "nop" not in scope


@pytest.mark.parametrize(
    "text",
    ["set(x, 32)", "set(osr, 1)", "out(x, 33)", "in_(x, 0)", "mov(null, x)", "wait(2, gpio, 0)", "irq(8)",
     "wait(1, irq, 8)", "nop()[32]", "jmp('nowhere')", "nop().side(1)", "mov(x, invert(reverse(y)))"],
)  # fmt: skip
def test_what_has_no_word_is_refused(text):
    with pytest.raises(rp2.PIOASMError):
        rp2.asm_pio_encode(text, 0)


def nops(assembler, count):
    scope = {}
    exec("def several():\n" + "    nop()\n" * count, scope)
    return assembler.asm_pio()(scope["several"])


def test_a_program_too_long_and_a_block_too_full_are_refused():
    with pytest.raises(rp2.PIOASMError):
        nops(rp2, 33)
    board = Board()
    first, second = nops(board.rp2, 20), nops(board.rp2, 20)
    board.state_machine(0, first, freq=1_000_000)
    with pytest.raises(OSError):
        board.state_machine(1, second, freq=1_000_000)
    board.state_machine(4, second, freq=1_000_000)


def test_another_clock_than_the_models_is_refused():
    board = Board()
    with pytest.raises(NotImplementedError):
        board.state_machine(1, board.pulse.esc_pulse, freq=2_000_000)
