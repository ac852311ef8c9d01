"""How far a string voltage that is shown may be from the truth, as the box states it in its identity."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class Uncertainty:
    """Of one string, expanded (95 %), in mV: near its top voltage without current, and what ground offset adds at
    100 A; 0 where the pack's negative is sensed. `drift_mv`: how far the ADC's reference can move it by itself."""

    rest_mv: int
    growth_mv: int = 0
    drift_mv: int = 0

    def at_v(self, current_a: float | None) -> float:
        """In V, at a current; where that is not known, without."""
        return (self.rest_mv + self.growth_mv * abs(current_a or 0.0) / 100) / 1000

    @property
    def growth_words(self) -> str:
        """ "0.16 V more at 100 A"; "" where it does not grow."""
        return f"{self.growth_mv / 1000:.2f} V more at 100 A" if self.growth_mv else ""


def of_side(identity: Mapping[str, Any], side: int) -> Uncertainty | None:
    """From the fields of an identity, as a record's `_asdict()` or a ride's header has them; None for a ride of
    an older version."""
    names = ("side_uncertainty_mv", "side_growth_mv", "side_drift_mv")
    if not all(name in identity for name in names):
        return None
    return Uncertainty(*[int(identity[name][side]) for name in names])
