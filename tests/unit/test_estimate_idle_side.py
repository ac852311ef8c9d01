"""A side that stands idle while thrust is asked for: nothing is learned from it, and nothing is counted."""

import pytest

from tests.unit.estimator_rides import TICK_S, UNKNOWN, Bench, rig

MODES = {"curve": rig(capacity_mah=10000, full_a=100.0), "nothing": rig()}


@pytest.fixture(params=MODES)
def values(request):
    return MODES[request.param]


def told(e, section=0):
    return e.resistance_mohm_x10[section], e.full_sag_cell_mv[section]


@pytest.mark.parametrize("pm", [300, 700, 1000])
def test_dead_from_the_first_pull_leaves_the_guess_and_the_voltage_as_it_is(values, pm):
    bench = Bench(values, 0.8)
    bench.dead = {0}
    guess = bench.hold(5).full_sag_cell_mv[0]
    for _ in range(6):
        e = bench.hold(20, pm)
        assert e.rest_cell_mv[0] == pytest.approx(bench.sections_mv[0] / 5, abs=2)
        assert e.charge_pm[0] == pytest.approx(800, abs=5)
        assert e.current_da[0] in (0, UNKNOWN)
        e = bench.hold(20)
    assert told(e) == (UNKNOWN, guess)
    if pm == 1000:  # the other side has learned
        assert e.full_sag_cell_mv[2] == pytest.approx(2.5 * 100, rel=0.15)  # 2.0 at once


@pytest.mark.parametrize("pm", [200, 400, 1000])
def test_dead_after_it_has_taught_much_leaves_that(values, pm):
    bench = Bench(values, 0.95)
    before = told(bench.ride(6))
    bench.dead = {0}
    for _ in range(3):
        e = bench.hold(20, pm)
        assert e.rest_cell_mv[0] == pytest.approx(bench.dead_rest_mv, abs=20)
        e = bench.hold(20)
    after = told(e)
    assert after[0] == before[0] and after[1] == pytest.approx(before[1], rel=0.1)


def test_dead_in_the_middle_of_a_pull_leaves_what_was_known(values):
    bench = Bench(values, 0.95)
    bench.ride(6)
    before = told(bench.hold(20, 600))
    bench.dead = {0}
    e = bench.hold(20, 600)
    assert told(e)[0] == pytest.approx(before[0], abs=1) and told(e)[1] == pytest.approx(before[1], rel=0.06)
    assert e.rest_cell_mv[0] == pytest.approx(bench.dead_rest_mv, abs=20)
    assert e.current_da[0] in (0, UNKNOWN)


def test_a_slow_ramp_on_a_dead_side_teaches_nothing(values):
    bench = Bench(values, 0.95)
    before = told(bench.ride(6))
    bench.dead = {0}
    for pm in range(0, 800, 10):
        bench.hold(TICK_S, pm)
    after = told(bench.hold(30))
    assert after[0] == before[0] and after[1] == pytest.approx(before[1], rel=0.06)


def test_once_it_draws_again_it_is_believed_again(values):
    bench = Bench(values, 0.95)
    bench.dead = {0}
    bench.hold(5)
    bench.hold(20, 700)
    bench.dead = set()  # under thrust
    e = bench.hold(5, 700)
    assert e.rest_cell_mv[0] > bench.sections_mv[0] / 5 + 20
    bench.hold(20)
    e = bench.ride(6)
    assert e.full_sag_cell_mv[0] == pytest.approx(e.full_sag_cell_mv[2], rel=0.1)


def test_what_the_step_calls_idle_teaches_nothing_even_where_some_sag_is_seen(values):
    """Two sides that share a ground lead: the dead one's voltage falls with the other's current."""
    bench = Bench(values, 0.95)
    before = told(bench.ride(6))
    bench.dead = {0}
    for _ in range(3):
        for k in range(20):
            bench.estimator.idle_side = 0 if k >= 2 else -1  # the step takes two seconds to tell
            bench.off_mv = -40
            e = bench.hold(1, 800)
        bench.off_mv = 0
        bench.estimator.idle_side = -1
        e = bench.hold(20)
    after = told(e)
    assert after[0] == before[0] and after[1] == pytest.approx(before[1], rel=0.06)


def test_a_sensor_that_sees_no_current_does_not_say_what_full_thrust_draws():
    bench = Bench(MODES["curve"], 0.95)
    bench.ride(4)
    bench.dead = {0}
    bench.sensor_da[0] = 0
    for _ in range(4):
        bench.hold(20, 800)
        bench.hold(20)
    bench.dead = set()
    bench.sensor_da[0] = UNKNOWN
    assert bench.hold(10, 1000).current_da[0] == pytest.approx(1000, rel=0.02)


@pytest.mark.parametrize("fast_mohm", [0.4, 1.0, 6.0])
def test_packs_far_better_or_worse_than_guessed_are_no_idle_sides(values, fast_mohm):
    bench = Bench(values, 0.95)
    bench.FAST_MOHM, bench.SLOW_MOHM = fast_mohm, 0.6 * fast_mohm
    bench.hold(3)
    for pm in (200, 1000, 300, 600, 150, 1000, 400):
        for _ in range(4):
            e = bench.hold(5, pm)
            assert e.sag_cell_mv[0] > 0
        bench.hold(4)
    assert bench.ride(4).full_sag_cell_mv[0] == pytest.approx(100 * 1.15 * fast_mohm, rel=0.25)
