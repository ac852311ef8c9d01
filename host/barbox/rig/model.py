"""A rig as its sheet states it, checked: frozen dataclasses in the sheet's own units."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from typing import TYPE_CHECKING

from barbox.rig.boards import Board
from barbox.rig.keys import FULL_CELL_V

if TYPE_CHECKING:
    from barbox.sim.plant import PlantSpec
    from shared_proto.settings import Values

COPPER_OHM_MM2_PER_M = 0.017241
"""Resistivity of annealed copper at 20 C (IEC 60028)."""


@dataclass(frozen=True)
class Pack:
    """One pack of a string. `c_rate`: its continuous discharge rate; `resistance_mohm`: of one cell, where known."""

    cells: int
    capacity_ah: float
    c_rate: float
    resistance_mohm: float | None = None


@dataclass(frozen=True)
class SensePoint:
    """A wire from above `cells` cells through a divider to a sense input of the box (from 1)."""

    cells: int
    input: int
    upper_kohm: float
    lower_kohm: float
    tolerance_percent: float = 1.0

    @property
    def ratio(self) -> float:
        """Voltage at the sense point over voltage at the pin."""
        return 1.0 + self.upper_kohm / self.lower_kohm


@dataclass(frozen=True)
class Negative:
    """A wire from the pack's own negative to a sense input, through no more than a series resistor."""

    input: int


@dataclass(frozen=True)
class CurrentSensor:
    """A sensor in a side's heavy lead: `zero_v` at the input without current, more with it.

    With a `reference_input`, to which its reference output goes, the difference of both is read.
    """

    input: int
    amps_per_volt: float
    zero_v: float
    reference_input: int | None = None


@dataclass(frozen=True)
class Fan:
    """A ducted fan and its motor: static thrust and shaft power at full. None: whatever a model takes by default."""

    diameter_mm: float
    full_thrust_n: float
    full_power_w: float
    rated_v: float | None = None
    efficiency: float | None = None
    spool_s: float | None = None
    full_speed_rpm: float | None = None


@dataclass(frozen=True)
class Esc:
    """The ESC's end points and rating."""

    idle_us: int
    full_us: int
    rating_a: float | None = None


@dataclass(frozen=True)
class Proof:
    """A note of when the bench proved that this side stops, and how long its ESC holds the last command without
    pulses. It names the bench record and the mark that the box gave it; it proves nothing by itself. `mark` "": of a
    sheet from before there were marks."""

    stop_proved: date
    hold_s: float
    record: str = ""
    mark: str = ""


@dataclass(frozen=True)
class Side:
    """One fan, its ESC and its string. `packs` and `sense` lowest first.

    `curve_pm` None: not measured, linear; `current_a` at each tenth of demand, None: not measured.
    """

    name: str
    cells: int
    packs: tuple[Pack, ...]
    sense: tuple[SensePoint, ...]
    fan: Fan
    esc: Esc
    curve_pm: tuple[int, ...] | None = None
    proof: Proof | None = None
    current_a: tuple[float, ...] | None = None
    negative: Negative | None = None
    current_sensor: CurrentSensor | None = None

    @property
    def capacity_ah(self) -> float:
        """Of the string: that of its smallest pack."""
        return min([p.capacity_ah for p in self.packs])

    @property
    def section_cells(self) -> tuple[int, ...]:
        """Cells of each section, lowest first."""
        tops = [p.cells for p in self.sense]
        return tuple(top - below for top, below in zip(tops, [0, *tops], strict=False))

    def section_name(self, section: int) -> str:
        """What people call a section, from 0: "string", "lower section", "section 2 of 3"."""
        return section_name(section, len(self.sense))


@dataclass(frozen=True)
class Wiring:
    """The heavy leads of each side. `lead_m`: one way, pack to ESC; contacts: all connectors of one lead.

    `reference_ppm`: most that the reference of the box's ADC drifts after calibration; None: what is usual for the
    board, such as 1 % for a 3.3 V rail that nothing holds.
    """

    lead_m: float = 1.0
    lead_mm2: float = 16.0
    contacts_mohm: float = 0.5
    fuse_mohm: float = 0.5
    reference_ppm: int | None = None

    @property
    def lead_mohm(self) -> float:
        """One lead with its contacts, without the fuse."""
        return 1000.0 * COPPER_OHM_MM2_PER_M * self.lead_m / self.lead_mm2 + self.contacts_mohm


@dataclass(frozen=True)
class Vehicle:
    """What the fans push. None: whatever a model takes by default.

    `fan_spacing_mm`: between the middles of the outermost fans, across the vehicle; None: not stated.
    """

    mass_kg: float | None = None
    crr: float | None = None
    cda_m2: float | None = None
    fan_spacing_mm: float | None = None


@dataclass(frozen=True)
class Rig:
    """One vehicle. `plain`: settings by name that the sheet gives or leaves at their default; `stated`: those given.

    `crc` is the CRC-32 of the sheet's bytes, by which a box tells which sheet its settings came from.
    """

    name: str
    board: Board
    sides: tuple[Side, ...]
    plain: dict[str, int]
    stated: frozenset[str] = frozenset()
    full_cell_v: float = FULL_CELL_V
    wiring: Wiring = field(default_factory=Wiring)
    vehicle: Vehicle = field(default_factory=Vehicle)
    crc: int = 0
    source: str = ""

    def settings(self) -> Values:
        """The settings of a box for this rig, sensing at nominal dividers. Raises UserError when they conflict."""
        from barbox.rig.to_settings import settings

        return settings(self)

    def plant_spec(self) -> PlantSpec:
        """The same rig for the simulated board. Raises UserError when no real fan could be like that."""
        from barbox.rig.to_plant import plant_spec

        return plant_spec(self)


def section_name(section: int, sections: int) -> str:
    """What people call a section, from 0: "string", "lower section", "section 2 of 3"."""
    if sections == 1:
        return "string"
    if sections == 2:
        return ("lower section", "upper section")[section]
    return f"section {section + 1} of {sections}"
