"""An ESC learns its end points from the box: full pulse with its motor leads off, and only then."""

from __future__ import annotations

from barbox.bench.at_box import AtBox, in_run
from barbox.bench.run import Stopped, agreed
from barbox.errors import AnswerNo, UserError
from barbox.link.client import Refused
from barbox.rig import Rig
from shared_proto import states
from shared_proto.settings import Values

_QUIET_PM = 300
"""The thrust step that has to show that no current flows (firmware/core/bench.py)."""
_QUIET_S = 4.0
_LEAST_S = 10.0
"""Of a step: a ramp of four seconds to full, and time to connect the ESC."""

_REST_S = 4.0
"""In which the box sees how much the string still rises by itself, which would hide sag (see core.recovery)."""

_CONNECTED = (
    "{}: its string sagged, so a fan is connected: unplug the pack, take the motor leads off, and begin again. If they "
    "are off, the string still recovers from a load: wait a minute"
)


def check(rig: Rig, values: Values, n: int) -> None:
    """Raises UserError when the box's limits leave no way to it."""
    name = rig.sides[n].name
    most_pm = min(values.get("bench_cap_pm"), values.get("unproven_cap_pm"))  # its proof is withdrawn by then
    if most_pm < _QUIET_PM:
        raise UserError(f"{name}: the box allows {most_pm / 10:g} % on the bench without a stop proof, and a step "
                        f"of {_QUIET_PM / 10:g} % has to show that no fan is connected: raise "
                        "limits.bench_cap_percent, or limits.unproven_cap_percent")  # fmt: skip
    if values.get("bench_step_ms") < 1000 * _LEAST_S:
        raise UserError(f"a bench step may last {values.get('bench_step_ms') / 1000:g} s, and learning end points "
                        f"takes {_LEAST_S:g} s: raise limits.bench_step_s")  # fmt: skip


def phrase(name: str) -> str:
    """What has to be typed, letter by letter."""
    return f"motor leads of {name} are off"


async def confirm(at: AtBox, rig: Rig, n: int) -> None:
    """Wait until it is typed out that nothing can turn at a side, from 0. Raises Stopped."""
    person, name = at.person, rig.sides[n].name
    person.tell(
        f"end points of {name}: unplug its pack, take all motor leads off its ESC, and look up in its manual how it "
        "learns them (most do from full pulse at power-up, then idle). The box refuses while the string sags, which "
        "shows a fan; it cannot show one that is on another ESC: look twice"
    )
    while True:
        typed = (await person.ask(f"confirm:{n}", f'type "{phrase(name)}", or stop')).strip()
        if typed.lower() == "stop":
            raise Stopped
        if typed == phrase(name):
            break
        person.tell(f'"{typed}" is not that; nothing was done')


async def learn(at: AtBox, rig: Rig, n: int) -> None:
    """One side, from 0, after `confirm`. An ESC at full pulse may learn whatever becomes of the rest, so its stop proof
    has to be withdrawn before. Raises Stopped, AnswerNo, BoxError."""
    person, name = at.person, rig.sides[n].name
    async with in_run(at) as session:
        while True:
            await session.idle()
            await session.watch(_REST_S)
            person.tell(f"{name} at {_QUIET_PM / 10:g} %, nothing may turn: hold the lever or the arm button until "
                        "the box ends the step")
            step = await session.step(n + 1, _QUIET_PM, _QUIET_S)
            if step.end == states.ENDED_TIME:
                break
            person.tell(f"it takes the whole step: {step.ended} after {step.ran_ms / 1000:.1f} s; once more")
        person.tell(
            f"full pulse for {name}: press the arm button once, let go, then hold it (the lever does not count). "
            "After five seconds, while it is held, connect the pack of this ESC; at its tones for full let go, and "
            "it learns idle. Let go at once if anything turns"
        )
        try:
            step = await session.step(n + 1, 1000, what=states.BENCH_END_POINTS)
        except Refused as refused:
            if refused.reason == states.REFUSE_NOT_QUIET:
                raise AnswerNo(_CONNECTED.format(name)) from None
            raise
        if step.end == states.ENDED_CURRENT:
            raise AnswerNo(_CONNECTED.format(name))
        if not step.ran_ms:
            raise AnswerNo(f"{name}: no end points were sent: {step.ended}")
        if not await agreed(person, "tones", f"Did the ESC of {name} answer with its tones for full and for idle?", n):
            raise AnswerNo(f"{name}: the ESC did not take its end points: unplug it, look into its manual, and "
                           "try again")
    person.tell(f"{name}: unplug the pack before you connect the motor again; prove its stop and measure its curve "
                "anew")
