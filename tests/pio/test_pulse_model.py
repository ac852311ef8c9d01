"""The pulses of the simulated board (barbox.sim.pulses) against the interpreted program."""

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from interpreter import ALL_ONES
from pulse_board import FIRST_PULL_US, PERIOD_US, PINS, programmed, started

from barbox.sim.pulses import FIFO_WORDS, EscPulse

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
