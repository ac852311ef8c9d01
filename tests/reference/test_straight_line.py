"""The straight line of a calibration against the worked example of the GUM, and against scipy.

Data, source and the standing of each: data/gum_h3.csv, data/preferred_numbers.csv.
"""

import csv
from math import sqrt
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import optimize, stats

from barbox.calibration.coverage import factor
from barbox.calibration.fit import fit_line
from barbox.calibration.preferred import E24, E96
from barbox.rig.dividers import E12

DATA = Path(__file__).with_name("data")


def rows(name):
    text = [line for line in (DATA / name).read_text("utf-8").splitlines() if not line.startswith("#")]
    return list(csv.DictReader(text))


H3 = rows("gum_h3.csv")
T_C = [float(r["t_k_C"]) for r in H3]
B_C = [float(r["b_k_C"]) for r in H3]


def test_thermometer_of_the_gum_to_every_published_digit():
    """JCGM 100:2008, H.3.3 and H.3.4: y1, y2, their standard uncertainties and correlation, s, and b(30 C)."""
    line = fit_line(T_C, B_C, origin=20.0)
    assert f"{line.intercept:.4f}" == "-0.1712"
    assert f"{line.u_intercept:.4f}" == "0.0029"
    assert f"{line.slope:.5f}" == "0.00218"
    assert f"{line.u_slope:.5f}" == "0.00067"
    assert f"{line.correlation:.3f}" == "-0.930"
    assert line.scatter is not None and f"{line.scatter:.4f}" == "0.0035"
    assert f"{line.at(30.0):.4f}" == "-0.1494"
    assert f"{line.u_at(30.0):.4f}" == "0.0041"


def test_the_same_by_scipy_to_twelve_digits():
    line = fit_line(T_C, B_C)
    theirs = stats.linregress(T_C, B_C)
    for ours, their in (
        (line.slope, theirs.slope),
        (line.intercept, theirs.intercept),
        (line.u_slope, theirs.stderr),
        (line.u_intercept, theirs.intercept_stderr),
    ):
        assert ours == pytest.approx(their, rel=1e-11)


points = st.lists(
    st.tuples(st.floats(0, 60), st.floats(-0.05, 0.05), st.floats(0.001, 0.1)), min_size=3, max_size=8
)


@given(points)
def test_weighted_line_is_that_of_scipy(drawn):
    """`curve_fit` with absolute sigma: weighted least squares with known uncertainties."""
    x = np.array([p[0] for p in drawn]) + np.arange(len(drawn))
    u = np.array([p[2] for p in drawn])
    y = 0.3 + 1.02 * x + np.array([p[1] for p in drawn])
    line = fit_line(x.tolist(), y.tolist(), u=u.tolist())
    best, covariance = optimize.curve_fit(lambda x, a, b: a + b * x, x, y, sigma=u, absolute_sigma=True)
    assert [line.intercept, line.slope] == pytest.approx(best, abs=1e-6)
    assert line.covariance == pytest.approx(covariance, rel=1e-4, abs=1e-9)


@given(points, st.floats(-30, 90))
def test_an_error_of_one_ordinate_reaches_the_line_by_its_share(drawn, at):
    x = (np.array([p[0] for p in drawn]) + np.arange(len(drawn))).tolist()
    u = [p[2] for p in drawn]
    y = [2 * v for v in x]
    for through in (False, True):
        line = fit_line(x, y, u=u, through_origin=through)
        for n in range(len(x)):
            off = fit_line(x, y[:n] + [y[n] + 0.5] + y[n + 1 :], u=u, through_origin=through)
            assert off.at(at) - line.at(at) == pytest.approx(0.5 * line.reach(at)[n], abs=1e-7)


def test_too_few_points_and_points_at_one_place():
    with pytest.raises(ValueError, match="too few"):
        fit_line([1.0], [1.0], u=[0.1])
    with pytest.raises(ValueError, match="too few"):
        fit_line([1.0, 2.0], [1.0, 2.0])
    with pytest.raises(ValueError, match="one place"):
        fit_line([2.0, 2.0], [1.0, 2.0], u=[0.1, 0.1])


def test_coverage_factors_of_the_gum():
    """JCGM 100:2008, G.1.3: 1.65 for a rectangular distribution at 95 %; 4.3.9 and G.6.6 for a normal one, 1.96."""
    assert factor([], [1.0]) == pytest.approx(1.65, abs=0.01)
    assert factor([1.0], []) == pytest.approx(1.960, abs=0.001)


@pytest.mark.parametrize(("normal", "rectangular"), [([0.3], [1.0]), ([], [1.0, 1.0]), ([0.2], [1.0, 0.5, 0.1])])
def test_coverage_factors_by_drawing(normal, rectangular):
    """The Monte Carlo method of JCGM 101:2008, with a million draws."""
    rng = np.random.default_rng(5)
    errors = sum([rng.normal(0, u, 1_000_000) for u in normal], np.zeros(1_000_000))
    for u in rectangular:
        errors += rng.uniform(-sqrt(3) * u, sqrt(3) * u, 1_000_000)
    whole = sqrt(sum([u * u for u in (*normal, *rectangular)]))
    assert factor(normal, rectangular) == pytest.approx(np.quantile(np.abs(errors), 0.95) / whole, abs=0.005)


@pytest.mark.parametrize(("name", "ours"), [("E12", E12), ("E24", E24), ("E96", E96)])
def test_preferred_numbers(name, ours):
    """IEC 60063."""
    assert list(ours) == [float(r["value"]) for r in rows("preferred_numbers.csv") if r["series"] == name]
