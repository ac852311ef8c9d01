"""The cell model against its own published curves, and stepped against PyBaMM.

Source: M. Chen, G. A. Rincon-Mora, IEEE Trans. Energy Conversion 21(2), 504-511, 2006; T. Kim, W. Qiao,
IEEE Trans. Energy Conversion 26(4), 2011.
Data and their standing: data/cell_open_circuit.csv, data/cell_model.toml.
"""

import csv
import math
import os
import sys
from pathlib import Path

import pytest

from barbox.sim.plant import CHEN_CELL, POLYMER_CELL, SectionSpec
from barbox.sim.plant.cell import CellGroup

if sys.version_info >= (3, 11):
    import tomllib
else:
    import tomli as tomllib

DATA = Path(__file__).with_name("data")

with open(DATA / "cell_open_circuit.csv", encoding="utf-8") as f:
    CURVES = [
        {k: float(v) for k, v in row.items()} for row in csv.DictReader(line for line in f if line[0] != "#")
    ]
MODEL = tomllib.loads((DATA / "cell_model.toml").read_text("utf-8"))
MODEL_CAPACITY_AH = 0.85
FULL = 0.9999  # PyBaMM ends a run that starts at 1


def published(formula: str, charge: float) -> float:
    return eval(formula, {"__builtins__": {}, "exp": math.exp, "s": charge})


@pytest.mark.parametrize("row", CURVES, ids=lambda row: f"{row['soc']:g}")
def test_open_circuit_voltage_is_the_published_one(row):
    # Half of the last printed digit.
    assert CHEN_CELL.open_circuit_at(row["soc"]) == pytest.approx(row["voc_C_V"], abs=5.1e-5)
    assert POLYMER_CELL.open_circuit_at(row["soc"]) == pytest.approx(row["voc_K_V"], abs=5.1e-5)


@pytest.mark.parametrize("charge", [0.02, 0.05, 0.1, 0.3, 0.5, 0.8, 1.0])
def test_circuit_elements_are_the_published_ones(charge):
    cell = CHEN_CELL
    short, long = MODEL["short_transient"], MODEL["long_transient"]
    for ours, formula in (
        (cell.open_circuit_at, MODEL["open_circuit_voltage_V"]["formula"]),
        (cell.series_ohm_at, MODEL["series_resistance_ohm"]["formula"]),
        (cell.short_ohm_at, short["resistance_ohm"]),
        (cell.short_farad_at, short["capacitance_F"]),
        (cell.long_ohm_at, long["resistance_ohm"]),
        (cell.long_farad_at, long["capacitance_F"]),
    ):
        assert ours(charge) == pytest.approx(published(formula, charge), rel=1e-12)


@pytest.mark.parametrize("charge", [0.05, 0.213, 0.5, 0.777, 1.0])
def test_a_larger_cell_divides_resistance_and_multiplies_capacitance(charge):
    """The scaling to C ampere-hours of data/cell_model.toml, seen in the response to a step of current."""
    n, capacity, current, dt = 5, 10.0, 1.0, 30.0
    ratio = capacity / MODEL_CAPACITY_AH
    series_mohm = 1e3 * published(MODEL["series_resistance_ohm"]["formula"], 0.5) / ratio
    spec = SectionSpec(n, capacity, charge, resistance_mohm_per_cell=series_mohm, cell=CHEN_CELL)
    group = CellGroup.from_spec(spec)
    group.step(current, dt)
    drop = 0.0
    for pair in (MODEL["short_transient"], MODEL["long_transient"]):
        ohm = published(pair["resistance_ohm"], charge) / ratio
        farad = published(pair["capacitance_F"], charge) * ratio
        drop += n * current * ohm * (1.0 - math.exp(-dt / (ohm * farad)))
    assert group.short_v + group.long_v == pytest.approx(drop, rel=1e-2)
    ohm = n * published(MODEL["series_resistance_ohm"]["formula"], group.charge) / ratio
    assert group.series_ohm == pytest.approx(ohm, rel=1e-3)


@pytest.mark.reference
@pytest.mark.parametrize("current", [0.17, 0.85, 1.7])
def test_constant_current_discharge_agrees_with_pybamm(current, monkeypatch):
    """PyBaMM's Thevenin model, two RC elements, constant temperature, the published formulas as parameters.

    Agreement found from full to 3.0 V at 0.2, 1 and 2 C: within 0.13 mV at every moment down to 2 % charge,
    where ours stops following the fits of the RC pairs (their capacitances turn negative). 3.0 V is reached
    within 0.03 s at 1 and 2 C, and 6 s late in 17,700 s at 0.2 C, which ends below that charge.
    """
    monkeypatch.setitem(os.environ, "PYBAMM_DISABLE_TELEMETRY", "true")
    pybamm = pytest.importorskip("pybamm")

    def fit(formula):
        names = {"__builtins__": {}, "exp": pybamm.exp}
        return lambda temperature, current, charge: eval(formula, {**names, "s": charge})

    def open_circuit(charge):
        return eval(MODEL["open_circuit_voltage_V"]["formula"], {"exp": pybamm.exp, "s": charge})

    short, long = MODEL["short_transient"], MODEL["long_transient"]
    values = pybamm.ParameterValues("ECM_Example")
    values.update(
        {
            "Cell capacity [A.h]": MODEL_CAPACITY_AH,
            "Nominal cell capacity [A.h]": MODEL_CAPACITY_AH,
            "Current function [A]": current,
            "Initial SoC": FULL,
            "Upper voltage cut-off [V]": 5.0,
            "Lower voltage cut-off [V]": 3.0,
            "Open-circuit voltage [V]": open_circuit,
            "Entropic change [V/K]": lambda voltage, temperature: 0.0 * voltage,
            "Cell thermal mass [J/K]": 1e9,
            "R0 [Ohm]": fit(MODEL["series_resistance_ohm"]["formula"]),
            "R1 [Ohm]": fit(short["resistance_ohm"]),
            "C1 [F]": fit(short["capacitance_F"]),
            "R2 [Ohm]": fit(long["resistance_ohm"]),
            "C2 [F]": fit(long["capacitance_F"]),
            "Element-1 initial overpotential [V]": 0.0,
            "Element-2 initial overpotential [V]": 0.0,
        },
        check_already_exists=False,
    )
    model = pybamm.equivalent_circuit.Thevenin(options={"number of rc elements": 2})
    hours = MODEL_CAPACITY_AH / current
    solver = pybamm.IDAKLUSolver(rtol=1e-8, atol=1e-8)
    simulation = pybamm.Simulation(model, parameter_values=values, solver=solver)
    last_s = int(3600.0 * hours)
    solution = simulation.solve([0, last_s], t_interp=range(0, last_s, 10))
    end_s = float(solution["Time [s]"].entries[-1])
    assert 0.8 * hours < end_s / 3600 < hours

    times, volts = solution["Time [s]"].entries, solution["Voltage [V]"].entries
    theirs = {round(t): v for t, v in zip(times, volts, strict=True) if abs(t - round(t)) < 1e-9}
    assert len(theirs) > 0.09 * end_s
    group = CellGroup(CHEN_CELL, 1, MODEL_CAPACITY_AH, FULL, 1.0)
    steps = compared = 0
    worst_v = 0.0
    while group.voltage_v > 3.0:
        group.step(current, 0.02)
        steps += 1
        seconds, part = divmod(steps, 50)
        if not part and seconds in theirs and group.charge > CHEN_CELL.rc_floor_charge:
            worst_v = max(worst_v, abs(group.voltage_v - theirs[seconds]))
            compared += 1
    assert compared > 0.08 * end_s
    assert worst_v < 0.2e-3
    # Only the slowest run goes below that floor before 3.0 V.
    assert abs(steps * 0.02 - end_s) < (0.1 if group.charge > CHEN_CELL.rc_floor_charge else 0.0005 * end_s)
