"""A whole bench run on the simulated board: the real firmware, fans that nobody has told the fit about, and a
simulated person.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from random import Random

import numpy as np

from barbox.bench import curve, plan, record, run
from barbox.bench.learn import Learned
from barbox.bench.session import Session
from barbox.bench.sim_person import ClampSpec, ScaleSpec, SimPerson
from barbox.link.client import Client
from barbox.link.serial import SerialLink
from barbox.rig import Rig
from barbox.settings_write import changes, write
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
    """What a simulated run came to. `heard`: all that the person was told and asked."""

    record: record.Record
    learned: Learned
    curves: curve.Curves
    page: Path
    truth: Truth
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
    path: Path,
    *,
    seed: int = 1,
    values: Values | None = None,
    spans_pm: Sequence[int] = plan.SPANS_PM,
    scale: ScaleSpec | None = ScaleSpec(),  # noqa: B008  frozen
    clamp: ClampSpec | None = ClampSpec(),  # noqa: B008  frozen
) -> Result:
    """Everything from the checklist to the tables on the box, in virtual time. `values`: settings of the box, the rig's
    where left out. Same seed, same run. Raises BoxError, UserError."""
    values = values or rig.settings()
    get = values.get
    board = SimBoard(unseen(rig.plant_spec(), seed), values, values=values, board=rig.board.name, seed=seed)
    with board as box:
        person = SimPerson(_At(box), scale=scale, clamp=clamp, seed=seed, hands=box)
        box.advance(2.0)
        box.open_stop_loop()
        box.advance(0.5)
        box.close_stop_loop()
        box.advance(get("esc_idle_ms") / 1000.0 + 0.5)
        steps = plan.make(
            rig, spans_pm=spans_pm, cap_pm=get("bench_cap_pm"), longest_s=get("bench_step_ms") / 1000.0,
            rest_s=get("bench_rest_ms") / 1000.0,
        )  # fmt: skip
        old = [get("side.curve", n) for n in range(len(rig.sides))]
        made = record.begin(rig, steps, now_unix_s=0, simulated=True, old_curve_pm=old)
        made.instruments = replace(
            made.instruments,
            scale=scale is not None,
            clamp=clamp is not None,
            thrust_step_n=scale.step_n if scale else made.instruments.thrust_step_n,
            current_step_a=clamp.step_a if clamp else made.instruments.current_step_a,
        )
        link = SerialLink(box.port.path)
        # Virtual time stands still while the host thinks, so silence means that something hangs.
        client = Client(link, timeout_s=20.0, silence_s=None, first_number=1)

        async def story() -> tuple[Learned, curve.Curves, Path]:
            await run.before(rig, steps, made, person)
            async with Session(client, sleep=box.sleep, on_status=person.sees) as session:
                await session.entered()
                await run.spin_up(rig, steps, session, person)
                await run.measure(rig, made, path, session, person, clock=lambda: box.now_s, sleep=box.sleep)
            learned, curves, page = run.finish(rig, made, path)
            await box.sleep(1.0)
            await write(client, changes(values, run.wanted(values, made, curves.sides)))
            return learned, curves, page

        await box.while_waiting(client.open(), link)
        try:
            learned, curves, page = await box.while_waiting(story(), link, limit_s=_LONGEST_S)
            written = await box.while_waiting(client.read_values(), link)
        finally:
            await client.close()
        return Result(made, learned, curves, page, truth(rig, box, curves), written, person.heard)


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


class _At:
    """The instruments' view of a board."""

    def __init__(self, box: SimBoard) -> None:
        self._box = box

    def thrust_n(self, side: int) -> float:
        return self._box.thrust_n(side)

    def current_a(self, side: int) -> float:
        return self._box.plant.current_a(side)
