"""The bench's fits and bounds against published figures."""

import csv
import sys
from pathlib import Path

import pytest

from barbox.bench.air import Air, ideal_w
from barbox.bench.fit import power_law

if sys.version_info >= (3, 11):
    import tomllib
else:
    import tomli as tomllib

DATA = Path(__file__).with_name("data")

# NIST/ITL Statistical Reference Datasets, nonlinear regression, DanWood: y = b1*x**b2, six observations of the energy
# radiated from a carbon filament lamp (C. Daniel, F. S. Wood, Fitting Equations to Data, 1980).
DANWOOD_X = [1.309, 1.471, 1.490, 1.565, 1.611, 1.680]
DANWOOD_Y = [2.138, 3.421, 3.597, 4.340, 4.882, 5.660]
STARTS = [(1.0, 5.0), (0.7, 4.0)]
SIX_DIGITS = 5e-7


@pytest.mark.parametrize("start", STARTS)
def test_danwood_gives_the_certified_values(start):
    """NIST StRD DanWood, certified parameters and standard deviations, from both published starting points."""
    law = power_law(DANWOOD_X, DANWOOD_Y, start=start)
    assert law.scale == pytest.approx(7.6886226176e-01, rel=SIX_DIGITS)
    assert law.scale_sd == pytest.approx(1.8281973860e-02, rel=SIX_DIGITS)
    assert law.exponent == pytest.approx(3.8604055871e00, rel=SIX_DIGITS)
    assert law.exponent_sd == pytest.approx(5.1726610913e-02, rel=SIX_DIGITS)
    assert law.residual_sd == pytest.approx(3.2853114039e-02, rel=SIX_DIGITS)
    assert law.residual_sd**2 * 4 == pytest.approx(4.3173084083e-03, rel=SIX_DIGITS)


def test_danwood_weighted_alike_gives_the_same_parameters():
    """NIST StRD DanWood; stated uncertainties that are too small give way to the scatter."""
    law = power_law(DANWOOD_X, DANWOOD_Y, [0.001] * 6)
    assert law.scale == pytest.approx(7.6886226176e-01, rel=SIX_DIGITS)
    assert law.exponent_sd == pytest.approx(5.1726610913e-02, rel=SIX_DIGITS)


with open(DATA / "standard_atmosphere.csv", encoding="utf-8") as f:
    ATMOSPHERE = list(csv.DictReader(line for line in f if line[0] != "#"))


@pytest.mark.parametrize("row", ATMOSPHERE, ids=lambda row: row["altitude_m"])
def test_the_days_density_from_pressure_and_temperature(row):
    """ISO 2533:1975: printed pressure and temperature give the printed density."""
    air = Air(float(row["p_Pa_geopotential"]) / 100, float(row["T_K_geopotential"]) - 273.15)
    assert air.density_kg_m3 == pytest.approx(float(row["rho_kg_m3_geopotential"]), rel=6e-6)


def test_ideal_duct_of_a_day():
    """P = T^1.5 / sqrt(4 rho A), textbook momentum theory (from memory); figures computed from it, not published."""
    case = tomllib.loads((DATA / "ducted_bound.toml").read_text("utf-8"))["constructed_examples"]
    for thrust_n, power_w in zip(case["T_N"], case["P_ducted_sigma_1_W"], strict=True):
        assert ideal_w(thrust_n, 120.0, Air()) == pytest.approx(power_w, rel=1e-5)
