"""The lever on the desk. Its rules are the box's own; `common practice, no source` for two tracks that must agree."""

from fractions import Fraction

import pytest
from desk import A_FULL_MV, A_REST_MV, B_FULL_MV, B_REST_MV, rig_values
from hypothesis import assume, given
from hypothesis import strategies as st

from core.lever import Lever
from shared_proto.settings import LEVER_CLEAR_MV, LEVER_RAIL_MV, Values, conflict
from shared_proto.states import CAUSE_LEVER_RANGE, CAUSE_LEVER_TRACKS, CAUSE_NONE

DEAD_PM, AGREE_PM, MARGIN_PM = 40, 80, 100
FALLING = {
    "lever_a_rest_mv": A_FULL_MV, "lever_a_full_mv": A_REST_MV,
    "lever_b_rest_mv": B_FULL_MV, "lever_b_full_mv": B_REST_MV,
}  # fmt: skip


def make_lever(**plain):
    lever = Lever()
    lever.configure(rig_values(**plain))
    return lever


def tracks(position_pm, falling=False):
    p = 1000 - position_pm if falling else position_pm
    return (
        round(A_REST_MV + (A_FULL_MV - A_REST_MV) * p / 1000),
        round(B_REST_MV + (B_FULL_MV - B_REST_MV) * p / 1000),
    )


def settle(lever, a_mv, b_mv, steps=5):
    for _ in range(steps):
        lever.update(a_mv, b_mv)
    return lever.pm


@pytest.mark.parametrize("falling", [False, True])
def test_nothing_within_the_dead_band_and_everything_at_the_end(falling):
    lever = make_lever(**(FALLING if falling else {}))
    for position in range(-MARGIN_PM + 5, DEAD_PM, 5):
        assert settle(lever, *tracks(position, falling)) == 0
        assert lever.at_rest or position > DEAD_PM - 3  # half a millivolt of track B is half a per mille
    for position in range(985, 1000 + MARGIN_PM - 5, 5):
        assert settle(lever, *tracks(position, falling)) == 1000
        assert not lever.at_rest


@pytest.mark.parametrize("falling", [False, True])
def test_thrust_comes_up_from_nothing_without_a_jump(falling):
    lever = make_lever(**(FALLING if falling else {}))
    before = 0
    for position in range(0, 1001):
        pm = settle(lever, *tracks(position, falling), steps=1)
        assert 0 <= pm - before <= 3
        before = pm
    assert before == 1000


def test_rising_and_falling_tracks_ask_for_the_same():
    rising, falling = make_lever(), make_lever(**FALLING)
    for position in range(0, 1001, 7):
        # Whole millivolts.
        assert abs(settle(rising, *tracks(position)) - settle(falling, *tracks(position, True))) <= 2


@pytest.mark.parametrize("falling", [False, True])
@pytest.mark.parametrize("position", [0, 500, 1000])
@pytest.mark.parametrize("track", ["a", "b", "both"])
@pytest.mark.parametrize("rail_mv", [0, 3300])
def test_a_track_on_a_rail_is_idle_within_three_steps(falling, position, track, rail_mv):
    lever = make_lever(**(FALLING if falling else {}))
    a, b = tracks(position, falling)
    before = settle(lever, a, b)
    assert lever.cause == CAUSE_NONE
    wrong = (rail_mv if track != "b" else a, rail_mv if track != "a" else b)
    lever.update(*wrong)
    assert lever.pm <= before
    lever.update(*wrong)
    lever.update(*wrong)
    assert lever.cause in (CAUSE_LEVER_RANGE, CAUSE_LEVER_TRACKS)
    assert lever.pm == 0
    assert not lever.at_rest
    settle(lever, *tracks(0, falling), steps=6)
    assert lever.cause == CAUSE_NONE and lever.at_rest


def test_a_fault_stands_until_as_many_readings_were_good():
    lever = make_lever()
    good = tracks(0)
    settle(lever, 0, 0)
    assert lever.cause == CAUSE_LEVER_RANGE
    for _ in range(3):
        lever.update(*good)
        assert lever.cause == CAUSE_LEVER_RANGE and lever.pm == 0
    lever.update(*good)
    assert lever.cause == CAUSE_NONE


@pytest.mark.parametrize("spike", [(0, None), (3300, None), (None, 0), (None, 3300), (0, 0), (3300, 3300)])
def test_a_spike_of_one_step_neither_trips_nor_raises(spike):
    lever = make_lever()
    a, b = tracks(400)
    before = settle(lever, a, b)
    lever.update(a if spike[0] is None else spike[0], b if spike[1] is None else spike[1])
    assert lever.cause == CAUSE_NONE
    assert lever.pm <= before
    lever.update(a, b)
    assert lever.pm == before


def test_tracks_that_disagree_for_three_steps_are_a_fault():
    lever = make_lever()
    a, b = tracks(400)[0], tracks(400 + AGREE_PM + 5)[1]
    lever.update(a, b)
    lever.update(a, b)
    assert lever.cause == CAUSE_NONE
    lever.update(a, b)
    assert (lever.cause, lever.pm) == (CAUSE_LEVER_TRACKS, 0)
    near = make_lever()
    settle(near, tracks(400)[0], tracks(400 + AGREE_PM - 5)[1], steps=50)
    assert near.cause == CAUSE_NONE


def test_the_lower_track_counts():
    lever = make_lever()
    assert settle(lever, tracks(500)[0], tracks(560)[1]) == settle(make_lever(), *tracks(500))


def test_a_single_track_ignores_the_other():
    lever = make_lever(lever_tracks=1)
    assert settle(lever, tracks(500)[0], 0) == settle(make_lever(), *tracks(500))
    assert lever.cause == CAUSE_NONE


@given(st.lists(st.tuples(st.integers(0, 3300), st.integers(0, 3300)), max_size=60))
def test_never_more_than_the_lower_track_asks_for(readings):
    lever = make_lever()
    apart = out = 0
    for a_mv, b_mv in readings:
        before = lever.pm
        lever.update(a_mv, b_mv)
        a = Fraction(1000 * (a_mv - A_REST_MV), A_FULL_MV - A_REST_MV)
        b = Fraction(1000 * (b_mv - B_REST_MV), B_FULL_MV - B_REST_MV)
        low, high = min(a, b), max(a, b)
        assert 0 <= lever.pm <= 1000
        assert lever.pm <= max(0, (low - DEAD_PM) * 1000 / (1000 - 20 - DEAD_PM) + 2)
        # One per mille of slack: the firmware rounds down.
        apart = apart + 1 if high - low > AGREE_PM + 1 else 0
        out = out + 1 if low < -MARGIN_PM - 1 or high > 1000 + MARGIN_PM + 1 else 0
        if apart >= 3 or out >= 2:
            assert lever.cause != CAUSE_NONE and lever.pm == 0
        if apart or out:
            assert lever.pm <= before
            assert not lever.at_rest
        if lever.at_rest:
            assert high < DEAD_PM + 1 and lever.pm == 0


NEAR_MV = LEVER_CLEAR_MV - 5  # less what a per mille of the longest travel rounds away
RAILS_MV = (0, NEAR_MV, LEVER_RAIL_MV - NEAR_MV, LEVER_RAIL_MV)
ENDS = st.integers(50, 3250)


@given(a=st.tuples(ENDS, ENDS), b=st.tuples(ENDS, ENDS), two=st.booleans(), margin_pm=st.integers(20, 200))
def test_no_accepted_lever_takes_a_rail_for_a_position(a, b, two, margin_pm):
    """A wire that is open or shorted: whatever end points the box accepts, no thrust and a fault within two steps."""
    values = Values()
    values.put("lever_tracks", 1 + two)
    values.put("lever_margin_pm", margin_pm)
    for track, (rest_mv, full_mv) in (("a", a), ("b", b)):
        values.put(f"lever_{track}_rest_mv", rest_mv)
        values.put(f"lever_{track}_full_mv", full_mv)
    assume(not conflict(values))
    for a_mv in RAILS_MV:
        for b_mv in RAILS_MV:
            lever = Lever()
            lever.configure(values)
            for _ in range(2):
                lever.update(a_mv, b_mv)
                assert lever.pm == 0 and not lever.at_rest
            assert lever.cause == CAUSE_LEVER_RANGE
