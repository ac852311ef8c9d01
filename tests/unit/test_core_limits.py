"""Limits, ramp and cutback. Demands in per mille, times in measured microseconds."""

import random

import pytest
from desk import rig_values
from hypothesis import given
from hypothesis import strategies as st

from core.limits import Limits
from core.string import Strings
from shared_proto.messages import NOT_KNOWN_MV
from shared_proto.states import LIMIT_CUTBACK, LIMIT_NONE, LIMIT_RAMP, LIMIT_SENSE, LIMIT_SINGLE_TRACK, LIMIT_UNPROVEN

FLOOR_MV, BAND_MV = 3300, 100
KNEE_MV = FLOOR_MV + BAND_MV
HEALTHY_MV = 3900


def update(limits, lever_pm, cell_mv, lost, blind, dt_us):
    """One step with the weakest section of both sides at `cell_mv`."""
    limits.conditions.sense_lost = lost
    limits.conditions.blind = blind
    strings = Strings()
    strings.weakest_cell_mv = cell_mv
    for side in range(2):
        strings.side_cell_mv[side] = cell_mv
    limits.update(lever_pm, strings, dt_us)


def make_limits(**plain):
    limits = Limits()
    limits.configure(rig_values(**plain))
    return limits


def jitter(seed, mean_us=20000, by_us=9000):
    rng = random.Random(seed)
    while True:
        yield mean_us + rng.randint(-by_us, by_us)


def time_to(limits, lever_pm, until_pm, times, cell_mv=HEALTHY_MV):
    took_us = 0
    while limits.demand_pm != until_pm:
        dt_us = next(times)
        update(limits, lever_pm, cell_mv, False, False, dt_us)
        took_us += dt_us
        assert took_us < 60_000_000
    return took_us, dt_us


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize(("up_ms", "down_ms"), [(2000, 300), (500, 100), (20000, 2000), (3333, 777)])
def test_the_ramp_takes_its_time_however_unevenly_the_step_comes(seed, up_ms, down_ms):
    limits = make_limits(ramp_up_ms=up_ms, ramp_down_ms=down_ms)
    times = jitter(seed)
    took_us, last_us = time_to(limits, 1000, 1000, times)
    # A step loses at most one millionth of the span.
    assert up_ms * 1000 <= took_us <= up_ms * 1001 + last_us
    took_us, last_us = time_to(limits, 0, 0, times)
    assert down_ms * 999 <= took_us <= down_ms * 1001 + last_us


def test_half_the_span_takes_half_the_time():
    limits = make_limits()
    assert time_to(limits, 500, 500, jitter(1, by_us=0))[0] == 1_000_000


def test_nothing_limits_a_healthy_rig():
    limits = make_limits()
    update(limits, 700, HEALTHY_MV, False, False, 20000)
    assert (limits.limit, limits.limit_pm) == (LIMIT_RAMP, 1000)
    time_to(limits, 700, 700, jitter(1))
    assert (limits.limit, limits.limit_pm) == (LIMIT_NONE, 1000)


@pytest.mark.parametrize(
    ("plain", "lost", "blind", "limit", "limit_pm"),
    [
        ({"proven": False}, False, False, LIMIT_UNPROVEN, 300),
        ({"lever_tracks": 1}, False, False, LIMIT_SINGLE_TRACK, 400),
        ({"lever_tracks": 1, "proven": False}, False, False, LIMIT_UNPROVEN, 300),
        ({"lever_tracks": 1, "proven": False, "single_track_cap_pm": 200}, False, False, LIMIT_SINGLE_TRACK, 200),
        ({}, True, False, LIMIT_SENSE, 300),
        ({"proven": False, "sense_cap_pm": 100}, True, False, LIMIT_SENSE, 100),
        ({"proven": False, "sense_cap_pm": 400}, True, False, LIMIT_UNPROVEN, 300),
        ({}, True, True, LIMIT_SENSE, 0),
        ({"proven": False}, True, True, LIMIT_SENSE, 0),
    ],
)
def test_the_lowest_limit_wins_and_is_named(plain, lost, blind, limit, limit_pm):
    limits = make_limits(**plain)
    for _ in range(300):
        update(limits, 1000, HEALTHY_MV, lost, blind, 20000)
    assert (limits.limit, limits.limit_pm, limits.demand_pm) == (limit, limit_pm, limit_pm)
    update(limits, 0, HEALTHY_MV, lost, blind, 20000)
    assert limits.limit == LIMIT_NONE  # a lever at rest is not limited


@pytest.mark.parametrize("cap_pm", [100, 300])
def test_an_unproven_side_is_told_whichever_cap_is_lower(cap_pm):
    assert make_limits(proven=False, lever_tracks=1, single_track_cap_pm=cap_pm).unproven
    assert not make_limits(lever_tracks=1, single_track_cap_pm=cap_pm).unproven


@pytest.mark.parametrize("side", [0, 1])
def test_one_unproven_side_caps_all(side):
    values = rig_values()
    values.put("side.proven", 0, side)
    limits = Limits()
    limits.configure(values)
    for _ in range(300):
        update(limits, 1000, HEALTHY_MV, False, False, 20000)
    assert (limits.limit, limits.demand_pm, limits.side_pm[:2]) == (LIMIT_UNPROVEN, 300, [300, 300])


def apart(cell_mv, limits, seconds, lever_pm=1000, dt_us=20000):
    """Steps of a rig that opted out, with the weakest section of each side at its `cell_mv`."""
    strings = Strings()
    strings.weakest_cell_mv = min(cell_mv)
    for side in range(2):
        strings.side_cell_mv[side] = cell_mv[side]
    for _ in range(round(seconds * 1_000_000 / dt_us)):
        limits.update(lever_pm, strings, dt_us)


@pytest.mark.parametrize("weak", [0, 1])
def test_a_rig_that_opts_out_eases_the_weak_side_alone(weak):
    limits = make_limits(together=0)
    cell_mv = [HEALTHY_MV, HEALTHY_MV]
    apart(cell_mv, limits, 4)
    assert limits.side_pm[:2] == [1000, 1000] and limits.limit == LIMIT_NONE
    cell_mv[weak] = FLOOR_MV
    apart(cell_mv, limits, 0.5)
    assert limits.side_pm[1 - weak] == 1000 and 450 <= limits.side_pm[weak] <= 550  # one band below: the span in 1 s
    assert (limits.limit, limits.limit_pm, limits.demand_pm) == (LIMIT_CUTBACK, limits.side_pm[weak], 1000)


@pytest.mark.parametrize("weak", [0, 1])
def test_a_rig_that_opts_out_slows_the_rise_of_the_weak_side_alone(weak):
    limits = make_limits(together=0)
    cell_mv = [HEALTHY_MV, HEALTHY_MV]
    cell_mv[weak] = KNEE_MV + 115  # a quarter of the way over which the rise is slowed
    apart(cell_mv, limits, 2)
    assert limits.side_pm[1 - weak] == limits.demand_pm == 1000
    assert 240 <= limits.side_pm[weak] <= 260 and limits.limit == LIMIT_CUTBACK
    cell_mv[weak] = HEALTHY_MV
    apart(cell_mv, limits, 1)
    assert 740 <= limits.side_pm[weak] <= 760  # by the ramp, not in one go


@given(st.lists(st.tuples(st.integers(0, 1000), st.integers(3000, 4200), st.integers(3000, 4200),
                          st.integers(5000, 40000), st.integers(1, 100)), max_size=20))  # fmt: skip
def test_each_side_of_a_rig_that_opts_out_keeps_the_ramp_and_what_all_are_given(moments):
    limits = make_limits(together=0)
    for lever_pm, left_mv, right_mv, dt_us, steps in moments:
        for _ in range(steps):
            before = list(limits.side_pm)
            apart([left_mv, right_mv], limits, dt_us / 1e6, lever_pm, dt_us)
            for side in range(2):
                assert 0 <= limits.side_pm[side] <= limits.demand_pm
                assert before[side] - dt_us / 300 - 1 <= limits.side_pm[side] <= before[side] + dt_us / 2000 + 1
            assert limits.demand_pm == max(limits.side_pm[:2])


def test_a_limit_that_falls_is_followed_down_the_ramp():
    limits = make_limits()
    time_to(limits, 1000, 1000, jitter(1))
    took_us = 0
    while limits.demand_pm > 300:
        update(limits, 1000, HEALTHY_MV, True, False, 20000)
        took_us += 20000
    assert 200_000 <= took_us <= 220_000  # 700 of 1000 per mille at 300 ms for the full span


def test_idle_is_at_once_and_up_again_is_by_the_ramp():
    limits = make_limits()
    time_to(limits, 1000, 1000, jitter(1))
    limits.idle()
    assert limits.demand_pm == 0
    assert time_to(limits, 1000, 1000, jitter(1, by_us=0))[0] == 2_000_000


def test_cutback_begins_at_the_demand_in_force():
    limits = make_limits()
    time_to(limits, 400, 400, jitter(1))
    update(limits, 400, KNEE_MV - BAND_MV, False, False, 20000)
    assert limits.limit == LIMIT_CUTBACK
    assert 370 <= limits.demand_pm < 400


def test_cutback_holds_while_the_section_is_not_known_and_gives_back_slowly():
    limits = make_limits()
    time_to(limits, 1000, 1000, jitter(1))
    for _ in range(25):
        update(limits, 1000, KNEE_MV - BAND_MV, False, False, 20000)
    cut_pm = limits.cutback_pm
    assert 450 <= cut_pm <= 550  # one band below the knee: the full span in a second
    for mv in (NOT_KNOWN_MV, KNEE_MV + 10):
        for _ in range(100):
            update(limits, 1000, mv, False, False, 20000)
        assert limits.cutback_pm == cut_pm
    for _ in range(50):
        update(limits, 1000, HEALTHY_MV, False, False, 20000)
    assert limits.cutback_pm - cut_pm == pytest.approx(30, abs=1)  # per mille in that second


@pytest.mark.parametrize("open_circuit_mv", [3500, 3600, 3800])
@pytest.mark.parametrize("string_mohm", [5, 10, 20, 40, 80, 150])
@pytest.mark.parametrize("spool_s", [0.15, 0.35, 0.7])
def test_cutback_eases_and_does_not_hunt_through_the_strings_own_resistance(open_circuit_mv, string_mohm, spool_s):
    """A string of ten cells, 120 A at full, current with demand to the power 3/2 (shaft power with the cube of fan
    speed, thrust with its square: fan laws); the fan follows with a lag, the reading comes 60 ms late."""
    limits = make_limits()
    cell_mohm = string_mohm / 10
    speed = 0.0
    pipe = [open_circuit_mv] * 3
    demands, cells = [], []
    for _ in range(90 * 50):
        update(limits, 1000, int(pipe[0]), False, False, 20000)
        speed += ((limits.demand_pm / 1000) ** 0.5 - speed) * 0.02 / spool_s
        cell_mv = open_circuit_mv - 120 * speed**3 * cell_mohm
        pipe = [*pipe[1:], cell_mv]
        demands.append(limits.demand_pm)
        cells.append(cell_mv)
    late = demands[30 * 50 :]
    assert max(late) - min(late) <= 25, (min(late), max(late))
    assert min(cells[30 * 50 :]) >= FLOOR_MV
    # The demand at which the section stands at the knee; what is left is most of it, and it is not exceeded.
    knee_pm = min(1000, 1000 * ((open_circuit_mv - KNEE_MV) / 120 / cell_mohm) ** (2 / 3))
    assert 0.6 * knee_pm <= late[-1] <= knee_pm + 1
    if open_circuit_mv - 120 * cell_mohm > KNEE_MV:
        assert min(late) == 1000  # no cutback without need


UPDATES = st.lists(
    st.tuples(
        st.integers(0, 1000), st.one_of(st.just(NOT_KNOWN_MV), st.integers(2500, 4300)), st.booleans(),
        st.booleans(), st.integers(1000, 100_000),
    ),
    max_size=80,
)  # fmt: skip


@given(
    updates=UPDATES, proven=st.booleans(), tracks=st.integers(1, 2), up_ms=st.integers(500, 20000),
    down_ms=st.integers(100, 2000),
)  # fmt: skip
def test_never_above_the_lowest_limit_nor_faster_than_the_ramp(updates, proven, tracks, up_ms, down_ms):
    limits = make_limits(proven=proven, lever_tracks=tracks, ramp_up_ms=up_ms, ramp_down_ms=down_ms)
    given_pm = 0
    for lever_pm, cell_mv, lost, blind, dt_us in updates:
        update(limits, lever_pm, cell_mv, lost, blind, dt_us)
        allowed = min(
            lever_pm, 1000 if proven else 300, 1000 if tracks == 2 else 400, 300 if lost else 1000,
            0 if blind else 1000, limits.cutback_pm,
        )  # fmt: skip
        up_pm, down_pm = dt_us / up_ms, dt_us / down_ms
        assert 0 <= limits.demand_pm <= max(allowed, given_pm - down_pm + 2)
        assert given_pm - down_pm - 2 <= limits.demand_pm <= given_pm + up_pm + 2
        given_pm = limits.demand_pm
