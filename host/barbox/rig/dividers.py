"""Voltage dividers of preferred resistors, and how far an uncalibrated one can be off."""

from __future__ import annotations

from math import floor, log10, sqrt

from barbox.rig.boards import Board
from barbox.rig.model import SensePoint

E12 = (1.0, 1.2, 1.5, 1.8, 2.2, 2.7, 3.3, 3.9, 4.7, 5.6, 6.8, 8.2)
"""Preferred values of a decade, IEC 60063."""

SENSOR_V_PER_A = 0.1
"""The box keeps a current as a voltage: 1 mV stands for 10 mA (setting `sense.kind`)."""


def suggest_upper_kohm(ratio: float, lower_kohm: float) -> float:
    """The smallest E12 value that makes the divider at least `ratio` to 1 over `lower_kohm`."""
    wanted = (ratio - 1.0) * lower_kohm
    decade = 10.0 ** floor(log10(wanted))
    for value in (*E12, 10.0):
        if value * decade >= wanted * (1 - 1e-9):
            return round(value * decade, 6)
    raise AssertionError("a decade ends at 10")


def nv_per_count(point: SensePoint, board: Board) -> float:
    """Voltage at the sense point for one count of the ADC, nominal, in nV."""
    return board.step_nv * point.ratio


def sensor_nv_per_count(amps_per_volt: float, board: Board) -> float:
    """Gain of an input with a current sensor, in nV, where SENSOR_V_PER_A stands for an ampere."""
    return board.step_nv * amps_per_volt * SENSOR_V_PER_A


def straight_uncertainty_v(volts: float, board: Board) -> float:
    """Expanded uncertainty (k = 2) of a pin voltage near `volts` without a divider, as below."""
    return 2.0 * sqrt(((volts * board.gain_limit) ** 2 + board.offset_limit_v**2) / 3.0)


def nominal_uncertainty_v(point: SensePoint, board: Board, volts: float) -> float:
    """Expanded uncertainty (k = 2) of an uncalibrated reading near `volts` at the sense point.

    Limits of error taken as rectangular, half-width over the square root of 3, and combined as independent
    (JCGM 100:2008, 4.3.7 and 5.1.2): both resistors' tolerance, the ADC's gain, its offset, and the load of the
    pin on the divider.
    """
    share = (point.ratio - 1.0) / point.ratio  # how much of a resistor's error reaches the ratio
    tolerance = point.tolerance_percent / 100.0
    source_ohm = 1000.0 * point.upper_kohm / point.ratio
    limits_v = (
        volts * share * tolerance,
        volts * share * tolerance,
        volts * board.gain_limit,
        volts * source_ohm / board.pin_ohm,
        point.ratio * board.offset_limit_v,
    )
    return 2.0 * sqrt(sum([a * a for a in limits_v]) / 3.0)
