"""The interpreter of PIO words that the pulses are judged by. Source: RP2040 data sheet, section 3.4, from memory."""

from hypothesis import given, settings
from hypothesis import strategies as st
from interpreter import ALL_ONES, Block, Machine
from pulse_board import programmed

from barbox.sim.pulses import FIFO_WORDS


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
