"""The rig sheet: one vehicle described in one TOML file, and all that derives from it."""

from barbox.rig.model import (
    CurrentSensor,
    Esc,
    Fan,
    Negative,
    Pack,
    Proof,
    Rig,
    SensePoint,
    Side,
    Vehicle,
    Wiring,
    section_name,
)
from barbox.rig.sheet import load, read

__all__ = [
    "CurrentSensor",
    "Esc",
    "Fan",
    "Negative",
    "Pack",
    "Proof",
    "Rig",
    "SensePoint",
    "Side",
    "Vehicle",
    "Wiring",
    "load",
    "read",
    "section_name",
]
