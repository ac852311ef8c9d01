"""What a plant is made of: cells, sections, fans, ESCs, sides, vehicle."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from math import exp, isfinite

from barbox.sim.plant.air import SEA_LEVEL_DENSITY_KG_M3
from barbox.sim.plant.fan import disc_area_m2, exit_speed_m_s, ideal_ducted_power_w


def _need(spec: object, name: str, test: Callable[[float], bool], what: str) -> None:
    value = getattr(spec, name)
    if (
        isinstance(value, bool)
        or not isinstance(value, (int, float))
        or not isfinite(value)
        or not test(value)
    ):
        raise ValueError(f"{type(spec).__name__}.{name} is {value!r}; it must be {what}")


def _need_above_0(spec: object, *names: str) -> None:
    for name in names:
        _need(spec, name, lambda v: v > 0, "above 0")


def _need_from_0(spec: object, *names: str) -> None:
    for name in names:
        _need(spec, name, lambda v: v >= 0, "0 or more")


@dataclass(frozen=True)
class CellParams:
    """Equivalent circuit of one lithium-polymer cell, each part a function of its charge s (0..1).

    Source: M. Chen, G. A. Rincon-Mora, IEEE Trans. Energy Conversion 21(2), 504-511, 2006: a series
    resistance and two RC pairs, `a * exp(-b s) + c` each, fitted to a cell of about 0.85 Ah.

    The default open-circuit voltage is the fit of T. Kim, W. Qiao (IEEE Trans. Energy Conversion 26(4),
    2011), since hobby cells are charged to 4.2 V and Chen's was to 4.1 V; `CHEN_CELL` has Chen's own.
    """

    # a exp(-b s) + c0 + c1 s + c2 s^2 + c3 s^3
    open_circuit_v: tuple[float, float, float, float, float, float] = (
        -0.852, 63.867, 3.6297, 0.559, -0.51, 0.508,
    )  # fmt: skip
    series_ohm: tuple[float, float, float] = (0.1562, 24.37, 0.07446)
    short_ohm: tuple[float, float, float] = (0.3208, 29.14, 0.04669)
    short_farad: tuple[float, float, float] = (-752.9, 13.51, 703.6)
    long_ohm: tuple[float, float, float] = (6.603, 155.2, 0.04984)
    long_farad: tuple[float, float, float] = (-6056.0, 27.12, 4475.0)
    capacity_ah: float = 0.85
    # Below this charge both capacitance fits head for negative values: resistances and capacitances
    # stay at what they are here.
    rc_floor_charge: float = 0.02

    def open_circuit_at(self, charge: float) -> float:
        """Open-circuit volts. Past either end of 0..1 the curve goes on straight, but never below 0 V."""
        a, b, c0, c1, c2, c3 = self.open_circuit_v
        s = min(max(charge, 0.0), 1.0)
        e = a * exp(-b * s)
        volts = e + c0 + s * (c1 + s * (c2 + s * c3))
        if s != charge:
            volts += (charge - s) * (-b * e + c1 + s * (2.0 * c2 + 3.0 * c3 * s))
        return max(volts, 0.0)

    def _fit(self, coefficients: tuple[float, float, float], charge: float) -> float:
        a, b, c = coefficients
        return a * exp(-b * min(max(charge, self.rc_floor_charge), 1.0)) + c

    def series_ohm_at(self, charge: float) -> float:
        """Series resistance of a cell of `capacity_ah`."""
        return self._fit(self.series_ohm, charge)

    def short_ohm_at(self, charge: float) -> float:
        """Resistance of the RC pair that settles in tens of seconds."""
        return self._fit(self.short_ohm, charge)

    def short_farad_at(self, charge: float) -> float:
        """Capacitance of the RC pair that settles in tens of seconds."""
        return self._fit(self.short_farad, charge)

    def long_ohm_at(self, charge: float) -> float:
        """Resistance of the RC pair that settles in minutes."""
        return self._fit(self.long_ohm, charge)

    def long_farad_at(self, charge: float) -> float:
        """Capacitance of the RC pair that settles in minutes."""
        return self._fit(self.long_farad, charge)


POLYMER_CELL = CellParams()
CHEN_CELL = CellParams(open_circuit_v=(-1.031, 35.0, 3.685, 0.2156, -0.1178, 0.3201))

HIGH_RATE_MOHM_AH = 15.0
"""Series resistance times capacity of a high-rate cell: 1.5 milliohm at 10 Ah.

Chen's cell has 63 milliohm Ah (75 milliohm, 0.85 Ah), a slow cell. A hobby pack sold for some 25 C loses
about a tenth of its voltage at that rate: 25 * 15 mV = 0.38 V (common practice, no source). With the two
RC pairs scaled alike, a cell of 10 Ah settles at 3.4 milliohm under minutes of load.
"""


@dataclass(frozen=True)
class SectionSpec:
    """Cells in series between two sense points.

    `charge` 0..1.1 (above 1 is overcharged). `resistance_mohm_per_cell` is the series resistance of a
    cell in mid-charge; None takes `HIGH_RATE_MOHM_AH / capacity_ah`. Both RC pairs scale with it at
    constant time constants, as if the same electrodes had more area. `spread` is the standard deviation
    of capacity and resistance, relative, drawn once a section from the seed of the plant.
    """

    cells: int
    capacity_ah: float
    charge: float = 1.0
    resistance_mohm_per_cell: float | None = None
    spread: float = 0.0
    cell: CellParams = POLYMER_CELL

    def __post_init__(self) -> None:
        _need(self, "cells", lambda v: isinstance(v, int) and 1 <= v <= 100, "a whole number in 1..100")
        _need_above_0(self, "capacity_ah")
        _need(self, "charge", lambda v: 0 <= v <= 1.1, "in 0..1.1")
        _need(self, "spread", lambda v: 0 <= v <= 0.2, "in 0..0.2")
        if self.resistance_mohm_per_cell is not None:
            _need_above_0(self, "resistance_mohm_per_cell")


@dataclass(frozen=True)
class FanSpec:
    """A ducted fan and its motor.

    Thrust (static), shaft power and speed are those at full duty from `rated_v` at the ESC's terminals in
    air of 1.225 kg/m3; the fan runs slower as the string sags, faster on a fresh one. `efficiency` is shaft
    power over ESC input power. `spool_s` is the time constant of the speed behind the command; with power
    off the fan runs down on its own drag. `rotor_j`, kinetic energy at full speed, None: `full_power_w *
    spool_s / 2`, about what 1e-4 kg m2 holds at full speed.

    Raises ValueError if it claims more thrust than an ideal duct gives for that power.
    """

    diameter_mm: float = 120.0
    full_thrust_n: float = 65.0
    full_power_w: float = 4000.0
    rated_v: float = 37.0
    efficiency: float = 0.90
    spool_s: float = 0.35
    full_speed_rpm: float = 36000.0
    exit_area_ratio: float = 1.0
    rotor_j: float | None = None

    def __post_init__(self) -> None:
        _need_above_0(
            self, "diameter_mm", "full_thrust_n", "full_power_w", "rated_v", "spool_s", "full_speed_rpm"
        )
        _need(self, "efficiency", lambda v: 0 < v <= 1, "above 0 and at most 1")
        _need(self, "exit_area_ratio", lambda v: 0.5 <= v <= 2, "in 0.5..2")
        if self.rotor_j is not None:
            _need_above_0(self, "rotor_j")
        ideal_w = self.ideal_power_w
        if self.full_power_w < ideal_w:
            raise ValueError(
                f"a fan of {self.diameter_mm:g} mm cannot give {self.full_thrust_n:g} N from "
                f"{self.full_power_w:g} W: even an ideal duct needs {ideal_w:.0f} W"
            )

    @property
    def ideal_power_w(self) -> float:
        """Least shaft power for the full thrust, by the ideal duct."""
        area = disc_area_m2(self.diameter_mm)
        return ideal_ducted_power_w(self.full_thrust_n, area, exit_area_ratio=self.exit_area_ratio)

    @property
    def figure_of_merit(self) -> float:
        """Ideal over actual power, at most 1 and the same at every speed."""
        return self.ideal_power_w / self.full_power_w

    @property
    def full_exit_speed_m_s(self) -> float:
        """Jet speed at full thrust, standing."""
        area = disc_area_m2(self.diameter_mm)
        return exit_speed_m_s(self.full_thrust_n, area, exit_area_ratio=self.exit_area_ratio)

    @property
    def full_rotor_j(self) -> float:
        """Kinetic energy of the rotor at full speed."""
        return 0.5 * self.full_power_w * self.spool_s if self.rotor_j is None else self.rotor_j


@dataclass(frozen=True)
class EscSpec:
    """An electronic speed controller (figures: common practice, no source).

    Duty runs in a straight line from `idle_us` to `full_us`; pulses up to `idle_seen_us` count as idle.
    With `starts_us` it runs from 0 there instead, and with `exponent` along that power of the pulse's share.
    It runs only after `arm_s` of idle. Without pulses it holds its last command for `hold_s`, then stops
    and wants idle again. `cutoff_v` (its own low-voltage cutoff, None: off) stops it until idle comes back.
    With `learns_end_points`, `learn_s` of full pulses at power-up make it take that width as full and the
    next steady idle as idle. Below `supply_min_v` it restarts. `standby_w` is what it takes at rest.
    """

    idle_us: int = 1000
    full_us: int = 2000
    idle_seen_us: int = 1060
    hold_s: float = 0.25
    arm_s: float = 1.5
    cutoff_v: float | None = None
    learns_end_points: bool = False
    learn_s: float = 2.0
    learn_from_us: int = 1900
    supply_min_v: float = 6.0
    standby_w: float = 2.0
    starts_us: int | None = None
    exponent: float = 1.0

    def __post_init__(self) -> None:
        _need_from_0(self, "idle_us", "arm_s", "learn_s", "supply_min_v", "standby_w")
        _need(self, "hold_s", lambda v: v >= 0.03, "0.03 s or more, longer than one servo frame")
        if not self.idle_us <= self.idle_seen_us < self.full_us:
            raise ValueError(
                f"EscSpec wants idle_us <= idle_seen_us < full_us, "
                f"not {self.idle_us}, {self.idle_seen_us}, {self.full_us}"
            )
        if self.cutoff_v is not None:
            _need_above_0(self, "cutoff_v")
        _need(self, "exponent", lambda v: 0.3 <= v <= 3, "in 0.3..3")
        if self.starts_us is not None and not self.idle_us <= self.starts_us < self.full_us:
            raise ValueError(f"EscSpec.starts_us is {self.starts_us}; it must be in {self.idle_us}..{self.full_us - 1}")


@dataclass(frozen=True)
class SideSpec:
    """One fan, its ESC and the string that feeds it; sections lowest first.

    Lead resistances are of the heavy wire between pack and ESC, connectors and fuse included.
    """

    name: str
    sections: tuple[SectionSpec, ...]
    fan: FanSpec = field(default_factory=FanSpec)
    esc: EscSpec = field(default_factory=EscSpec)
    lead_pos_mohm: float = 2.0
    lead_neg_mohm: float = 1.5

    def __post_init__(self) -> None:
        if not self.sections:
            raise ValueError(f"side {self.name!r} has no section")
        _need_from_0(self, "lead_pos_mohm", "lead_neg_mohm")


@dataclass(frozen=True)
class VehicleSpec:
    """What the fans push: a recumbent trike and its rider, on a level closed loop."""

    mass_kg: float = 120.0
    crr: float = 0.008
    cda_m2: float = 0.40
    loop_m: float = 1000.0

    def __post_init__(self) -> None:
        _need_above_0(self, "mass_kg", "loop_m")
        _need_from_0(self, "crr", "cda_m2")


@dataclass(frozen=True)
class PlantSpec:
    """Everything outside the box: one to four sides and the vehicle they drive."""

    sides: tuple[SideSpec, ...]
    vehicle: VehicleSpec = field(default_factory=VehicleSpec)
    air_density: float = SEA_LEVEL_DENSITY_KG_M3

    def __post_init__(self) -> None:
        if not 1 <= len(self.sides) <= 4:
            raise ValueError(f"a plant has 1 to 4 sides, not {len(self.sides)}")
        _need(self, "air_density", lambda v: 0.3 <= v <= 2, "in 0.3..2 kg/m3")
