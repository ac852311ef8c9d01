"""Discharges of electrochemical cells by PyBaMM, to feed an estimator that knows nothing of them.

Doyle-Fuller-Newman model (M. Doyle, T. F. Fuller, J. Newman, J. Electrochem. Soc. 140, 1526, 1993), isothermal,
parameter sets as PyBaMM ships them:

- `Ramadass2004`: LCO/graphite (P. Ramadass et al., J. Electrochem. Soc. 151, A196, 2004). Of all sets with a 4.2 V
  cell its open-circuit voltage is nearest to a polymer cell's: within 10 mV of the fit of Kim and Qiao from 10 %
  to full. The yardstick.
- `Ai2020`: LCO/graphite pouch, an energy cell (W. Ai et al., J. Electrochem. Soc. 167, 013512, 2020): about five
  times the resistance, strongly bent charge transfer, and an open-circuit voltage that falls from 30 % on.
- `Ecker2015`: NMC/graphite pouch (M. Ecker et al., J. Electrochem. Soc. 162, A1836, 2015). Another chemistry.

Each is scaled by area to 10 Ah, so currents are in multiples of capacity (C). None is a high-rate cell: full thrust
takes the highest whole C at which the model still gives a minute at 30 % left, not the 10 C of a hobby pack.
"""

from __future__ import annotations

import math
import os
import warnings
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from tests.unit.estimator_rides import TICK_S, constant, pulses, ride

os.environ["PYBAMM_DISABLE_TELEMETRY"] = "true"

CELL_AH = 10.0
FULL_C = {"Ramadass2004": 5.0, "Ai2020": 3.0, "Ecker2015": 3.0}
_START = "4.19 V"  # a run that starts at the upper cut-off ends at once
_EMPTY_V = 3.0  # at rest: no charge left
_SPOOL_S = 0.35


@dataclass(frozen=True)
class Discharge:
    """At each tick: demand, current, voltage under load and at rest, charge left."""

    demand_pm: list[int]
    full_a: float
    amperes: np.ndarray
    volts: np.ndarray
    rest_volts: np.ndarray
    left: np.ndarray


def schedule(name: str, full_c: float) -> list[int]:
    """`constant`, `pulsed` or `rideN` (N the seed), long enough to empty the cell."""
    if name == "constant":
        return constant(15000 / full_c, 500)
    if name == "pulsed":
        return pulses(12500 / full_c)
    return ride(int(name.removeprefix("ride")), 18000 / full_c)


def _simulation(cell: str, current):
    import pybamm

    pybamm.set_logging_level("ERROR")
    values = pybamm.ParameterValues(cell)
    values["Current function [A]"] = current
    values["Lower voltage cut-off [V]"] = 2.6
    return pybamm.Simulation(
        pybamm.lithium_ion.DFN(), parameter_values=values, solver=pybamm.IDAKLUSolver(rtol=1e-4, atol=1e-6)
    )


@lru_cache(maxsize=8)
def capacity_ah(cell: str) -> float:
    """From the start to 3.0 V, at a fiftieth of the nominal capacity an hour."""
    import pybamm

    slow = pybamm.ParameterValues(cell)["Nominal cell capacity [A.h]"] / 50
    solution = _simulation(cell, slow).solve([0, 100 * 3600], initial_soc=_START)
    volts = solution["Battery open-circuit voltage [V]"].entries
    return float(np.interp(-_EMPTY_V, -volts, solution["Discharge capacity [A.h]"].entries))


@lru_cache(maxsize=32)
def discharge(cell: str, scenario: str) -> Discharge:
    """A discharge at I = I_full * demand^1.5 (fan law behind a linearised curve), spooled up; cached."""
    import pybamm

    full_c = FULL_C[cell]
    demand = schedule(scenario, full_c)
    share, shares = 0.0, []
    for pm in demand:
        share += ((pm / 1000) ** 1.5 - share) * (1 - math.exp(-TICK_S / _SPOOL_S))
        shares.append(share)
    x = np.array(shares)
    t = np.arange(len(x)) * TICK_S
    capacity = capacity_ah(cell)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the run ends when the cell is empty, and PyBaMM says so
        simulation = _simulation(cell, pybamm.Interpolant(t, x * full_c * capacity, pybamm.t))
        solution = simulation.solve([0, t[-1]], t_interp=t, initial_soc=_START)
    times = solution["Time [s]"].entries
    ticks = t[t <= times[-1]]

    def at_ticks(name: str) -> np.ndarray:
        return np.interp(ticks, times, solution[name].entries)

    n = len(ticks)
    return Discharge(
        demand_pm=demand[:n],
        full_a=full_c * CELL_AH,
        amperes=x[:n] * full_c * CELL_AH,
        volts=at_ticks("Voltage [V]"),
        rest_volts=at_ticks("Battery open-circuit voltage [V]"),
        left=1 - at_ticks("Discharge capacity [A.h]") / capacity,
    )
