"""What the simulated board is wired to: packs, leads, ESCs, fans and the vehicle. Plain floats, no I/O."""

from barbox.sim.plant.air import air_density_kg_m3
from barbox.sim.plant.params import (
    CHEN_CELL,
    POLYMER_CELL,
    CellParams,
    EscSpec,
    FanSpec,
    PlantSpec,
    SectionSpec,
    SideSpec,
    VehicleSpec,
)
from barbox.sim.plant.plant import Plant

__all__ = [
    "CHEN_CELL",
    "POLYMER_CELL",
    "CellParams",
    "EscSpec",
    "FanSpec",
    "Plant",
    "PlantSpec",
    "SectionSpec",
    "SideSpec",
    "VehicleSpec",
    "air_density_kg_m3",
]
