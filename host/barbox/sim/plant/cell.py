"""Cells in series that share one charge: the published cell model, scaled and stepped in time."""

from __future__ import annotations

from functools import lru_cache
from math import exp

from barbox.sim.plant.params import HIGH_RATE_MOHM_AH, CellParams, SectionSpec

_STEP = 0.001  # of charge, between points of the table
_LOW, _HIGH = -0.1, 1.12
_MID_CHARGE = 0.5

_Row = tuple[float, float, float, float, float, float, float, float]


@lru_cache(maxsize=16)
def _table(cell: CellParams) -> list[_Row]:
    """Per interval of charge: chords of open-circuit volts and series ohms (value at s = 0, slope),
    then resistance and 1/(RC) of both pairs in the middle."""
    rows: list[_Row] = []
    count = round((_HIGH - _LOW) / _STEP)
    for k in range(count):
        lo = _LOW + k * _STEP
        hi = lo + _STEP
        mid = lo + 0.5 * _STEP
        v_lo, r_lo = cell.open_circuit_at(lo), cell.series_ohm_at(lo)
        dv = (cell.open_circuit_at(hi) - v_lo) / _STEP
        dr = (cell.series_ohm_at(hi) - r_lo) / _STEP
        short, long = cell.short_ohm_at(mid), cell.long_ohm_at(mid)
        rows.append(
            (
                v_lo - dv * lo,
                dv,
                r_lo - dr * lo,
                dr,
                short,
                1.0 / (short * cell.short_farad_at(mid)),
                long,
                1.0 / (long * cell.long_farad_at(mid)),
            )
        )
    return rows


class CellGroup:
    """`cells` equal cells in series. All volts and ohms below are of the group, not of one cell.

    `voltage_v` is under the current of the last step; `source_v - I * series_ohm` is what the group
    would give under another current I at this moment; `open_circuit_v` is what rest brings it to.
    """

    __slots__ = (
        "_a1", "_a2", "_dt", "_g1", "_g2", "_hi", "_lo", "_o0", "_o1", "_per_as", "_r0", "_r1", "_table",
        "capacity_ah", "cells", "charge", "long_v", "resistance_scale", "series_ohm", "short_v", "source_v",
        "voltage_v",
    )  # fmt: skip

    def __init__(self, cell: CellParams, cells: int, capacity_ah: float, charge: float, scale: float):
        """`scale` multiplies the resistances of `cell` and divides its capacitances."""
        self._table = _table(cell)
        self.cells = cells
        self.capacity_ah = capacity_ah
        self.charge = charge
        self.resistance_scale = scale
        self.short_v = self.long_v = 0.0
        self._dt = 0.02
        self.settle()

    @classmethod
    def from_spec(cls, spec: SectionSpec, capacity_factor: float = 1.0, resistance_factor: float = 1.0):
        mohm = spec.resistance_mohm_per_cell
        if mohm is None:
            mohm = HIGH_RATE_MOHM_AH / spec.capacity_ah
        scale = mohm * 1e-3 * resistance_factor / spec.cell.series_ohm_at(_MID_CHARGE)
        return cls(spec.cell, spec.cells, spec.capacity_ah * capacity_factor, spec.charge, scale)

    def _look_up(self) -> None:
        table = self._table
        k = min(max(int((self.charge - _LOW) / _STEP), 0), len(table) - 1)
        o0, o1, r0, r1, short, short_rate, long, long_rate = table[k]
        n = self.cells
        ohm = n * self.resistance_scale
        # The first and the last chord go on for ever.
        self._lo = _LOW + k * _STEP if k else -1e9
        self._hi = _LOW + (k + 1) * _STEP if k < len(table) - 1 else 1e9
        self._o0, self._o1 = n * o0, n * o1
        self._r0, self._r1 = ohm * r0, ohm * r1
        dt = self._dt
        self._a1, self._a2 = a1, a2 = exp(-dt * short_rate), exp(-dt * long_rate)
        self._g1, self._g2 = ohm * short * (1.0 - a1), ohm * long * (1.0 - a2)

    def settle(self, current_a: float = 0.0) -> None:
        """Recompute what follows from the state, after the state was changed from outside."""
        self._per_as = 1.0 / (3600.0 * self.capacity_ah)
        self._look_up()
        s = self.charge
        self.source_v = self._o0 + self._o1 * s - self.short_v - self.long_v
        self.series_ohm = self._r0 + self._r1 * s
        self.voltage_v = self.source_v - current_a * self.series_ohm

    def step(self, current_a: float, dt_s: float) -> None:
        """Pass a constant current (positive: discharge) for `dt_s` seconds; the RC pairs are exact for it."""
        if dt_s != self._dt:
            self._dt = dt_s
            self._look_up()
        self.short_v = v1 = self.short_v * self._a1 + self._g1 * current_a
        self.long_v = v2 = self.long_v * self._a2 + self._g2 * current_a
        self.charge = s = self.charge - current_a * self._per_as * dt_s
        if not self._lo <= s < self._hi:
            self._look_up()
        self.source_v = e = self._o0 + self._o1 * s - v1 - v2
        self.series_ohm = r = self._r0 + self._r1 * s
        self.voltage_v = e - current_a * r

    @property
    def open_circuit_v(self) -> float:
        return self._o0 + self._o1 * self.charge


class Section:
    """The cells between two sense points: one group, or two once a single cell was weakened."""

    __slots__ = ("groups",)

    def __init__(self, group: CellGroup):
        self.groups = [group]

    @property
    def cells(self) -> int:
        return sum(g.cells for g in self.groups)

    @property
    def charge(self) -> float:
        """Mean charge of the cells, 0..1; below 0 when driven past empty."""
        return sum(g.cells * g.charge for g in self.groups) / self.cells

    @property
    def lowest_charge(self) -> float:
        """Charge of the emptiest cell."""
        return min(g.charge for g in self.groups)

    @property
    def voltage_v(self) -> float:
        """Across the section, under the present current."""
        return sum(g.voltage_v for g in self.groups)

    @property
    def rest_voltage_v(self) -> float:
        """What the section would come to after a long rest."""
        return sum(g.open_circuit_v for g in self.groups)

    @property
    def mean_cell_v(self) -> float:
        """What a sense wire can tell of its cells."""
        return self.voltage_v / self.cells

    @property
    def lowest_cell_v(self) -> float:
        """The weakest cell under the present current, which no sense wire sees."""
        return min(g.voltage_v / g.cells for g in self.groups)

    def split(self, cells: int = 1) -> CellGroup:
        """Make `cells` of the cells a group of their own and return it; the same group if called again."""
        first = self.groups[0]
        if len(self.groups) == 2:
            return self.groups[1]
        if first.cells <= cells:
            return first
        share = cells / first.cells
        other = CellGroup.__new__(CellGroup)
        for name in CellGroup.__slots__:
            setattr(other, name, getattr(first, name))
        other.cells = cells
        first.cells -= cells
        for name in ("short_v", "long_v"):
            setattr(other, name, getattr(first, name) * share)
            setattr(first, name, getattr(first, name) * (1.0 - share))
        self.groups.append(other)
        return other
