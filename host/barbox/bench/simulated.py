"""A whole bench run on the simulated board: the real firmware, fans that nobody has told the fit about, and a
simulated person.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from random import Random
from typing import Any

import numpy as np

from barbox.bench import curve, flow
from barbox.bench.at_box import AtBox
from barbox.bench.job import END_POINTS, MEASURE, Job
from barbox.bench.sim_person import Audience, ClampSpec, ScaleSpec, SimPerson
from barbox.link.client import Client
from barbox.link.serial import SerialLink
from barbox.rig import Rig
from barbox.sim.board import SimBoard
from barbox.sim.plant.params import PlantSpec, SideSpec
from shared_proto.settings import Values

_TIED_KG = 1e9
_WEAKER = 0.12
_LONGEST_S = 3600.0


@dataclass(frozen=True)
class Truth:
    """What the simulated fans really do with the new tables, from 10 to 100 % of demand, as shares of full thrust:
    `error` from proportion, `apart` between sides. No bench in the open air can know this."""

    error: float
    apart: float


@dataclass(frozen=True)
class Result:
    """What a simulated run came to. `truth` None: nothing was measured; `written`: settings of the box at the end;
    `heard`: all that the person was told and asked."""

    out: flow.Outcome
    truth: Truth | None
    written: Values
    heard: Sequence[str]


def unseen(spec: PlantSpec, seed: int) -> PlantSpec:
    """The same plant, tied down, with fans of other shapes: another exponent and dead band each, one side 12 %
    weaker.
    """
    random = Random(seed)
    weak = random.randrange(len(spec.sides))

    def other(n: int, side: SideSpec) -> SideSpec:
        span_us = side.esc.full_us - side.esc.idle_us
        starts_us = side.esc.idle_us + round(random.uniform(0.06, 0.10) * span_us)
        esc = replace(side.esc, starts_us=starts_us, exponent=random.uniform(0.85, 1.25))
        share = 1.0 - _WEAKER if n == weak else 1.0
        return replace(side, esc=esc, fan=replace(side.fan, full_thrust_n=share * side.fan.full_thrust_n))

    sides = tuple([other(n, side) for n, side in enumerate(spec.sides)])
    return replace(spec, sides=sides, vehicle=replace(spec.vehicle, mass_kg=_TIED_KG))


async def whole_run(
    rig: Rig,
    sheet: Path,
    *,
    what: str = MEASURE,
    seed: int = 1,
    values: Values | None = None,
    proved: bool = True,
    scale: ScaleSpec | None = ScaleSpec(),  # noqa: B008  frozen
    clamp: ClampSpec | None = ClampSpec(),  # noqa: B008  frozen
    esc: Mapping[str, Any] | None = None,
    slips: Mapping[tuple[str, int], str] | None = None,
    answers: Mapping[str, bool] | None = None,
    audience: Audience | None = None,
    instruments: Mapping[str, Any] | None = None,
    **job: Any,
) -> Result:
    """Everything from the checklist to the tables on the box, in virtual time.

    `values`: settings of the box, the rig's where left out; `proved`: whether this board has proofs of stopping; `esc`:
    what else its ESCs are like; `slips`, `answers`, `audience`: see `SimPerson`; `instruments`: what else is
    said about them; `job`: more of
    `barbox.bench.job.Job`. Same seed, same run. Raises BoxError, UserError, AnswerNo.
    """
    values = (values or rig.settings()).copy()
    for n in range(len(rig.sides)):
        values.put("side.proven", int(proved), n)
    with SimBoard(_plant(rig, seed, what, esc or {}), values, values=values, board=rig.board.name, seed=seed,
                  keep_pulses=False) as box:  # fmt: skip
        at = AtBoard(box)
        person = SimPerson(at, scale=scale, clamp=clamp, seed=seed, hands=at, sides=len(rig.sides), slips=slips,
                           answers=answers, audience=audience)  # fmt: skip
        box.advance(2.0)
        box.open_stop_loop()
        box.advance(0.5)
        box.close_stop_loop()
        box.advance(values.get("esc_idle_ms") / 1000.0 + 0.5)
        has: dict[str, Any] = {"scale": scale is not None, "clamp": clamp is not None, **(instruments or {})}
        if scale:
            has["thrust_step_n"] = scale.step_n
        if clamp:
            has["current_step_a"] = clamp.step_a
        link = SerialLink(box.port.path)
        # Virtual time stands still while the host thinks, so silence means that something hangs.
        client = Client(link, timeout_s=20.0, silence_s=None, first_number=1)
        wanted = Job(
            rig, sheet, AtBox(client, person, person.sees, box.sleep), what=what, simulated=True,
            instruments=has, clock=lambda: box.now_s, aside=_at_once,
            **{"day": "2026-01-01", "now_unix_s": 0, **job},
        )  # fmt: skip
        await box.while_waiting(client.open(), link)
        try:
            out = await box.while_waiting(flow.conduct(wanted), link, limit_s=_LONGEST_S)
            written = await box.while_waiting(client.read_values(), link)
        finally:
            await client.close()
        seen = truth(rig, box, out.curves) if out.curves else None
        return Result(out, seen, written, person.heard)


async def _at_once(do: Callable[..., None], *args: Any) -> None:
    """Virtual time stands still meanwhile, so that the same seed gives the same run."""
    do(*args)


def _plant(rig: Rig, seed: int, what: str, esc: Mapping[str, Any]) -> PlantSpec:
    spec = unseen(rig.plant_spec(), seed)
    changed = {"learns_end_points": what == END_POINTS, **esc}
    return replace(spec, sides=tuple([replace(side, esc=replace(side.esc, **changed)) for side in spec.sides]))


def truth(rig: Rig, box: SimBoard, curves: curve.Curves, charge: float = 0.8) -> Truth:
    """Of the simulated fans, from rested packs of this charge; the box is not asked, its tables are."""
    plant, sides = box.plant, curves.sides
    idle: list[int | None] = [s.esc.idle_us for s in rig.sides]
    demands = range(100, 1001, 50)
    given = []
    for demand in demands:
        for n in range(len(sides)):
            plant.set_charge(n, charge)
        pulses: list[int | None] = [
            curve.pulse_us(c.curve_pm, s.esc.idle_us, s.esc.full_us, demand)
            for c, s in zip(sides, rig.sides, strict=True)
        ]
        plant.advance(3.0, pulses)
        given.append([plant.thrust_n(n) for n in range(len(sides))])
        plant.advance(3.0, idle)
    thrust = np.array(given)
    full = float(thrust[-1].mean())
    wanted = np.array(demands)[:, None] / 1000.0
    return Truth(float(np.abs(thrust / full - wanted).max()), float(np.ptp(thrust, axis=1).max() / full))


class AtBoard:
    """The instruments' view of a board, and the hands at it and at its ESCs."""

    def __init__(self, box: SimBoard) -> None:
        self._box = box
        self.press_arm_button, self.release_arm_button = box.press_arm_button, box.release_arm_button
        self.open_stop_loop, self.close_stop_loop = box.open_stop_loop, box.close_stop_loop
        self.move_lever, self.sleep = box.move_lever, box.sleep

    def thrust_n(self, side: int) -> float:
        return self._box.thrust_n(side)

    def current_a(self, side: int) -> float:
        return self._box.plant.current_a(side)

    def disconnect_fan(self, side: int) -> None:
        self._box.plant.kill_fan(side)

    def connect_esc(self, side: int) -> None:
        self._box.plant.restart_esc(side)
