"""Demand to pulse width."""

from hypothesis import given
from hypothesis import strategies as st

from core.curve import Curve

CURVES = st.lists(st.integers(0, 1000), min_size=9, max_size=9).map(lambda c: (0, *sorted(c), 1000))
ENDS = st.tuples(st.integers(800, 1200), st.integers(1700, 2200))


@given(ends=ENDS, curve_pm=CURVES)
def test_a_curve_rises_from_idle_to_full_and_meets_its_points(ends, curve_pm):
    idle_us, full_us = ends
    curve = Curve()
    curve.configure(idle_us, full_us, curve_pm)
    widths = [curve.pulse_us(pm) for pm in range(1001)]
    assert (widths[0], widths[1000]) == ends
    assert all(b >= a for a, b in zip(widths, widths[1:], strict=False))
    for i in range(11):
        assert 0 <= idle_us + (full_us - idle_us) * curve_pm[i] / 1000 - widths[100 * i] < 1


@given(ends=ENDS, curve_pm=CURVES, pm=st.integers(0, 1000))
def test_straight_between_two_points(ends, curve_pm, pm):
    curve = Curve()
    curve.configure(*ends, curve_pm)
    low, part = divmod(pm, 100)
    a = curve.pulse_us(100 * low)
    b = curve.pulse_us(min(1000, 100 * (low + 1)))
    assert abs(curve.pulse_us(pm) - (a + (b - a) * part / 100)) < 1


def test_a_curve_that_does_not_reach_full_ends_where_it_says():
    curve = Curve()
    curve.configure(1000, 2000, (0, 50, 100, 150, 200, 250, 300, 350, 400, 450, 500))
    assert curve.pulse_us(1000) == 1500
