"""The ESC pulse programs, edge by edge, and the driver on top of them.

Sources: RP2040 data sheet, section 3.4 (instruction set) and 3.7 (SM_RESTART), from memory. Words of an
instruction: made by the assembler of the package adafruit-circuitpython-pioasm 1.3.8, which shares nothing
with ours. Pulse convention of hobby ESCs, 1 to 2 ms at about 50 Hz: common practice, no source.
"""

import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from interpreter import ALL_ONES, Block, Machine
from pulse_board import ROOT, Board, load

from barbox.sim.pulses import FIFO_WORDS, WORD_OFFSET_US, EscPulse

PERIOD_US = 20_000
PINS = (2, 3, 4, 5)
FIRST_PULL_US = 19_999  # of machine 1, the clock started at 0; machine n pulls n - 1 later

rp2 = load("rp2_assembler", "host/barbox/sim/hal/rp2.py")


def started(sides=1):
    board = Board()
    output = board.output(PINS[:sides])
    output.start()
    return board, output


# --- the assembler ---------------------------------------------------------------------------------------

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


# --- the interpreter -------------------------------------------------------------------------------------


def run_words(*words, x=0, y=0, tx=(), cycles=1, **options):
    machine = Machine(Block(), 1)
    machine.block.machines[1] = machine
    machine.load(words, **options)
    machine.x, machine.y, machine.tx[:] = x, y, tx
    machine.enabled = True
    machine.block.run_until(cycles)
    return machine


def test_a_decrementing_jump_tests_the_value_before_and_decrements_in_any_case():
    # data sheet 3.4.2: "scratch X non-zero, prior to decrement"
    assert run_words(0x0042, 0xA042, 0xA042, x=0).pc == 1
    assert run_words(0x0042, 0xA042, 0xA042, x=0).x == ALL_ONES
    assert run_words(0x0042, 0xA042, 0xA042, x=1).pc == 2


def test_a_nonblocking_pull_of_an_empty_fifo_copies_x():  # data sheet 3.4.7
    assert run_words(0x8080, x=0x1234).osr == 0x1234
    assert run_words(0x8080, x=0x1234, tx=[7]).osr == 7
    assert run_words(0x80A0, 0xA042, cycles=9).pc == 0


def test_out_takes_from_the_end_that_the_shift_direction_says():  # data sheet 3.4.5
    words = (0x80A0, 0x6041)
    left = run_words(*words, tx=[0x80000002], cycles=2)
    right = run_words(*words, tx=[0x80000002], cycles=2, out_shift_right=True)
    assert (left.y, left.osr) == (1, 4) and (right.y, right.osr) == (0, 0x40000001)


def test_moves_invert_and_reverse():  # data sheet 3.4.8
    assert run_words(0xA02A, y=1).x == ALL_ONES - 1
    assert run_words(0xA032, y=1).x == 0x80000000


def test_a_wait_clears_the_flag_it_waited_for_and_numbers_are_relative_in_two_bits():  # 3.4.3, 3.4.9
    block = Block()
    for machine in block.machines:
        machine.load([0x20D6])  # wait 1 irq, 6 rel: flags 6, 7, 4, 5
        machine.enabled = True
    block.flags = 0b1111_0000
    block.machines[3].enabled = False
    block.run_until(1)
    assert block.flags == 0b0010_0000


def test_raise_and_wait_stalls_until_the_flag_is_lowered():  # data sheet 3.4.9
    machine = run_words(0xC021, 0xA042, cycles=5)
    assert machine.pc == 0 and machine.block.flags == 2
    machine.block.flags = 0
    machine.block.run_until(6)
    assert machine.pc == 1


def test_a_delay_follows_its_instruction():
    assert [run_words(0xE121, 0xE022, 0xA042, cycles=n).x for n in (1, 2, 3)] == [1, 1, 2]


@given(st.lists(st.tuples(st.integers(0, 400), st.integers(0, 60)), max_size=5), st.integers(100, 300))
@settings(max_examples=25, deadline=None)
def test_leaping_over_counts_and_waits_changes_nothing(puts, count):
    records = []
    for skipping in (True, False):
        block, t_us = programmed(count), 0
        for gap_us, word in puts:
            t_us += gap_us
            block.run_until(t_us, skipping)
            if len(block.machines[1].tx) < FIFO_WORDS:
                block.machines[1].put(word)
        block.run_until(t_us + 500, skipping)
        records.append((block.edges, [(m.x, m.y, m.isr, m.osr, m.pc, m.delay) for m in block.machines]))
    assert records[0] == records[1]


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


# --- pulses ----------------------------------------------------------------------------------------------


def test_frames_are_exactly_20_ms_repeats_included():
    board, output = started()
    for frame in range(12):
        board.run_until(frame * PERIOD_US + 500)
        if frame % 3 == 0:
            output.write(0, 1000 + frame)
    rises = [rise for rise, _ in board.pulses(PINS[0])]
    assert len(rises) >= 10
    assert {after - before for before, after in zip(rises, rises[1:], strict=False)} == {PERIOD_US}


def test_every_width_from_800_to_2200_is_exact_and_others_are_held_to_it():
    board, output = started()
    asked = [*range(800, 2201), 0, -5, 799, 2201, 100_000]
    for frame, width_us in enumerate(asked):
        board.run_until(frame * PERIOD_US + 300)
        assert output.write(0, width_us)
    board.run_until((len(asked) + 1) * PERIOD_US)
    assert [w for _, w in board.pulses(PINS[0])[: len(asked)]] == [min(2200, max(800, w)) for w in asked]


def test_three_repeats_then_low_until_the_next_word():
    board, output = started()
    output.write(0, 1700)
    board.run_until(30 * PERIOD_US)
    assert [w for _, w in board.pulses(PINS[0])] == [1700] * 4
    output.write(0, 1300)
    board.run_until(60 * PERIOD_US)
    assert [w for _, w in board.pulses(PINS[0])] == [1700] * 4 + [1300] * 4
    assert board.blocks[0].pins == 0


def test_no_edge_before_the_first_word_even_with_flags_left_over():
    board = Board()
    board.blocks[0].flags = 0xFF
    output = board.output(PINS[:3])
    board.run_until(7 * PERIOD_US)
    assert not output.write(0, 1500)
    output.start()
    board.run_until(57 * PERIOD_US)
    assert board.blocks[0].edges == []


def test_without_all_ones_in_x_the_first_frame_would_glitch():
    """Why `start()` sets X: the check above can fail."""
    block = programmed(PERIOD_US - 5)
    block.machines[1].x = 0
    block.run_until(2 * PERIOD_US)
    assert block.pulses(PINS[0])[0][1] == 2


@pytest.mark.parametrize("put_us, frame", [(-1, 0), (0, 0), (1, 1)])
def test_a_word_of_the_very_cycle_of_the_pull_is_taken(put_us, frame):
    board, output = started()
    board.run_until(FIRST_PULL_US + put_us)
    output.write(0, 1234)
    board.run_until(PERIOD_US * 7)
    assert board.pulses(PINS[0])[0] == (FIRST_PULL_US + 10 + frame * PERIOD_US, 1234)


def test_a_word_of_the_very_cycle_of_the_flag_is_taken():
    board, output = started()
    while not board.blocks[0].flags & 2:
        board.run_until(board.now_us + 1)
    output.write(0, 1234)
    board.run_until(PERIOD_US + 5000)
    assert board.pulses(PINS[0]) == [(FIRST_PULL_US + 10, 1234)]


@given(st.integers(0, PERIOD_US - 1))
@example(FIRST_PULL_US % PERIOD_US)
@example((FIRST_PULL_US + 1) % PERIOD_US)
@settings(max_examples=40, deadline=None)
def test_pulses_end_within_100_ms_of_the_last_word_at_any_phase(phase_us):
    board, output = started()
    board.run_until(PERIOD_US + phase_us)
    handed_us = board.now_us
    output.write(0, 2200)
    board.run_until(handed_us + 20 * PERIOD_US)
    rise, width = board.pulses(PINS[0])[-1]
    assert 60_000 < rise + width - handed_us <= 82_211 <= 100_000


def test_the_model_keeps_100_ms_at_every_phase_there_is():
    longest = 0
    for phase_us in range(PERIOD_US):
        esc = EscPulse(0)
        esc.put(PERIOD_US + phase_us, 2200 - WORD_OFFSET_US)
        rise, width = esc.pulses_until(10 * PERIOD_US)[-1]
        longest = max(longest, rise + width - PERIOD_US - phase_us)
    # just too late for a frame: a frame, three repeats, ten cycles to the edge, the pulse
    assert longest == 20_000 - 1 + 60_000 + 10 + 2200 <= 100_000


def test_two_three_and_four_sides_at_once():
    for sides in (2, 3, 4):
        board, output = started(sides)
        for frame in range(6):
            board.run_until(frame * PERIOD_US + 100)
            for side in range(sides):
                assert output.write(side, 1000 + 250 * side + frame)
        board.run_until(20 * PERIOD_US)
        for side in range(sides):
            pulses = board.pulses(PINS[side])
            assert [w for _, w in pulses] == [1000 + 250 * side + f for f in (0, 1, 2, 3, 4, 5, 5, 5, 5)]
            assert pulses[0][0] - (FIRST_PULL_US + 10) == (side if side < 3 else 0)
        names = {number: name for number, (name, _) in board.programs.items()}
        esc = {1: "esc_pulse", 2: "esc_pulse", 3: "esc_pulse", 5: "esc_pulse"}
        wanted = dict(list(esc.items())[:sides]) | {0: "frame_clock"}
        assert names == (wanted | {7: "frame_clock"} if sides == 4 else wanted)


# --- the model of the simulated board --------------------------------------------------------------------

gaps = st.one_of(
    st.integers(0, 45_000),
    st.integers(-3, 3).map(lambda off: PERIOD_US + off),
    st.just(0),
    st.integers(80_000, 200_000),
)
puts = st.lists(st.tuples(gaps, st.integers(1, 3), st.integers(0, 3000)), max_size=12)


@given(puts)
@example([(FIRST_PULL_US - 1, 1, 5), (1, 2, 6), (1, 3, 7), (0, 2, 8)])
@example([(0, 1, w) for w in range(6)] + [(50_000, 1, 9)])
@settings(max_examples=120, deadline=None)
def test_model_has_the_edges_and_the_fifo_of_the_interpreted_program(sequence):
    block, t_us = programmed(PERIOD_US - 5), 0
    models = [EscPulse(0, number) for number in (1, 2, 3)]
    made = [[], [], []]
    for gap_us, number, word in sequence:
        t_us += gap_us
        block.run_until(t_us)
        fifo = block.machines[number].tx
        assert models[number - 1].fifo_level(t_us) == len(fifo)
        assert models[number - 1].put(t_us, word) == (len(fifo) < FIFO_WORDS)
        if len(fifo) < FIFO_WORDS:
            block.machines[number].put(word)
        for model, pulses in zip(models, made, strict=True):
            pulses += model.pulses_until(t_us)
    t_us += 9 * PERIOD_US
    block.run_until(t_us)
    for index, model in enumerate(models):
        assert made[index] + model.pulses_until(t_us) == block.pulses(PINS[index])


@given(st.integers(1, 3000), st.integers(0, 60_000), st.integers(0, 60_000))
@example(1000, 0, FIRST_PULL_US + 5)
@example(1000, 0, FIRST_PULL_US + 10)
@example(1000, 0, FIRST_PULL_US + 500)
@settings(max_examples=60, deadline=None)
def test_model_is_cut_short_as_the_driver_cuts(word, put_us, later_us):
    board, output = started()
    model = EscPulse(0)
    board.run_until(put_us)
    board.machine(1).put(word)
    model.put(put_us, word)
    board.run_until(put_us + later_us)
    output.stop()
    model.stop(put_us + later_us)
    board.run_until(10 * PERIOD_US)
    # cut in the cycle of its rise, a pulse has no length
    assert model.pulses_until(10 * PERIOD_US) == [pulse for pulse in board.pulses(PINS[0]) if pulse[1]]


def test_model_refuses_time_that_goes_back_and_words_that_no_frame_holds():
    esc = EscPulse(0)
    esc.put(100, 5)
    with pytest.raises(ValueError):
        esc.pulses_until(99)
    for word in (-1, 19_901, ALL_ONES):
        with pytest.raises(ValueError):
            esc.put(100, word)
    with pytest.raises(ValueError):
        EscPulse(0, 4)


def test_model_leaps_over_silence():
    esc = EscPulse(0)
    assert esc.pulses_until(10**15) == []
    assert esc.next_pull_us(10**15) - FIRST_PULL_US == 10**15


# --- the driver ------------------------------------------------------------------------------------------


def test_write_never_queues_behind_a_waiting_word():
    board, output = started()
    assert output.write(0, 1500)
    assert not output.write(0, 1600)
    board.run_until(FIRST_PULL_US + 1)
    assert output.write(0, 1700)
    board.run_until(FIRST_PULL_US + PERIOD_US + 3000)
    assert [w for _, w in board.pulses(PINS[0])] == [1500, 1700]


@given(st.lists(st.tuples(st.sampled_from("wi"), st.integers(-(2**40), 2**40), st.integers(0, 30_000))))
@settings(max_examples=40, deadline=None)
def test_words_are_small_ints_and_the_fifo_never_fills(calls):
    board, output = started()
    output.idle_us[0] = -7  # nonsense is held to the limits too
    board.words.clear()
    for what, width_us, gap_us in calls:
        board.run_until(board.now_us + gap_us)
        if what == "w":
            output.write(0, width_us)
        else:
            output.all_idle()
        assert len(board.machine(1).tx) <= 2
    assert all(798 <= word <= 2198 < 2**30 for _, word in board.words)


@given(st.integers(0, PERIOD_US - 1), st.integers(0, PERIOD_US - 1))
@settings(max_examples=40, deadline=None)
def test_all_idle_behind_a_waiting_word_ends_thrust_within_a_frame(written_us, later_us):
    board, output = started(3)
    board.run_until(PERIOD_US + written_us)
    for side in range(3):
        output.write(side, 2200)
    board.run_until(board.now_us + later_us)
    stop_us = board.now_us
    output.all_idle()
    board.run_until(stop_us + 10 * PERIOD_US)
    for side in range(3):
        pulses = board.pulses(PINS[side])
        above = [rise + width for rise, width in pulses if width > 1000]
        assert len(above) <= 2 and max(above, default=0) - stop_us <= 22_211
        assert [w for _, w in pulses][-4:] == [1000] * 4


@pytest.mark.parametrize("after", range(8))
def test_a_stop_that_breaks_into_a_write_stays_the_last_word(after):
    board, output = started()
    output.write(0, 1900)
    board.run_until(FIRST_PULL_US + 5000)
    board.interrupt, board.interrupt_after = output.all_idle, after
    output.write(0, 1900)
    if board.interrupt:  # the write was over first
        board.interrupt = None
        output.all_idle()
    assert board.machine(1).tx[-1] == 998


def test_after_a_stop_a_late_step_cannot_bring_thrust_back():
    board, output = started(2)
    output.write(0, 1900)
    board.run_until(FIRST_PULL_US + 5000)
    output.all_idle(object())  # a pin hands itself to its handler
    assert output.forced(0) and output.forced(1)
    board.run_until(FIRST_PULL_US + PERIOD_US + 100)
    assert output.write(0, 1900)  # the FIFO is empty: the step comes late
    board.run_until(FIRST_PULL_US + 2 * PERIOD_US + 100)
    assert [w for _, w in board.pulses(PINS[0])] == [1900, 1000]
    assert output.write(0, 990) and not output.forced(0) and output.forced(1)
    board.run_until(FIRST_PULL_US + 3 * PERIOD_US + 100)
    assert output.write(0, 1900)
    board.run_until(FIRST_PULL_US + 4 * PERIOD_US + 100)
    assert [w for _, w in board.pulses(PINS[0])] == [1900, 1000, 1000, 990]


def test_a_stop_before_the_start_holds_after_it():
    board = Board()
    output = board.output(PINS[:1])
    output.all_idle()
    output.start()
    output.write(0, 1900)
    board.run_until(PERIOD_US + 5000)
    assert [w for _, w in board.pulses(PINS[0])] == [1000]


def test_each_side_has_its_own_idle():
    board, output = started(2)
    output.idle_us[1] = 1100
    output.all_idle()
    board.run_until(2 * PERIOD_US)
    assert [board.pulses(pin)[0][1] for pin in PINS[:2]] == [1000, 1100]


def test_stop_cuts_the_pulse_forgets_the_waiting_word_and_start_begins_anew():
    board, output = started()
    output.write(0, 2000)
    board.run_until(FIRST_PULL_US + 510)
    output.write(0, 2000)
    output.stop()
    assert board.blocks[0].pins == 0 and not output.write(0, 1500)
    board.run_until(10 * PERIOD_US)
    assert [w for _, w in board.pulses(PINS[0])] == [500]
    output.start()
    board.run_until(30 * PERIOD_US)
    assert len(board.pulses(PINS[0])) == 1
    output.write(0, 1200)
    board.run_until(40 * PERIOD_US)
    assert [w for _, w in board.pulses(PINS[0])] == [500] + [1200] * 4


def test_nothing_is_handed_over_while_stopped():
    board, output = started()
    output.stop()
    board.words.clear()
    assert not output.write(0, 1500)
    output.all_idle()
    assert board.words == []


@pytest.mark.parametrize("pins", [(), (1, 2, 3, 4, 5)])
def test_one_to_four_sides(pins):
    with pytest.raises(ValueError):
        Board().output(pins)


MICROPYTHON = Path(sys.executable).with_name("micropython")

VM_MACHINE = """
class Pin:
    OUT = 1
    def __init__(self, gpio, mode, value):
        self.number = gpio
    def init(self, mode, value):
        pass
def disable_irq():
    return 0
def enable_irq(state):
    pass
"""

VM_BUS = """
level = [0] * 8
def pio_program(number, words, name, gpio):
    print(number, name, gpio, list(words))
def pio_active(number, on):
    pass
def pio_exec(number, word):
    print(number, hex(word))
def pio_put(number, word):
    level[number] += 1
def pio_fifo(number):
    return level[number]
"""

VM_SCRIPT = """
import micropython, _bus
from drivers.pulse import PulseOutput
output = PulseOutput((2, 3))
output.start()
_bus.level[:] = [0] * 8
first = second = held = None
micropython.heap_lock()
first = output.write(0, 1500)
second = output.write(0, 1500)
output.all_idle()
held = output.forced(1)
output.write(1, 1500)
micropython.heap_unlock()
print(first, second, held, _bus.level)
"""


@pytest.mark.skipif(not MICROPYTHON.exists(), reason="no MicroPython VM beside this Python")
def test_in_the_vm_the_words_are_the_same_and_the_calls_of_the_step_need_no_heap(tmp_path):
    (tmp_path / "machine.py").write_text(VM_MACHINE)
    (tmp_path / "_bus.py").write_text(VM_BUS)
    path = f"{tmp_path}:{ROOT / 'host/barbox/sim/hal'}:{ROOT / 'firmware'}"
    done = subprocess.run(
        [MICROPYTHON, "-c", VM_SCRIPT], env={"MICROPYPATH": path}, capture_output=True, text=True, timeout=30
    )
    assert done.stderr == "" and done.returncode == 0, done.stdout + done.stderr
    pulse = Board().pulse
    esc, clock = list(pulse.esc_pulse.words), list(pulse.frame_clock.words)
    assert done.stdout.splitlines() == [
        f"1 esc_pulse 2 {esc}", "1 0xa02b",
        f"2 esc_pulse 3 {esc}", "2 0xa02b",
        f"0 frame_clock 0 {clock}", "0 0x80a0", "0 0xa0c7",
        "True False True [0, 2, 1, 0, 0, 0, 0, 0]",
    ]  # fmt: skip
