"""One reading a step, checked as it is typed; and the run's place in its plan: repeat, back up, skip."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from math import hypot, isfinite
from typing import Any

from barbox.bench.units import CURRENT_A, THRUST_N, parse
from barbox.errors import UserError

_FAR_OFF = 4.0
"""A reading this many times what was expected, or that part of it, is asked about: a lost point makes ten."""

_NEAR_DEAD_BAND = 0.5
_FAR_OFF_THERE = 8.0
_IN_DEAD_BAND = 0.35
"""Below these pulse spans a dead band that nobody knows yet bends the fan laws: by up to eight times, or to nothing."""

_SWING = 0.005
"""Relative, one standard deviation: a rope swings and a fan hunts (common practice, no source)."""


@dataclass(frozen=True)
class Instruments:
    """What the person measures with. Resolution: the smallest step that is shown, in N and A.

    `*_error_percent`: expanded uncertainty (k = 2) of the instrument's gain, alike on every side. `scale` and
    `clamp` say whether there is one. `thrust_unit` None: not chosen yet.
    """

    scale: bool = True
    clamp: bool = True
    thrust_unit: str | None = None
    thrust_step_n: float = 0.1
    thrust_error_percent: float = 1.0
    current_step_a: float = 0.1
    current_error_percent: float = 3.0

    def thrust_u_n(self, thrust_n: float) -> float:
        """Standard uncertainty of one reading: a step of a display that hunts, and swing."""
        return hypot(self.thrust_step_n, _SWING * thrust_n)

    def current_u_a(self, current_a: float) -> float:
        """Standard uncertainty of one reading of the clamp meter, likewise."""
        return hypot(self.current_step_a, _SWING * current_a)


@dataclass(frozen=True)
class Reading:
    """What one step gave. Section voltages lowest first, None where the box did not believe one.

    `rest_v` is just before the step, `load_v` the mean while it was steady. Thrust and current None: not measured.
    """

    step: int
    side: int
    pulse_us: int
    rest_v: tuple[float | None, ...] = ()
    load_v: tuple[float | None, ...] = ()
    thrust_n: float | None = None
    current_a: float | None = None
    typed: str = ""

    @staticmethod
    def from_dict(data: dict[str, Any]) -> Reading:
        """The reading of a record. Raises KeyError, TypeError or ValueError for what is none."""
        data = {**data, "rest_v": tuple(data["rest_v"]), "load_v": tuple(data["load_v"])}
        for value in (data["thrust_n"], data["current_a"], *data["rest_v"], *data["load_v"]):
            if value is not None and not isfinite(value):
                raise ValueError(f"{value} is no reading")
        return Reading(**data)

    def as_dict(self) -> dict[str, Any]:
        """For the record."""
        return asdict(self)


def string_v(volts: Sequence[float | None]) -> float | None:
    """The string's voltage; None when a section of it is not known."""
    known = [v for v in volts if v is not None]
    return sum(known) if known and len(known) == len(volts) else None


@dataclass(frozen=True)
class Expected:
    """What a step at a pulse span should read, from the plan or from the steps before; None: no idea."""

    thrust_n: float | None = None
    current_a: float | None = None
    span: float = 1.0

    @property
    def low(self) -> float:
        """A reading below this part of what is expected is asked about."""
        return 0.0 if self.span < _IN_DEAD_BAND else 1.0 / self.high

    @property
    def high(self) -> float:
        """One above this many times is."""
        return _FAR_OFF_THERE if self.span < _NEAR_DEAD_BAND else _FAR_OFF


def expected_by(
    readings: Sequence[Reading], side: int, span: float, spans: dict[int, float], plan: Expected
) -> Expected:
    """What to expect of `side` at pulse span `span` (0..1): the nearest reading of it, carried there by the square law
    (thrust) and the cube law (current); without one, `plan`. `spans`: pulse span of each step."""

    def carried(name: str, power: int, planned: float | None) -> float | None:
        near = [
            (abs(spans[r.step] - span), spans[r.step], value)
            for r in readings
            if r.side == side and spans.get(r.step) and (value := getattr(r, name)) is not None and value > 0
        ]
        if not near:
            return planned
        _, at, value = min(near)
        return value * (span / at) ** power

    return Expected(carried("thrust_n", 2, plan.thrust_n), carried("current_a", 3, plan.current_a), span)


def _near(value: float, wanted: Expected, expected: float | None, step: float, what: str, typed: str) -> None:
    # Near the bottom of the range a fan that has hardly started, or a display that shows one digit, is no mistake.
    if expected is None or max(value, expected) < 20 * step:
        return
    unit = "N" if what == "thrust" else "A"
    if not wanted.low * expected <= value <= wanted.high * expected:
        raise UserError(
            f'"{typed}" is a {what} of {value:.3g} {unit} where about {expected:.3g} {unit} was expected: look at '
            'the point and the unit, and type it again, or confirm it with ! behind it'
        )


def read_thrust(typed: str, instruments: Instruments, expected: Expected) -> tuple[float, str]:
    """(N, unit) of a typed reading of the scale; a "!" behind it keeps a value that is far off.

    Raises UserError, one sentence, for what is no reading; nothing has changed then.
    """
    text, sure = _sure(typed)
    value, unit = parse(text, THRUST_N, instruments.thrust_unit)
    if not sure:
        _near(value, expected, expected.thrust_n, instruments.thrust_step_n, "thrust", text)
    return value, unit


def read_current(typed: str, instruments: Instruments, expected: Expected) -> float:
    """Amperes of a typed reading of the clamp meter, as `read_thrust`."""
    text, sure = _sure(typed)
    value, _ = parse(text, CURRENT_A, None if text.strip().lower().endswith("a") else "A")
    if not sure:
        _near(value, expected, expected.current_a, instruments.current_step_a, "current", text)
    return value


def _sure(typed: str) -> tuple[str, bool]:
    text = typed.strip()
    return (text[:-1].strip(), True) if text.endswith("!") else (text, False)


@dataclass
class Run:
    """Where a run is in its plan of `steps` steps. `readings` by step; a later one of a step replaces the first."""

    steps: int
    at: int = 0
    readings: dict[int, Reading] = field(default_factory=dict)
    skipped: set[int] = field(default_factory=set)

    @property
    def done(self) -> bool:
        """No step is left."""
        return self.at >= self.steps

    def take(self, reading: Reading) -> None:
        """Keep the reading of the present step and go on. Raises ValueError for another step's."""
        if reading.step != self.at or self.done:
            raise ValueError(f"reading of step {reading.step} at step {self.at} of {self.steps}")
        self.readings[self.at] = reading
        self.skipped.discard(self.at)
        self.at += 1

    def skip(self) -> None:
        """Leave the present step without a reading (an older one of it is dropped)."""
        if self.done:
            raise UserError("all steps are done: there is none to skip")
        self.readings.pop(self.at, None)
        self.skipped.add(self.at)
        self.at += 1

    def back(self) -> None:
        """Go to the step before, to measure it again."""
        if not self.at:
            raise UserError("this is the first step: there is none before it")
        self.at -= 1

    def resume(self) -> None:
        """Go to the first step that has neither a reading nor was skipped."""
        self.at = next((n for n in range(self.steps) if n not in self.readings and n not in self.skipped), self.steps)

    def in_order(self) -> list[Reading]:
        """The readings, by step."""
        return [self.readings[n] for n in sorted(self.readings)]
