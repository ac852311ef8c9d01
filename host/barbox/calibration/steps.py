"""Which lead of the meter to touch to what, in which order, in plain words."""

from __future__ import annotations

from dataclasses import dataclass

from barbox.rig.dividers import nv_per_count
from barbox.rig.model import Rig, SensePoint

# Below and above that there is no string: the box itself takes such a reading for an open wire or an impossible
# charge (common practice, no source).
CELL_LEAST_V, CELL_MOST_V = 1.0, 4.5

CAUTION = (
    "The packs are live: fused probes, one hand, no rings or watch; never bridge two points. Nothing may run: the box "
    "stays LOCKED, and the packs have rested for some minutes."
)


@dataclass(frozen=True)
class Target:
    """One sense point to be calibrated. `input` from 0."""

    input: int
    side: str
    point: SensePoint
    top: bool
    nominal_nv: float
    full_v: float

    @property
    def cells(self) -> int:
        return self.point.cells

    @property
    def name(self) -> str:
        """ "left top (10 cells)", "left tap at 5 cells"."""
        return f"{self.side} top ({self.cells} cells)" if self.top else f"{self.side} tap at {self.cells} cells"

    def possible(self, volts: float) -> bool:
        """Whether a string of so many cells can have this voltage."""
        return CELL_LEAST_V * self.cells <= volts <= CELL_MOST_V * self.cells


def targets(rig: Rig) -> list[Target]:
    """All sense points, side by side, each from the bottom up: the red lead then moves in one direction only."""
    return [
        Target(
            p.input - 1, side.name, p, p.cells == side.cells, nv_per_count(p, rig.board), rig.full_cell_v * p.cells
        )
        for side in rig.sides
        for p in side.sense
    ]


def where(target: Target, before: Target | None) -> str:
    """What to do with the leads for this target, after `before`."""
    red = (
        f"red lead on the positive end of the {target.side} string, where its sense wire begins"
        if target.top
        else f"red lead on the joint above cell {target.cells} of {target.side}, where its sense wire begins"
    )
    if before is not None and before.side == target.side:
        return f"{target.name}: black lead stays; {red}"
    return f"{target.name}: black lead on the heavy negative of {target.side}, at the box's ground; {red}"
