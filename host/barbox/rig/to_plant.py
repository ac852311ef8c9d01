"""A rig to what the simulated board is wired to."""

from __future__ import annotations

from dataclasses import asdict

from barbox.errors import UserError
from barbox.rig.model import Rig, Side
from barbox.sim.plant import EscSpec, FanSpec, PlantSpec, SectionSpec, SideSpec, VehicleSpec

NOMINAL_CELL_V = 3.7
"""Mean voltage of a cell in use (cell specification sheets)."""

_RATED_DROP_MV = 375.0
"""A high-rate pack loses about a tenth of its voltage at its rated current (common practice, no source)."""

_SHORTEST_HOLD_S = 0.03
"""No ESC stops sooner than that: it must last from one servo frame to the next."""


def plant_spec(rig: Rig) -> PlantSpec:
    """The plant of a rig: full packs, a section for each sense point. Raises UserError for an impossible fan."""
    wiring, vehicle = rig.wiring, rig.vehicle
    lead_mohm = wiring.lead_mohm
    try:
        return PlantSpec(
            sides=tuple(
                SideSpec(
                    name=side.name,
                    sections=_sections(side),
                    fan=_fan(side),
                    esc=_esc(side),
                    lead_pos_mohm=lead_mohm + wiring.fuse_mohm,
                    lead_neg_mohm=lead_mohm,
                )
                for side in rig.sides
            ),
            vehicle=VehicleSpec(**_given({"mass_kg": vehicle.mass_kg, "crr": vehicle.crr, "cda_m2": vehicle.cda_m2})),
        )
    except ValueError as error:
        raise UserError(f"{rig.source}: {error}; correct the sheet") from None


def _given(values: dict[str, float | None]) -> dict[str, float]:
    return {k: v for k, v in values.items() if v is not None}


def _fan(side: Side) -> FanSpec:
    given = _given(asdict(side.fan))
    given.setdefault("rated_v", NOMINAL_CELL_V * side.cells)
    return FanSpec(**given)


def _esc(side: Side) -> EscSpec:
    seen = EscSpec.idle_seen_us - EscSpec.idle_us + side.esc.idle_us
    hold_s = EscSpec.hold_s if side.proof is None else max(side.proof.hold_s, _SHORTEST_HOLD_S)
    return EscSpec(idle_us=side.esc.idle_us, full_us=side.esc.full_us, idle_seen_us=seen, hold_s=hold_s)


def _sections(side: Side) -> tuple[SectionSpec, ...]:
    """Cells of one section may lie in several packs: the smallest capacity and the mean resistance count."""
    cells = [pack for pack in side.packs for _ in range(pack.cells)]
    sections = []
    below = 0
    for point in side.sense:
        packs = cells[below : point.cells]
        mohm = [p.resistance_mohm or _RATED_DROP_MV / (p.c_rate * p.capacity_ah) for p in packs]
        sections.append(
            SectionSpec(
                cells=len(packs),
                capacity_ah=min(p.capacity_ah for p in packs),
                resistance_mohm_per_cell=sum(mohm) / len(mohm),
            )
        )
        below = point.cells
    return tuple(sections)
