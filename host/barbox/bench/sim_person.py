"""A simulated person at the bench, with a hanging scale and a clamp meter that are no better than real ones."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from random import Random
from typing import Protocol

from barbox.bench.units import THRUST_N


class Seen(Protocol):
    """What can be measured at the simulated board."""

    def thrust_n(self, side: int) -> float:
        """True thrust of a side."""
        ...

    def current_a(self, side: int) -> float:
        """True current of a side."""
        ...


@dataclass(frozen=True)
class ScaleSpec:
    """A hanging scale: what it shows is `gain` times the pull, less `friction_n` that the wheels hold back, plus
    noise (standard deviation), rounded to `step` of its unit."""

    unit: str = "kgf"
    gain: float = 1.03
    step: float = 0.01
    noise_n: float = 0.15
    friction_n: float = 0.0

    @property
    def step_n(self) -> float:
        """Its display step in N."""
        return self.step * THRUST_N[self.unit]


@dataclass(frozen=True)
class ClampSpec:
    """A clamp meter for direct current: gain, offset from a zero that was set in haste, noise, display step."""

    gain: float = 0.985
    offset_a: float = 0.15
    step_a: float = 0.1
    noise_a: float = 0.1


class SimPerson:
    """Answers what it is asked; reads its instruments at the moment it is asked. Same seed, same readings.

    `slips`: what it types instead at its nth reading of a kind, such as {("thrust", 2): "twelve"}; the next time it
    is asked it reads properly.
    """

    def __init__(
        self,
        seen: Seen,
        *,
        scale: ScaleSpec | None = ScaleSpec(),  # noqa: B008  frozen
        clamp: ClampSpec | None = ClampSpec(),  # noqa: B008  frozen
        seed: int = 1,
        slips: Mapping[tuple[str, int], str] | None = None,
        answers: Mapping[str, bool] | None = None,
    ) -> None:
        self.scale, self.clamp = scale, clamp
        self._seen = seen
        self._random = Random(seed)
        self._slips = dict(slips or {})
        self._answers = dict(answers or {})
        self._count = {"thrust": 0, "current": 0}
        self.heard: list[str] = []

    def told(self, line: str) -> None:
        """It is told something."""
        self.heard.append(line)

    def answer(self, key: str) -> str:
        """Yes or no to a question of the checklist."""
        return "yes" if self._answers.get(key, True) else "no"

    def typed_thrust(self, side: int) -> str:
        """What it types from the scale, "" without one."""
        scale = self.scale
        if scale is None:
            return ""

        def read() -> str:
            pull = max(self._seen.thrust_n(side) - scale.friction_n, 0.0)
            shown = max(scale.gain * pull + self._random.gauss(0.0, scale.noise_n), 0.0)
            return f"{_rounded(shown / THRUST_N[scale.unit], scale.step)} {scale.unit}"

        return self._slip_or("thrust", read)

    def typed_current(self, side: int) -> str:
        """What it types from the clamp meter, "" without one."""
        clamp = self.clamp
        if clamp is None:
            return ""

        def read() -> str:
            amps = clamp.gain * self._seen.current_a(side) + clamp.offset_a + self._random.gauss(0.0, clamp.noise_a)
            return f"{_rounded(max(amps, 0.0), clamp.step_a)} A"

        return self._slip_or("current", read)

    def _slip_or(self, kind: str, read: Callable[[], str]) -> str:
        self._count[kind] += 1
        return self._slips.pop((kind, self._count[kind]), None) or read()


def _rounded(value: float, step: float) -> str:
    decimals = max(len(f"{step:.6f}".rstrip("0").partition(".")[2]), 0)
    return f"{round(value / step) * step:.{decimals}f}"
