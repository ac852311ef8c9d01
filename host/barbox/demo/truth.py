"""What really happened in the plant during a simulated ride, sampled beside the box's own record."""

from __future__ import annotations

from dataclasses import dataclass, field

from barbox.sim.board import SimBoard


@dataclass
class Truth:
    """Samples of the plant: time in s, lowest mean cell voltage of any section, thrust of each side, speed."""

    t_s: list[float] = field(default_factory=list)
    lowest_v: list[float] = field(default_factory=list)
    lowest_at: list[tuple[int, int]] = field(default_factory=list)
    thrust_n: list[list[float]] = field(default_factory=list)
    speed_m_s: list[float] = field(default_factory=list)

    def sample(self, box: SimBoard, t_s: float) -> None:
        """Take one sample."""
        plant = box.plant
        sides = range(len(plant.spec.sides))
        cells = [(s.mean_cell_v, (side, k)) for side in sides for k, s in enumerate(plant.sections(side))]
        lowest_v, at = min(cells)
        self.t_s.append(t_s)
        self.lowest_v.append(lowest_v)
        self.lowest_at.append(at)
        self.thrust_n.append([plant.thrust_n(side) for side in sides])
        self.speed_m_s.append(plant.vehicle.speed_m_s)

    def longest_below(self, volts: float) -> float:
        """Longest time in s with a section's mean cell voltage below `volts`."""
        longest, since = 0.0, None
        for t, v in zip(self.t_s, self.lowest_v, strict=True):
            since = None if v >= volts else (t if since is None else since)
            if since is not None:
                longest = max(longest, t - since)
        return longest
