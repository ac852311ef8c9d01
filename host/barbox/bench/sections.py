"""Sag and resistance of each section, from its voltage at rest and under load."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from barbox.bench.readings import Reading


@dataclass(frozen=True)
class SectionFigures:
    """One section. `sag_v` is the largest one seen, at pulse `at_us`. Resistance in milliohm with its standard
    deviation, by least squares through 0 over `points` steps; None without a clamp meter, or with a single point."""

    side: int
    section: int
    cells: int
    sag_v: float
    at_us: int
    resistance_mohm: float | None = None
    resistance_sd_mohm: float | None = None
    points: int = 0

    @property
    def cell_sag_v(self) -> float:
        """Sag of a mean cell."""
        return self.sag_v / self.cells

    @property
    def cell_mohm(self) -> float | None:
        """Resistance of a mean cell."""
        return None if self.resistance_mohm is None else self.resistance_mohm / self.cells


def figures(readings: Sequence[Reading], side: int, cells: Sequence[int]) -> list[SectionFigures]:
    """The figures of a side's sections, lowest first; a section that was never believed is left out.

    `cells`: of each section. Resistance is that of some seconds of load, contacts and leads between the sense points
    included; a longer load sags more.
    """
    found = []
    for k, count in enumerate(cells):
        sags = [(r.rest_v[k] - r.load_v[k], r) for r in readings if r.side == side and _known(r, k)]  # type: ignore[operator]
        if not sags:
            continue
        sag, deepest = max(sags, key=lambda s: s[0])
        pairs = np.array([(r.current_a, s) for s, r in sags if r.current_a])
        ohm = sd = None
        if len(pairs) > 1:
            current, drop = pairs[:, 0], pairs[:, 1]
            squares = float(current @ current)
            ohm = float(current @ drop) / squares
            left = drop - ohm * current
            sd = float(np.sqrt(left @ left / (len(pairs) - 1) / squares))
        found.append(
            SectionFigures(
                side, k, count, float(sag), deepest.pulse_us,
                None if ohm is None else 1000.0 * ohm, None if sd is None else 1000.0 * sd, len(pairs),
            )
        )  # fmt: skip
    return found


def _known(r: Reading, k: int) -> bool:
    return k < len(r.rest_v) and k < len(r.load_v) and r.rest_v[k] is not None and r.load_v[k] is not None
