"""The driver of the pulses (drivers.pulse): what it writes, what a stop does, and that the step's calls need no heap.

Source of SM_RESTART: RP2040 data sheet, section 3.7, from memory.
"""

import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pulse_board import FIRST_PULL_US, PERIOD_US, PINS, ROOT, Board, started


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
