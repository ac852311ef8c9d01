"""A simulated person at the bench, with a hanging scale and a clamp meter that are no better than real ones."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from random import Random
from typing import Protocol

from barbox.bench.plan import MEASURE_S, SETTLE_S
from barbox.bench.summary import Table
from barbox.bench.units import THRUST_N
from barbox.records import Status
from shared_proto import states

_HELD_PM = 700
HOLDS_S = SETTLE_S + MEASURE_S - 0.5
"""How long it holds once thrust is steady: less than the step lasts."""
_STOPS_S = 2.0  # from steady thrust to the hand at the stop
_REACTION_S = 0.3
_DRIVEN_A = 0.05  # above what an ESC takes at rest
_LISTENS_S = 60.0
_LET_GO_MS = 100  # the box has to see the button let go before it is held
_BUTTON = 0b10  # of `inputs` of a status
_READ = ("thrust", "current")
_TRIES = 3
"""Of a step, or of a run that gets nowhere: a box that always stops it would keep a person who never gives up."""


class Seen(Protocol):
    """What can be measured at the simulated board."""

    def thrust_n(self, side: int) -> float:
        """True thrust of a side."""
        ...

    def current_a(self, side: int) -> float:
        """True current of a side."""
        ...


class Hands(Protocol):
    """What can be done at the simulated board and its ESCs."""

    def move_lever(self, per_mille: float) -> None:
        """Lever to a place, 0..1000."""
        ...

    def press_arm_button(self) -> None:
        """Press it and keep it."""
        ...

    def release_arm_button(self) -> None:
        """Let it go."""
        ...

    def open_stop_loop(self) -> None:
        """Pull the stop."""
        ...

    def close_stop_loop(self) -> None:
        """Put it back."""
        ...

    def disconnect_fan(self, side: int) -> None:
        """Take the motor leads of a side, from 0, off its ESC."""
        ...

    def connect_esc(self, side: int) -> None:
        """Give the ESC of a side its supply, with whatever pulse it sees then."""
        ...

    async def sleep(self, seconds: float) -> None:
        """Time passes at the board."""
        ...


class Audience(Protocol):
    """Somebody who follows what is said; `barbox.cli.terminal.Terminal` is one."""

    def tell(self, line: str) -> None:
        """A sentence."""
        ...

    def show(self, table: Table) -> None:
        """A table."""
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
    """Holds to run, reads its instruments, lets go, and types what it has read. Same seed, same readings.

    `hands`: the board at which it presses and holds, None for a person who is only asked. `slips`: what it types
    instead the nth time it is asked for a kind, such as {("thrust", 2): "twelve"}; asked again, it types what it read.
    `answers`: to questions, by key ("tied", ..., "turns"); all others get a yes. `sides`: how many it reads. `audience`
    follows what it hears and says.
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
        hands: Hands | None = None,
        sides: int = 2,
        holds_s: float = HOLDS_S,
        audience: Audience | None = None,
    ) -> None:
        self.scale, self.clamp = scale, clamp
        self._hands, self._holds_s, self._sides = hands, holds_s, sides
        self._audience = audience
        self._stops = self._learns = False
        self._learning = 0  # side whose ESC learns
        self._waits_ms = 0
        self._read: dict[tuple[str, int], str] = {}
        self._at_rest_a = [0.0] * sides
        self._steady_ms: int | None = None
        self._demand_pm = 0
        self._last: tuple[str, int, str] | None = None
        self._seen = seen
        self._random = Random(seed)
        self._slips = dict(slips or {})
        self._answers = dict(answers or {})
        self._count: dict[str, int] = dict.fromkeys(_READ, 0)
        self._tried: dict[str, int] = {}
        self._runs_in_vain = 0  # asked for one after another, with nothing asked between
        self.heard: list[str] = []

    # The flow of a run asks and tells.

    async def ask(self, what: str, question: str, side: int | None = None) -> str:
        """What it types; see `barbox.bench.run.Person`."""
        self.heard.append(question)
        said = await self._said(what, question, side)
        if self._audience:
            self._audience.tell(f"{question}{' ' if question.endswith('?') else ': '}{said}")
        return said

    async def _said(self, what: str, question: str, side: int | None) -> str:
        if what in _READ:
            return self.typed(what, side or 0)
        kind, _, key = what.rpartition(":")
        self._count[what] = self._count.get(what, 0) + 1
        self._runs_in_vain = self._runs_in_vain + 1 if what == "ready:run" else 0
        if slip := self._slips.pop((what, self._count[what]), None):
            return slip
        if what in ("next", "ready:again"):
            return self._tries_again(question)
        if what == "ear" and self._hands is not None:
            return await self._listened(self._hands, side or 0)
        if what == "ready:stop":
            self._stops = True
        if kind == "confirm" and self._hands is not None:
            self._learning = int(key)
            self._hands.disconnect_fan(self._learning)
            return question.split('"')[1]  # as it was told
        if what == "ready:run" and self._runs_in_vain == _TRIES:
            return "stop"
        if kind == "ready" or what == "again":
            return ""
        return "yes" if self._answers.get(key, True) else "no"

    def _tries_again(self, question: str) -> str:
        """Twice, as the question names the step; then it lets it be."""
        self._tried[question] = self._tried.get(question, 0) + 1
        if self._tried[question] % _TRIES == 0:
            return "skip"
        return "" if question.startswith("Enter") else "repeat"

    async def _listened(self, hands: Hands, side: int) -> str:
        """Until the fan has no drive any more, and a finger has moved."""
        waited_s = 0.0
        while self._seen.current_a(side) > self._at_rest_a[side] + _DRIVEN_A and waited_s < _LISTENS_S:
            await hands.sleep(0.05)
            waited_s += 0.05
        await hands.sleep(_REACTION_S)
        return ""

    def tell(self, line: str) -> None:
        """It is told something."""
        self.heard.append(line)
        if self._audience:
            self._audience.tell(line)

    def show(self, table: Table) -> None:
        """It is shown a table."""
        head, rows = table
        self.heard += ["  ".join(row) for row in [head, *rows]]
        if self._audience:
            self._audience.show(table)

    # At the box.

    def sees(self, status: Status) -> None:
        """What it does when the box's screen shows this: presses the arm button when a run is asked for, holds the
        lever when a step waits, reads its instruments after some seconds of steady thrust, and lets go."""
        hands = self._hands
        if hands is None:
            return
        phase = status.bench_phase
        if status.state == states.HELD:
            self._unlock(hands, status)
            return
        if phase == states.BENCH_ASKED and status.waits == states.WAIT_BENCH_BUTTON:
            hands.press_arm_button()
        elif phase == states.BENCH_CONFIRM:
            self._learns = True
            self._waits_ms = 0
            hands.release_arm_button() if status.inputs & _BUTTON else hands.press_arm_button()
        elif self._learns and phase >= states.BENCH_WAITING:
            self._teach(hands, status)
            return
        elif phase != states.BENCH_ASKED:
            self._learns = False
            hands.release_arm_button()
        if phase == states.BENCH_WAITING:
            self._at_rest_a = [self._seen.current_a(side) for side in range(self._sides)]
            hands.move_lever(_HELD_PM)
            self._steady_ms = None
        elif phase == states.BENCH_RUNNING:
            steady_ms = self._steady(status)
            if self._stops and steady_ms >= 1000 * _STOPS_S:
                self._stops = False
                hands.open_stop_loop()
            elif steady_ms >= 1000 * self._holds_s:
                self.look()
                hands.move_lever(0)
        elif phase != states.BENCH_WITHHELD:
            hands.move_lever(0)

    def _steady(self, status: Status) -> int:
        """For how many ms the demand has been what it is."""
        if self._steady_ms is None or status.demand_pm != self._demand_pm:  # it still spools up
            self._steady_ms = status.time_ms
        self._demand_pm = status.demand_pm
        return status.time_ms - self._steady_ms

    def _unlock(self, hands: Hands, status: Status) -> None:
        hands.move_lever(0)
        hands.close_stop_loop()
        # A press counts once the box has seen the button let go.
        hands.release_arm_button() if status.inputs & _BUTTON else hands.press_arm_button()

    def _teach(self, hands: Hands, status: Status) -> None:
        """End points: hold the button, connect the ESC at full, let go some seconds later."""
        if status.bench_phase == states.BENCH_WAITING:
            self._steady_ms = None
            self._waits_ms = self._waits_ms or status.time_ms
            if status.time_ms - self._waits_ms >= _LET_GO_MS:
                hands.press_arm_button()
        elif status.demand_pm == 1000 and self._steady_ms is None:
            self._steady_ms = status.time_ms
            hands.connect_esc(self._learning)
        elif self._steady_ms is not None and status.time_ms - self._steady_ms >= 1000 * self._holds_s:
            hands.release_arm_button()

    def look(self) -> None:
        """Read both instruments now, at each side's lead and at the rope, and remember it."""
        self._last = None
        self._read = {(kind, side): self._shown(kind, side) for kind in _READ for side in range(self._sides)}

    # What it types.

    def typed(self, kind: str, side: int) -> str:
        """What it types of "thrust" or "current": what it remembers, or reads now; "" without the instrument."""
        if (self.scale if kind == "thrust" else self.clamp) is None:
            return ""
        self._count[kind] += 1
        slip = self._slips.pop((kind, self._count[kind]), None)
        if slip:
            return slip
        read = self._read.get((kind, side)) or self._shown(kind, side)
        # Asked again for what it did read: it looks at point and unit, and stays with it.
        again, self._last = self._last == (kind, side, read), (kind, side, read)
        return f"{read}!" if again else read

    def typed_thrust(self, side: int) -> str:
        """`typed` of the scale."""
        return self.typed("thrust", side)

    def typed_current(self, side: int) -> str:
        """`typed` of the clamp meter."""
        return self.typed("current", side)

    def _shown(self, kind: str, side: int) -> str:
        scale, clamp, noise = self.scale, self.clamp, self._random.gauss
        if kind == "thrust" and scale is not None:
            pull = max(self._seen.thrust_n(side) - scale.friction_n, 0.0)
            shown = max(scale.gain * pull + noise(0.0, scale.noise_n), 0.0)
            return f"{_rounded(shown / THRUST_N[scale.unit], scale.step)} {scale.unit}"
        if kind == "current" and clamp is not None:
            amps = clamp.gain * self._seen.current_a(side) + clamp.offset_a + noise(0.0, clamp.noise_a)
            return f"{_rounded(max(amps, 0.0), clamp.step_a)} A"
        return ""


def _rounded(value: float, step: float) -> str:
    decimals = max(len(f"{step:.6f}".rstrip("0").partition(".")[2]), 0)
    return f"{round(value / step) * step:.{decimals}f}"
