"""One reading a step, checked as it is typed; and the run's place in its plan: repeat, back up, skip."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, field, replace
from math import hypot, isfinite
from string import ascii_letters
from typing import Any, NamedTuple

from barbox.bench.units import CURRENT_A, THRUST_N, parse, shown_step
from barbox.errors import UserError

THRUST, CURRENT = "thrust", "current"

_UNKNOWN_STEP_N = 0.1
"""The scale's display step while nothing has told it."""

_FAR_OFF = 4.0
"""A reading this many times what was expected, or that part of it, is asked about: a lost point makes ten."""

_PLAIN_STEPS, _NOISE_STEPS = 20, 3
"""Display steps that have to be expected before a low reading is odd; and by which a high one has to be too high."""

_NEAR_DEAD_BAND = 0.5
_FAR_OFF_THERE = 8.0
_IN_DEAD_BAND = 0.35
"""Below these pulse spans a dead band that nobody knows yet bends the fan laws: by up to eight times, or to nothing."""

_SWING = 0.005
"""Relative, one standard deviation: a rope swings and a fan hunts (common practice, no source)."""


@dataclass(frozen=True)
class Instruments:
    """What the person measures with. Resolution: the smallest step that is shown, in N and A; of the scale None while
    nobody has stated it: then the decimals of the readings tell it (`resolved`).

    `*_error_percent`: expanded uncertainty (k = 2) of the instrument's gain, alike on every side. `scale` and
    `clamp` say whether there is one. `thrust_unit` None: not chosen yet.
    """

    scale: bool = True
    clamp: bool = True
    thrust_unit: str | None = None
    thrust_step_n: float | None = None
    thrust_error_percent: float = 1.0
    current_step_a: float = 0.1
    current_error_percent: float = 3.0

    @property
    def step_n(self) -> float:
        """The scale's resolution in N."""
        return _UNKNOWN_STEP_N if self.thrust_step_n is None else self.thrust_step_n

    def resolved(self, readings: Sequence[Reading], step_n: float | None = None) -> Instruments:
        """With the resolution that was stated, or else the finest of the readings and of `step_n`."""
        if self.thrust_step_n is not None:
            return self
        steps = [s for s in (step_n, *[r.thrust_step_n for r in readings]) if s is not None]
        return replace(self, thrust_step_n=min(steps, default=None))

    def thrust_u_n(self, thrust_n: float) -> float:
        """Standard uncertainty of one reading: a step of a display that hunts, and swing."""
        return hypot(self.step_n, _SWING * thrust_n)

    def current_u_a(self, current_a: float) -> float:
        """Standard uncertainty of one reading of the clamp meter, likewise."""
        return hypot(self.current_step_a, _SWING * current_a)


@dataclass(frozen=True)
class Reading:
    """What one step gave. Section voltages lowest first, None where the box did not believe one.

    `rest_v` is just before the step, `load_v` the mean while it was steady. Thrust and current None: not measured.
    `kept`: which of them (THRUST, CURRENT) a person kept though the plan finds it odd. `thrust_step_n`: the scale's
    resolution as far as this reading shows it.
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
    thrust_step_n: float | None = None

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
        # A fan that has hardly started, or a display that shows one digit or is a few steps off at 0, is no mistake.
        if wanted is None:
            return False
        low = value < expected.low * wanted and wanted >= _PLAIN_STEPS * step
        return low or value - _NOISE_STEPS * step > expected.high * wanted

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
    odd = _odd(thrust_n, expected, instruments.step_n, THRUST)
    advice = "look at its unit, whether it still weighs (pull at it), and whether the rope is free"
    return odd and Odd(f"the scale's lines make {odd.text}: {advice}", odd.by_plan)


def _near(odd: Odd | None, typed: str, sure: bool) -> bool:
    """Whether a reading is kept that the plan finds odd."""
    if odd and not sure:
        raise UserError(f'"{typed}" is {odd.text}: look at the point and the unit, and type it again, or confirm it '
                        "with ! behind it")
    return bool(odd and odd.by_plan)


class Typed(NamedTuple):
    """A reading in N or A, the unit it was typed in, whether it was kept though the plan finds it odd, and the step of
    the display, in N or A, as far as its decimals show it."""

    value: float
    unit: str
    kept: bool
    step: float | None


def read_thrust(typed: str, instruments: Instruments, expected: Expected) -> Typed:
    """A typed reading of the scale; a "!" behind it keeps a value that is far off, or another unit than before.

    `instruments`: with the resolution of the readings before, `resolved`. Raises UserError, one sentence, for what is
    no reading; nothing has changed then.
    """
    text, sure = _sure(typed)
    value, unit = parse(text, THRUST_N, instruments.thrust_unit)
    shown = shown_step(_digits(text))
    step = None if shown is None else shown * THRUST_N[unit]
    odd = _odd(value, expected, instruments.resolved((), step).step_n, THRUST)
    if instruments.thrust_unit is None:
        odd = odd or _likelier_unit(value, unit, expected)
    elif unit != instruments.thrust_unit and not sure:
        reads = f"is in {unit}, and this run reads {instruments.thrust_unit} so far"
        also = f"; it is {odd.text} as well" if odd else ""
        raise UserError(f'"{text}" {reads}{also}: type it in {instruments.thrust_unit}, or, where the scale now shows '
                        f"{unit}, confirm it with ! behind it")
    return Typed(value, unit, _near(odd, text, sure), step)


def _likelier_unit(thrust_n: float, unit: str, expected: Expected) -> Odd | None:
    """At the bottom of the range next to nothing may be right, but not where another unit would be: a wrong first unit
    makes all that follow wrong."""
    wanted = expected.thrust_n
    if wanted is None or thrust_n * _FAR_OFF_THERE >= wanted:
        return None
    for other, newtons in THRUST_N.items():
        would_n = thrust_n / THRUST_N[unit] * newtons
        if wanted / _FAR_OFF <= would_n <= 1.5 * wanted:
            there = f"a thrust of {thrust_n:.3g} N where about {wanted:.3g} N was expected"
            return Odd(f"{there}, and in {other} it would be {would_n:.3g} N", False)
    return None


def read_current(typed: str, instruments: Instruments, expected: Expected) -> Typed:
    """A typed reading of the clamp meter, as `read_thrust`."""
    text, sure = _sure(typed)
    value, unit = parse(text, CURRENT_A, "A")
    kept = _near(_odd(value, expected, instruments.current_step_a, CURRENT), text, sure)
    return Typed(value, unit, kept, None)


def _digits(text: str) -> str:
    return text.strip().rstrip("%" + ascii_letters).strip()


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
