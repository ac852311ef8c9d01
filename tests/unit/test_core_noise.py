"""Noise between what is ridden on and what trips: the worse it is, the more often it trips and the less thrust there
is. Shares of made-up runs; the sizes are the box's own rule."""

import random
from statistics import fmean

import pytest
from desk import POINTS, STEP_US, Desk, give_mv, lever_mv, rig_values

from shared_proto.states import CAUSE_LEVER_RANGE, CAUSE_LEVER_TRACKS, DRIVING, HELD, SENSE_OK

SEEDS, STEPS = 12, 100
AGREE_PM = 80  # default of the settings
SLACK = 0.1  # of a share: a run of twelve more or less


def driving(lever_pm):
    desk = Desk(rig_values(ramp_up_ms=500))
    desk.arm()
    desk.lever_pm = lever_pm
    desk.run_s(2)
    assert desk.state == DRIVING
    return desk


def shaken_lever(mv, seed, lever_pm):
    """Demands of two seconds with so much noise at each pin, one deviation, and whether it tripped."""
    desk, rng, demands = driving(lever_pm), random.Random(seed), []
    before_pm = desk.demand_pm
    for _ in range(STEPS):
        for n, side, cells in POINTS:
            give_mv(desk.inputs, n, desk.cell_mv[side - 1] * cells)
        lever_mv(desk.inputs, lever_pm)
        desk.inputs.lever_a_mv = max(0, min(3300, round(desk.inputs.lever_a_mv + rng.gauss(0, mv))))
        desk.inputs.lever_b_mv = max(0, min(3300, round(desk.inputs.lever_b_mv + rng.gauss(0, mv))))
        desk.controller.step(STEP_US)
        demands.append(desk.demand_pm)
    tripped = desk.state == HELD
    if tripped:
        assert desk.controller.interlock.cause in (CAUSE_LEVER_RANGE, CAUSE_LEVER_TRACKS) and demands[-1] == 0
    return before_pm, demands, tripped


@pytest.mark.parametrize("lever_pm", [300, 500, 800])
def test_a_lever_that_shakes_gives_less_and_less_until_it_trips(lever_pm):
    shares, means = [], []
    for mv in (0, 10, 20, 40, 60, 80, 120, 180, 250):
        runs = [shaken_lever(mv, seed, lever_pm) for seed in range(SEEDS)]
        shares.append(fmean(tripped for _, _, tripped in runs))
        means.append(fmean(fmean(demands) for _, demands, _ in runs) / runs[0][0])
        # The lower of both tracks counts, so the mean is below what is asked. A moment may be above it, by no more than
        # the tracks may be apart.
        assert means[-1] <= 1.001
        most_pm = max(max(demands) for _, demands, _ in runs)
        assert most_pm <= runs[0][0] + AGREE_PM, f"{mv} mV: {most_pm}"
    assert shares[:3] == [0, 0, 0] and shares[-1] == 1
    assert all(b >= a - SLACK for a, b in zip(shares, shares[1:], strict=False)), shares
    assert all(b <= a + 0.02 for a, b in zip(means, means[1:], strict=False)), means


def shaken_sense(mv, seed):
    """Whether a tap with so much noise is lost within two seconds; thrust is never above what was asked."""
    desk, rng, lost = driving(800), random.Random(seed), False
    before_pm = desk.demand_pm
    for _ in range(STEPS):
        for n, side, cells in POINTS:
            give_mv(desk.inputs, n, desk.cell_mv[side - 1] * cells + (rng.gauss(0, mv) if n == 0 else 0))
        lever_mv(desk.inputs, 800)
        desk.controller.step(STEP_US)
        lost = lost or desk.controller.sense.fault[0] != SENSE_OK
        assert desk.demand_pm <= before_pm
    return lost


def test_a_sense_wire_that_shakes_is_lost_the_more_often_the_more_it_shakes():
    shares = [fmean(shaken_sense(mv, seed) for seed in range(SEEDS)) for mv in (0, 150, 1000, 2000, 4000, 8000, 12000)]
    assert shares[:2] == [0, 0] and shares[-1] == 1
    assert all(b >= a - SLACK for a, b in zip(shares, shares[1:], strict=False)), shares
