"""What a rig sheet states that fits the box and yet asks for trouble: one sentence each."""

from __future__ import annotations

from math import ceil, floor

from barbox.rig.model import COPPER_OHM_MM2_PER_M, Rig, Side
from barbox.rig.to_plant import NOMINAL_CELL_V
from barbox.sim.plant import FanSpec
from shared_proto.settings import NEGATIVE_MOST_MV, NEGATIVE_WARN_MV

FRESH = 1.2
"""Current of full packs over that at a nominal voltage (a fan takes power with the cube of voltage; rounded)."""


def cautions(rig: Rig) -> list[str]:
    """Sentences for the builder, none if there is nothing to say."""
    found = [text for side in rig.sides if (text := _heavy_negative(rig, side))]
    unmarked = [side.name for side in rig.sides if side.proof and not side.proof.mark]
    if unmarked:
        found.append(
            f"`proof` of {' and '.join(unmarked)} in the sheet bears no mark of a box and counts for nothing: prove "
            "the stop with `barbox bench`, which writes a new one"
        )
    return found


def full_current_a(side: Side) -> float:
    """Current of a side at full thrust with full packs: as the bench measured it, else from the fan's power."""
    if side.current_a is not None:
        return FRESH * max(side.current_a)
    volts = side.fan.rated_v or NOMINAL_CELL_V * side.cells
    return FRESH * side.fan.full_power_w / (side.fan.efficiency or FanSpec.efficiency) / volts


def _heavy_negative(rig: Rig, side: Side) -> str:
    """Where the box senses the pack's negative: whether the heavy lead drops more than it follows in silence."""
    amps = full_current_a(side)
    drop_mv = amps * rig.wiring.lead_mohm
    if side.negative is None or drop_mv <= NEGATIVE_WARN_MV:
        return ""
    left_mohm = NEGATIVE_WARN_MV / amps - rig.wiring.contacts_mohm
    if left_mohm > 0:
        area_ohm_mm2 = 1000.0 * COPPER_OHM_MM2_PER_M
        longest_m = left_mohm * rig.wiring.lead_mm2 / area_ohm_mm2
        least_mm2 = area_ohm_mm2 * rig.wiring.lead_m / left_mohm
        cure = (
            f"at {rig.wiring.lead_mm2:g} mm2 it may be {floor(100 * longest_m) / 100:g} m long, or at "
            f"{rig.wiring.lead_m:g} m it needs {ceil(least_mm2)} mm2"
        )
    else:
        cure = f"lead and contacts may have {NEGATIVE_WARN_MV / amps:.2f} milliohm together"
    return (
        f"the heavy negative of {side.name} ({rig.wiring.lead_mohm:.2f} milliohm) drops about {drop_mv / 1000:.2f} V "
        f"at {amps:.0f} A, full thrust with full packs; the box warns from {NEGATIVE_WARN_MV / 1000:g} V and eases "
        f"thrust off beyond {NEGATIVE_MOST_MV / 1000:g} V: {cure}"
    )
