"""One reading a step, checked as it is typed; and the run's place in its plan: repeat, back up, skip."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from math import hypot, isfinite
from typing import Any, NamedTuple

from barbox.bench.units import CURRENT_A, THRUST_N, parse
from barbox.errors import UserError

THRUST, CURRENT = "thrust", "current"

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
    `kept`: which of them (THRUST, CURRENT) a person kept though the plan finds it odd.
    """

    step: int
    side: int
    pulse_us: int
    rest_v: tuple[float | None, ...] = ()
    load_v: tuple[float | None, ...] = ()
    thrust_n: float | None = None
    current_a: float | None = None
    typed: str = ""
    kept: tuple[str, ...] = ()

    @staticmethod
    def from_dict(data: dict[str, Any]) -> Reading:
        """The reading of a record. Raises KeyError, TypeError or ValueError for what is none."""
        data = {**data, "kept": data.get("kept", ())}
        data.update({k: tuple(data[k]) for k in ("rest_v", "load_v", "kept")})
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
    """What a step at a pulse span should read, from the steps before or, without any, from the plan; None: no idea.

    `plan_n`, `plan_a`: what the plan has, where the steps before say something else: readings that were all typed in
    a wrong unit agree with each other.
    """

    thrust_n: float | None = None
    current_a: float | None = None
    span: float = 1.0
    plan_n: float | None = None
    plan_a: float | None = None

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
    (thrust) and the cube law (current), beside what `plan` has; without one, `plan`. `spans`: pulse span of each step.

    Once a person has kept a reading that the plan found odd, the plan is not asked any more: the sheet is wrong.
    """
    mine = [r for r in readings if r.side == side]

    def carried(name: str, what: str, power: int, planned: float | None) -> tuple[float | None, float | None]:
        near = [
            (abs(spans[r.step] - span), spans[r.step], value)
            for r in mine
            if spans.get(r.step) and (value := getattr(r, name)) is not None and value > 0
        ]
        if not near:
            return planned, None
        _, at, value = min(near)
        return value * (span / at) ** power, None if any([what in r.kept for r in mine]) else planned

    thrust_n, plan_n = carried("thrust_n", THRUST, 2, plan.thrust_n)
    current_a, plan_a = carried("current_a", CURRENT, 3, plan.current_a)
    return Expected(thrust_n, current_a, span, plan_n, plan_a)


class Odd(NamedTuple):
    """What is odd about a reading; `by_plan`: the plan finds it odd, not only the steps before."""

    text: str
    by_plan: bool


def _odd(value: float, expected: Expected, step: float, what: str) -> Odd | None:
    unit = "N" if what == THRUST else "A"
    by_steps, by_plan = (
        (expected.thrust_n, expected.plan_n) if what == THRUST else (expected.current_a, expected.plan_a)
    )

    def off(wanted: float | None) -> bool:
        # Near the bottom of the range a fan that has hardly started, or a display that shows one digit, is no mistake.
        if wanted is None or max(value, wanted) < 20 * step:
            return False
        return not expected.low * wanted <= value <= expected.high * wanted

    odd = f"a {what} of {value:.3g} {unit} where about {{:.3g}} {unit} was expected"
    if by_plan is None:
        return Odd(odd.format(by_steps), True) if off(by_steps) else None
    there = "if those are wrong, go back to them"
    if off(by_plan):
        return Odd(f"{odd.format(by_plan)} by the sheet ({by_steps:.3g} {unit} by the steps before: {there})", True)
    if off(by_steps):
        return Odd(f"{odd.format(by_steps)} by the steps before ({by_plan:.3g} {unit} by the sheet: {there})", False)
    return None


def odd_thrust(thrust_n: float, instruments: Instruments, expected: Expected) -> Odd | None:
    """As `read_thrust` judges, of a scale that prints: what is odd about its reading, None for nothing."""
    odd = _odd(thrust_n, expected, instruments.thrust_step_n, THRUST)
    advice = "look at its unit, whether it still weighs (pull at it), and whether the rope is free"
    return odd and Odd(f"the scale's lines make {odd.text}: {advice}", odd.by_plan)


def _near(odd: Odd | None, typed: str, sure: bool) -> bool:
    """Whether a reading is kept that the plan finds odd."""
    if odd and not sure:
        raise UserError(f'"{typed}" is {odd.text}: look at the point and the unit, and type it again, or confirm it '
                        "with ! behind it")
    return bool(odd and odd.by_plan)


class Typed(NamedTuple):
    """A reading in N or A, the unit it was typed in, and whether it was kept though the plan finds it odd."""

    value: float
    unit: str
    kept: bool


def read_thrust(typed: str, instruments: Instruments, expected: Expected) -> Typed:
    """A typed reading of the scale; a "!" behind it keeps a value that is far off.

    Raises UserError, one sentence, for what is no reading; nothing has changed then.
    """
    text, sure = _sure(typed)
    value, unit = parse(text, THRUST_N, instruments.thrust_unit)
    return Typed(value, unit, _near(_odd(value, expected, instruments.thrust_step_n, THRUST), text, sure))


def read_current(typed: str, instruments: Instruments, expected: Expected) -> Typed:
    """A typed reading of the clamp meter, as `read_thrust`."""
    text, sure = _sure(typed)
    value, unit = parse(text, CURRENT_A, None if text.strip().lower().endswith("a") else "A")
    return Typed(value, unit, _near(_odd(value, expected, instruments.current_step_a, CURRENT), text, sure))


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

    @property
    def left(self) -> list[int]:
        """The steps that are still to be measured: the present one, and whatever was neither measured nor skipped."""
        return [n for n in range(self.steps) if n == self.at or (n not in self.readings and n not in self.skipped)]

    def take(self, reading: Reading) -> None:
        """Keep the reading of the present step and go on. Raises ValueError for another step's."""
        if reading.step != self.at or self.done:
            raise ValueError(f"reading of step {reading.step} at step {self.at} of {self.steps}")
        self.readings[self.at] = reading
        self.skipped.discard(self.at)
        self.resume()

    def skip(self) -> None:
        """Leave the present step without a reading (an older one of it is dropped)."""
        if self.done:
            raise UserError("all steps are done: there is none to skip")
        self.readings.pop(self.at, None)
        self.skipped.add(self.at)
        self.resume()

    def back(self) -> None:
        """Go to the step before, to measure it again; then it goes on where it was."""
        if not self.at:
            raise UserError("this is the first step: there is none before it")
        self.at -= 1

    def again(self, step: int) -> None:
        """Go to a step, to measure it again; its reading stays until there is another. Raises ValueError for none."""
        if not 0 <= step < self.steps:
            raise ValueError(f"no step {step} of {self.steps}")
        self.at = step

    def resume(self) -> None:
        """Go to the first step that has neither a reading nor was skipped."""
        self.at = next((n for n in range(self.steps) if n not in self.readings and n not in self.skipped), self.steps)

    def in_order(self) -> list[Reading]:
        """The readings, by step."""
        return [self.readings[n] for n in sorted(self.readings)]
