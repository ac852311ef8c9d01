"""Proving that a side stops, at the lowest step: pulses withheld, the stop loop opened, the ESC's own settings seen."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass
from time import monotonic

from barbox.bench.at_box import AtBox, enter, in_run
from barbox.bench.hold import Hold, held, stopped
from barbox.bench.plan import SETTLE_S
from barbox.bench.proof import LONGEST_HOLD_S, LONGEST_STOP_S, StopProof
from barbox.bench.run import agreed, spin_up_side
from barbox.bench.session import BenchStopped, Session, Step
from barbox.rig import Rig
from shared_proto import states

_AFTER_S = 3.0
_LOOK_S = 1.0
"""Withheld for this long beyond the longest hold that is allowed, there is something to tell."""

SETTINGS = (
    "Have you looked at the settings of the ESC of {}: its own voltage cutoff off, cell count fixed or off, braking "
    "off, no reverse, and what it does without pulses set to stop?"
)


@dataclass(frozen=True)
class Proving:
    """What it takes: the box and whoever is at it, the rig, the day for the record, a clock for the ear."""

    at: AtBox
    rig: Rig
    day: str
    clock: Callable[[], float] = monotonic

    async def side(self, n: int) -> StopProof:
        """The proof of a side, from 0, whatever comes out. Raises Stopped, AnswerNo (another fan turned), BoxError."""
        person, name = self.at.person, self.rig.sides[n].name
        person.tell(f"stop proof of {name}: the ESC's settings, pulses withheld, the stop loop opened")
        seen = await agreed(person, "settings", SETTINGS.format(name), n)
        turned, hold, stop, token = False, None, None, None
        while stop is None:
            try:
                async with in_run(self.at) as session:
                    pulse_pm = min(session.offer.low_pm, session.offer.cap_pm[n])
                    if not turned:
                        await spin_up_side(self.rig, n, pulse_pm, SETTLE_S, session, person)
                        turned = True
                    hold = hold or await self._withheld(session, n, pulse_pm)
                    stop = await self._opened(session, n, pulse_pm)
                    token = session.offer.token
            except BenchStopped as stopping:
                person.tell(f"{stopping}; it goes on where it was, in another run")
        assert hold is not None
        by = "voltage" if hold.by == stop.by == "voltage" else "ear"
        proof = StopProof(n, stop.most_s, hold.most_s, by, seen, self.day, stop.found.at_least, hold.found.at_least,
                          token)
        person.tell(f"{name}: {'its stop is proved' if proof.proved else f'NOT proved: {proof.missing()}'}")
        return proof

    async def _withheld(self, session: Session, n: int, pulse_pm: int) -> _Timed:
        """How long its ESC holds the last command."""
        person, name = self.at.person, self.rig.sides[n].name
        by = "voltage"
        while True:
            person.tell(
                f"pulses withheld from {name} at {pulse_pm / 10:g} %: hold the lever past half, or the arm button. "
                "After some two seconds the box sends no more pulses; hold on until it ends the step, and have "
                "somebody at the plug: an ESC may run on"
            )
            if by == "ear":
                step, found = await self._by_ear(session, n, pulse_pm)
            else:
                step = await session.step(n + 1, pulse_pm, what=states.BENCH_WITHHOLD)
                found = held(step, self._top(n))
            if _too_short(step, found):
                person.tell(f"nothing to tell yet: {step.ended} after {step.ran_ms / 1000:.1f} s; hold on until the "
                            "box ends the step")
            elif found is None:
                by = "ear"
                person.tell("the string's voltage does not tell (too little current), so listen: press Enter here when "
                            "the fan loses its drive, while the lever is held")
            else:
                person.tell(f"{name}: the ESC held its last command for {_words(found)}")
                return _Timed(found, by)

    def _top(self, n: int) -> int:
        return self.rig.sides[n].sense[-1].input - 1

    async def _by_ear(self, session: Session, n: int, pulse_pm: int) -> tuple[Step, Hold | None]:
        """The same, by a key at the moment it is heard: a slow finger makes it longer, never shorter."""
        began_s = 0.0
        heard: asyncio.Task[float] | None = None

        def on_phase(phase: int) -> None:
            nonlocal began_s, heard
            if phase == states.BENCH_WITHHELD:
                began_s = self.clock()
                question = "no pulses now: Enter as soon as the fan loses its drive"
                heard = asyncio.ensure_future(self._heard(question, n))

        try:
            step = await session.step(n + 1, pulse_pm, what=states.BENCH_WITHHOLD, on_phase=on_phase)
        finally:
            if heard is not None and not heard.done():
                heard.cancel()
                await asyncio.wait({heard})
        if heard is None:
            return step, None
        if heard.cancelled():
            return step, Hold(self.clock() - began_s, 0.0, at_least=True)
        return step, Hold(heard.result() - began_s, 0.1)

    async def _heard(self, question: str, n: int) -> float:
        await self.at.person.ask("ear", question, n)
        return self.clock()

    async def _opened(self, session: Session, n: int, pulse_pm: int) -> _Timed:
        """How long it runs on after the stop loop opened. Raises BenchStopped for another stop."""
        person, name = self.at.person, self.rig.sides[n].name
        while True:
            await enter(person, "ready:stop", f"stop loop of {name}: Enter, hold the lever, and when the fan has run "
                        "for two seconds, open the stop loop (or stop)")
            try:
                step = await session.step(n + 1, pulse_pm)
            except BenchStopped as stopping:
                if stopping.cause != states.CAUSE_STOP_OPEN or stopping.step is None or not stopping.step.steady:
                    raise
                found = stopped(stopping.step, await session.watch(_AFTER_S), self._top(n))
                break
            person.tell(f"the stop loop was not seen to open: {step.ended}; once more")
        if found is not None:
            person.tell(f"{name}: its current ended {_words(found)} after the stop loop opened")
            return _Timed(found, "voltage")
        question = f"Did the fan of {name} lose its drive at once, within half a second, and only run down?"
        at_once = await agreed(person, "at once", question, n)
        return _Timed(Hold(LONGEST_STOP_S, 0.0) if at_once else Hold(_AFTER_S, 0.0, at_least=True), "ear")


@dataclass(frozen=True)
class _Timed:
    found: Hold
    by: str

    @property
    def most_s(self) -> float:
        """What can be promised; nothing where it still ran then."""
        return round(self.found.seconds + (0.0 if self.found.at_least else self.found.within_s), 3)


def _words(found: Hold) -> str:
    return f"more than {found.seconds:.1f} s" if found.at_least else f"{found.seconds:.2f} +- {found.within_s:.2f} s"


def _too_short(step: Step, found: Hold | None) -> bool:
    """Whether somebody let go before there was anything to tell."""
    if step.withheld_ms is None:
        return True
    if found is not None:
        return found.at_least and found.seconds < LONGEST_HOLD_S + _LOOK_S
    withheld = [s for s in step.under if s.bench_phase == states.BENCH_WITHHELD]
    return not withheld or withheld[-1].time_ms - withheld[0].time_ms < 1000 * (LONGEST_HOLD_S + _LOOK_S)
