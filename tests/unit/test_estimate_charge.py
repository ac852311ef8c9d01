"""The curve of voltage against charge, and the fusion of voltage and counting."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from services.estimate_charge import OCV_MV, OCV_PM, Charge, charge_at, ocv_at, slope_at


def published_mv(s: float) -> float:
    """T. Kim, W. Qiao, A hybrid battery model, IEEE Trans. Energy Conversion 26(4), 2011; coefficients as quoted by
    others."""
    return 1000 * (-0.852 * math.exp(-63.867 * s) + 3.6297 + 0.559 * s - 0.51 * s * s + 0.508 * s**3)


@pytest.mark.parametrize(("pm", "mv"), list(zip(OCV_PM, OCV_MV, strict=True)))
def test_the_table_is_the_published_curve(pm, mv):
    assert mv == pytest.approx(published_mv(pm / 1000), abs=1)


@given(st.floats(0.02, 1))
def test_straight_between_its_rows_is_near_enough(s):
    assert charge_at(published_mv(s)) == pytest.approx(1000 * s, abs=9)


@given(st.floats(0, 6000), st.floats(0, 6000))
def test_charge_rises_with_voltage_and_stays_in_range(a, b):
    low, high = sorted((a, b))
    assert 0 <= charge_at(low) <= charge_at(high) <= 1000


@given(st.floats(0, 1000))
def test_the_slope_is_that_of_the_table(pm):
    k = next(k for k in range(1, len(OCV_PM)) if pm <= OCV_PM[k])
    assert slope_at(pm) == (OCV_MV[k] - OCV_MV[k - 1]) / (OCV_PM[k] - OCV_PM[k - 1]) > 0


def started(pm: float, full_s: float) -> Charge:
    charge = Charge()
    charge.start(full_s)
    charge.see(published_mv(pm / 1000), 0.0, 1.0)
    return charge


def test_what_lies_within_the_uncertainty_of_the_voltage_does_not_disturb_the_count():
    charge = started(600, 360.0)
    for _ in range(60):
        charge.count(0.5, 1.0)
        charge.see(published_mv(charge.pm / 1000) + 20, 20.0, 1.0)
    assert charge.pm == pytest.approx(600 - 1000 * 0.5 * 60 / 360, abs=3)


def test_near_empty_the_voltage_overrules_a_wrong_count():
    charge = started(300, 3600.0)
    truth = 300.0
    while truth > 30:
        truth -= 1000 * 0.5 / 1800  # half the stated capacity
        charge.count(0.5, 1.0)
        charge.see(published_mv(truth / 1000), 5.0, 1.0)
    assert charge.pm < 80


def test_in_mid_ride_no_single_voltage_overrules_the_count():
    charge = started(600, 3600.0)
    charge.count(0.5, 1.0)
    charge.see(published_mv(0.1), 5.0, 1.0)
    assert charge.pm > 590


def test_capacity_that_nobody_stated_is_learned():
    """A string that lasts 1200 s at full, in pulls of 30 s and rests of 10 s."""
    charge = started(950, 0.0)
    truth, minutes = 950.0, []
    for k in range(60):
        for second in range(40):
            x = 0.5 if second < 30 else 0.0
            truth -= 1000 * x / 1200
            charge.count(x, 1.0)
            charge.see(published_mv(truth / 1000), 40 * x, 1.0)
        if k == 2:
            assert charge.minutes() < 0  # not yet
        minutes.append((charge.minutes(), (truth - 100) / 1000 * 1200 / 0.375 / 60))
        if truth < 400:
            break
    told, true = minutes[-1]
    assert told == pytest.approx(true, rel=0.25)
    assert charge.pm == pytest.approx(truth, abs=40)


def test_a_weak_section_is_behind_by_its_voltage():
    charge = started(700, 3600.0)
    for _ in range(200):
        charge.compare(published_mv(0.7), published_mv(0.5), 1.0)
    assert charge.left_pm() == pytest.approx(500, abs=30)
    assert charge.pm == pytest.approx(700, abs=2)


def test_equal_sections_are_not_behind_for_the_noise_of_sensing():
    charge = started(700, 3600.0)
    for k in range(200):
        charge.compare(3945 + k % 3, 3940, 1.0)
    assert charge.left_pm() == charge.pm


def test_a_capacity_that_nobody_stated_is_learned_in_a_steady_pull_too():
    """A string that lasts 1200 s at full, and never rests: two and a half times what is guessed."""
    charge = started(950, 0.0)
    truth = 950.0
    while truth > 300:
        truth -= 1000 * 0.35 / 1200
        charge.count(0.35, 1.0)
        charge.see(published_mv(truth / 1000), 30.0, 1.0)
    assert charge.pm == pytest.approx(truth, abs=20)
    assert charge.minutes() == pytest.approx((truth - 100) / 1000 * 1200 / 0.35 / 60, rel=0.25)


def test_a_voltage_far_from_a_good_count_is_told_in_the_upper_half_only():
    charge = started(900, 3600.0)
    assert charge.astray_mv(published_mv(0.9) - 10) == 0
    assert charge.astray_mv(published_mv(0.9) - 90) == pytest.approx(90 - 24, abs=30)
    assert charge.astray_mv(published_mv(0.9) + 90) == pytest.approx(-90 + 24, abs=30)
    assert started(900, 0.0).astray_mv(published_mv(0.9) - 90) == 0
    assert started(400, 3600.0).astray_mv(published_mv(0.4) - 90) == 0


@given(st.floats(0, 1000))
def test_the_curve_read_forward_is_the_curve_read_backward(pm):
    assert charge_at(ocv_at(pm)) == pytest.approx(pm, abs=0.5)
