"""The time that an ESC holds its last command, from made-up voltages."""

import random

import pytest
from fake_box import body_of

from barbox import proto
from barbox.bench.hold import held
from barbox.bench.session import Step
from shared_proto import messages, states

REST_MV, SAG_MV = 40_000, 60
WITHHELD_MS = 10_000


def a_step(hold_s, every_ms=100, noise_mv=4.0, sag_mv=SAG_MV, lasts_s=4.0, seed=1):
    """Statuses of a step whose last pulse came 50 ms after the event; the ESC stops `hold_s` later."""
    rng = random.Random(seed)

    def status(time_ms, phase):
        stopped = time_ms >= WITHHELD_MS + 50 + 1000 * hold_s
        mv = REST_MV - (0 if stopped else sag_mv) + rng.gauss(0, noise_mv)
        sense = (round(mv), messages.NOT_KNOWN_MV, *(0,) * 6)
        return proto.unpack(body_of(messages.STATUS, time_ms=time_ms, bench_phase=phase, sense_mv=sense))

    before = proto.unpack(body_of(messages.STATUS, sense_mv=(REST_MV, messages.NOT_KNOWN_MV, *(0,) * 6)))
    step = Step(states.BENCH_WITHHOLD, 1, 250, before, withheld_ms=WITHHELD_MS)
    step.under = [status(t, states.BENCH_RUNNING) for t in range(WITHHELD_MS - 1500, WITHHELD_MS, every_ms)]
    end_ms = WITHHELD_MS + round(1000 * lasts_s)
    step.under += [status(t, states.BENCH_WITHHELD) for t in range(WITHHELD_MS + 7, end_ms, every_ms)]
    return step


@pytest.mark.parametrize("every_ms", [40, 100])
@pytest.mark.parametrize("hold_s", [0.0, 0.25, 1.0, 2.0, 3.5])
@pytest.mark.parametrize("seed", range(5))
def test_it_is_found_within_what_it_claims(hold_s, every_ms, seed):
    found = held(a_step(hold_s, every_ms, seed=seed), 0)
    assert found is not None and not found.at_least
    assert abs(found.seconds - hold_s) <= found.within_s <= 0.11


def test_an_esc_that_does_not_let_go_is_told_as_such():
    found = held(a_step(60), 0)
    assert found is not None and found.at_least and found.seconds == pytest.approx(3.85, abs=0.1)


@pytest.mark.parametrize("step", [a_step(1, sag_mv=8), a_step(1, noise_mv=40), a_step(1, lasts_s=0.1)])
def test_too_little_to_tell(step):
    assert held(step, 0) is None


def test_a_lost_sense_point_or_a_step_without_withholding():
    assert held(a_step(1), 1) is None
    assert held(Step(states.BENCH_THRUST, 1, 250, a_step(1).before), 0) is None
