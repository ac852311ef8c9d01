"""`barbox bench`: the throttle curve, tied down."""

from __future__ import annotations

import asyncio
import sys
import time
from contextlib import AbstractContextManager, nullcontext
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from barbox.bench.readings import Instruments
from barbox.bench.units import THRUST_N, unit_named
from barbox.cli import options
from barbox.errors import UserError
from barbox.link.find import open_box, sim_ports
from barbox.rig import load

if TYPE_CHECKING:
    from barbox.bench.flow import Outcome
    from barbox.rig.model import Rig


@click.command("bench", short_help="The throttle curve, tied down; and the proof that it stops.")
@click.argument("path", metavar="RIG.toml", type=click.Path(path_type=Path))
@click.option("--prove-stop", "prove", is_flag=True,
              help="Only prove that each side stops. Without it, that comes first where it is not proved.")  # fmt: skip
@click.option("--learn-end-points", "end_points", is_flag=True,
              help="Only let ESCs learn their end points: full pulse, motor leads off.")  # fmt: skip
@click.option("--resume", is_flag=True, help="Go on with the run whose record lies beside the sheet.")
@click.option("--fresh", is_flag=True, help="Begin a new run; record, CSV and page of an earlier one are put aside.")
@click.option("--steps", metavar="PERCENT,...", help="Pulse spans to measure at; left out: ten from 15 to 100.")
@click.option("--scale", "scale_port", metavar="PORT", help="A scale on a serial port that prints numbers.")
@click.option("--scale-baud", type=click.IntRange(50, 4_000_000), default=9600, show_default=True)
@click.option("--unit", metavar="UNIT", help="What the scale shows: N, kgf, gf, lbf or ozf.")
@click.option("--scale-step", type=options.Number(min=0, min_open=True), metavar="VALUE",
              help="The smallest step that it shows, in its unit; left out: as its decimals say.")  # fmt: skip
@click.option("--scale-error", type=options.Number(0, 50), metavar="PERCENT",
              help=f"How far its gain may be off, k = 2; left out: {Instruments.thrust_error_percent:g}.")  # fmt: skip
@click.option("--no-scale", is_flag=True, help="There is none: thrust is taken from current, or assumed.")
@click.option("--no-clamp", is_flag=True, help="There is no clamp meter for direct current.")
@click.option("--clamp-error", type=options.Number(0, 50), metavar="PERCENT",
              help=f"How far its gain may be off, k = 2; left out: {Instruments.current_error_percent:g}.")  # fmt: skip
@click.option("--pressure", type=options.Number(500, 1100), metavar="HPA", help="Of the air here, not at sea level.")
@click.option("--temperature", type=options.Number(-40, 60), metavar="C", help="Of the air.")
@click.option("--sim", is_flag=True, help="Simulated board, fans, person, scale and clamp meter, in virtual time.")
@click.option("--seed", type=click.IntRange(0, 2**31 - 1), default=1, show_default=True,
              help="Of --sim: draws the fans, part tolerances and noise.")  # fmt: skip
@options.box_option
@options.json_option
def command(
    path: Path,
    prove: bool,
    end_points: bool,
    resume: bool,
    fresh: bool,
    steps: str | None,
    scale_port: str | None,
    scale_baud: int,
    unit: str | None,
    scale_step: float | None,
    scale_error: float | None,
    no_scale: bool,
    no_clamp: bool,
    clamp_error: float | None,
    pressure: float | None,
    temperature: float | None,
    sim: bool,
    seed: int,
    url: str | None,
    as_json: bool,
) -> None:
    """Measure thrust and current against pulse with the vehicle TIED DOWN, and put a curve on the box that makes
    thrust proportional to the lever and equal on all sides.

    Fans turn at up to full thrust. Tie the vehicle fore and aft to something heavy, guards on, everybody clear, eyes
    and ears covered, one person at the stop loop. What is asked has to be true. Local law and the makers' instructions
    come first.

    Each step is held at the box (lever past half, or the arm button) and ends when it is let go; Ctrl-C, a closed lid
    or a pulled cable end it as well. In place of a reading: back, skip, repeat, stop. An interrupted run goes on with
    --resume. Nothing of this has been tried on a physical board.
    """
    from barbox.bench.job import END_POINTS, MEASURE, PROVE

    for one, other, names in ((prove, end_points, "--prove-stop and --learn-end-points"),
                              (resume, fresh, "--resume and --fresh"),
                              (bool(scale_port), no_scale, "--scale and --no-scale"),
                              (sim, bool(scale_port or url), "--sim and --scale or --box")):  # fmt: skip
        if one and other:
            raise UserError(f"{names} exclude each other: leave one out")
    if sim and sys.platform == "win32":
        raise UserError("barbox bench --sim runs the simulated board, which needs Linux or macOS")
    rig = load(path)
    job: dict[str, Any] = {
        "what": PROVE if prove else END_POINTS if end_points else MEASURE,
        "spans_pm": _spans(steps) if steps else None,
        "instruments": _instruments(unit, scale_step, no_scale, no_clamp, scale_error, clamp_error),
        "air": {k: v for k, v in (("pressure_hpa", pressure), ("temperature_c", temperature)) if v is not None},
        "resume": True if resume else False if fresh else None,
        "day": date.today().isoformat(),
        "now_unix_s": int(time.time()),
    }
    if sim:
        out = _simulated(rig, path, job, seed, as_json)
    else:
        scale = _scale(scale_port, unit, scale_baud)
        out = options.run(_on_a_box(rig, path, job, scale, url, as_json))
    if as_json:
        options.echo_json(_as_json(out))


async def _on_a_box(
    rig: Rig, path: Path, job: dict[str, Any], scale: AbstractContextManager[Any], url: str | None, as_json: bool
) -> Outcome:
    from barbox.bench import flow
    from barbox.bench.at_box import AtBox, while_heard
    from barbox.bench.job import Job

    person, time_of = _at_terminal(as_json)
    with scale as port:
        client = await open_box(url)
        try:
            at = AtBox(client, person, person.sees, time_of.get("sleep", asyncio.sleep))
            simulated = _is_simulated(client.link.url)
            clock = {"clock": time_of["clock"]} if "clock" in time_of else {}
            wanted = Job(rig, path, at, simulated=simulated, scale=port, **clock, **job)
            return await while_heard(client, flow.conduct(wanted))
        finally:
            await client.close()


def _at_terminal(as_json: bool) -> tuple[Any, dict[str, Any]]:
    """Whoever runs the bench, and the time they live in where it is not that of the wall."""
    from barbox.cli.lines import Lines
    from barbox.cli.terminal import Terminal

    return Terminal(Lines(0), quiet=as_json), {}


def _simulated(rig: Rig, path: Path, job: dict[str, Any], seed: int, as_json: bool) -> Outcome:
    from barbox.bench import simulated
    from barbox.bench.sim_person import ClampSpec, ScaleSpec
    from barbox.cli.lines import Lines
    from barbox.cli.terminal import Terminal

    screen = Terminal(Lines(0), quiet=as_json)
    said = job.pop("instruments")
    unit = said.get("thrust_unit") or ScaleSpec.unit
    scale = ScaleSpec(unit=unit, step=said.get("thrust_step_n", ScaleSpec.step * THRUST_N["kgf"]) / THRUST_N[unit])
    errors = {name: said[name] for name in ("thrust_error_percent", "current_error_percent") if name in said}
    done = options.run(simulated.whole_run(
        rig, path, seed=seed, proved=False, audience=screen, instruments=errors,
        scale=scale if said.get("scale", True) else None, clamp=ClampSpec() if said.get("clamp", True) else None, **job,
    ))  # fmt: skip
    if done.truth:
        screen.tell("the simulated fans with these tables, from 10 to 100 % of the lever: thrust within "
                    f"{100 * done.truth.error:.1f} % of full thrust of proportion, the sides within "
                    f"{100 * done.truth.apart:.1f} % of each other")  # fmt: skip
    screen.tell("Simulated throughout: nothing here has run on a physical board.")
    return done.out


def _scale(port: str | None, unit: str | None, baud: int) -> AbstractContextManager[Any]:
    if port is None:
        return nullcontext()
    from barbox.bench.scale import ScalePort

    if unit is None:
        raise UserError("--scale needs --unit: what its numbers are in where a line does not say")
    return ScalePort(port, _unit(unit), baud)


def _instruments(
    unit: str | None,
    step: float | None,
    no_scale: bool,
    no_clamp: bool,
    scale_error: float | None,
    clamp_error: float | None,
) -> dict[str, Any]:
    """What was said about the instruments, by the names of `barbox.bench.readings.Instruments`."""
    errors = {"thrust_error_percent": scale_error, "current_error_percent": clamp_error}
    said: dict[str, Any] = {name: error for name, error in errors.items() if error is not None}
    if no_scale and (unit or step or scale_error is not None):
        raise UserError("--no-scale has no --unit, --scale-step and --scale-error: leave them out")
    if no_clamp and clamp_error is not None:
        raise UserError("--no-clamp has no --clamp-error: leave it out")
    if step and not unit:
        raise UserError("--scale-step needs --unit")
    if unit:
        said.update(scale=True, thrust_unit=_unit(unit))
    if step and unit:
        said["thrust_step_n"] = step * THRUST_N[_unit(unit)]
    if no_scale:
        said["scale"] = False
    if no_clamp:
        said["clamp"] = False
    return said


def _unit(text: str) -> str:
    unit = unit_named(text, THRUST_N)
    if unit is None:
        raise UserError(f"--unit {text}: is no unit of force that is known here; write {', '.join(THRUST_N)}")
    return unit


def _spans(text: str) -> tuple[int, ...]:
    try:
        spans = [round(10 * float(word)) for word in text.split(",")]
    except (ValueError, OverflowError):  # "nan", "inf"
        raise UserError(f"--steps {text}: write per cent of the pulse span, as in 20,40,60,80,100") from None
    if not all(0 < s <= 1000 for s in spans):
        raise UserError(f"--steps {text}: each lies above 0 and up to 100")
    return tuple(sorted(set(spans)))


def _is_simulated(url: str) -> bool:
    path = url.removeprefix("serial:")
    return any(path == port for port, _ in sim_ports())


def _as_json(out: Outcome) -> dict[str, Any]:
    made = out.record
    return {
        "written": out.written,
        "proved": [bool(out.box.get("side.proven", n)) for n in range(out.box.get("sides"))],
        "page": str(out.page) if out.page else None,
        "record": made.as_dict() if made else None,
    }
