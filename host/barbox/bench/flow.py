"""All of `barbox bench`, from the look at the box to what is written: each part is elsewhere, the order is here."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from time import monotonic
from typing import Any

from barbox.bench import at_box, curve, end_points, learn, plan, record, run, summary
from barbox.bench.air import Air
from barbox.bench.at_box import AtBox
from barbox.bench.keep import keep
from barbox.bench.proof import StopProof
from barbox.bench.prove import Proving
from barbox.bench.record import Record
from barbox.bench.session import BenchStopped
from barbox.errors import AnswerNo, BoxError, UserError
from barbox.rig import Rig
from shared_proto.settings import Values

MEASURE, PROVE, END_POINTS = "measure", "prove", "end points"


@dataclass(frozen=True)
class Job:
    """What was asked for.

    `instruments`, `air`: what was said about them; on resuming it replaces what the record has. `resume`: True, False
    (begin anew), None (ask where a run was not finished). `day`: ISO date; `now_unix_s` for the record.
    """

    rig: Rig
    sheet: Path
    at: AtBox
    day: str
    now_unix_s: int
    what: str = MEASURE
    simulated: bool = False
    spans_pm: Sequence[int] = plan.SPANS_PM
    instruments: Mapping[str, Any] = field(default_factory=dict)
    air: Mapping[str, float] = field(default_factory=dict)
    resume: bool | None = None
    scale: run.Scale | None = None
    clock: Callable[[], float] = monotonic
    aside: Callable[..., Awaitable[object]] = asyncio.to_thread  # see `barbox.bench.run.measure`

    @property
    def record_path(self) -> Path:
        """A simulated run has a file of its own: it never takes the place of a measurement."""
        path = record.beside(self.sheet)
        return path.with_suffix(".sim.json") if self.simulated else path


@dataclass
class Outcome:
    """What came of it. `box`: its settings now; `written`: whether tables were written."""

    box: Values
    record: Record | None = None
    learned: learn.Learned | None = None
    curves: curve.Curves | None = None
    page: Path | None = None
    written: bool = False


async def conduct(job: Job) -> Outcome:
    """Everything, in order. Raises UserError, AnswerNo, BoxError; what was measured is on disk whatever happens."""
    box = await at_box.check(job.at, job.rig, job.sheet)
    if job.what == END_POINTS:
        return await _end_points(job, box)
    steps = _plan(job, box)
    made = await _record(job, steps, box)
    steps = replace(steps, steps=made.steps)  # those of the run that goes on
    try:
        return await _conducted(job, box, steps, made)
    except (run.Stopped, BoxError, asyncio.CancelledError) as why:
        kept = _kept(job, made)
        if isinstance(why, run.Stopped):
            raise AnswerNo(f"stopped; {kept}") from None
        if made.run.readings or isinstance(why, asyncio.CancelledError):
            job.at.person.tell(f"ended; {kept}")
        raise


def _kept(job: Job, made: Record) -> str:
    if not made.run.readings:
        return "no step had been measured"
    return (f"{len(made.run.readings)} of {len(made.steps)} steps are in {job.record_path}: go on with "
            f"`barbox bench {job.sheet} --resume`")


async def _conducted(job: Job, box: Values, steps: plan.Plan, made: Record) -> Outcome:
    person, rig = job.at.person, job.rig
    unproved = [n for n in range(len(rig.sides)) if not box.get("side.proven", n)]
    if job.what == PROVE:
        unproved = list(range(len(rig.sides)))
    if not made.run.done or unproved:
        await run.before(rig, None if job.what == PROVE or made.run.done else steps, made, person)
    if unproved:
        box = await _prove(job, made, box, unproved)
    if job.what == PROVE:
        return Outcome(box, made)
    await _measure(job, steps, made)
    learned, curves, page = run.finish(rig, made, job.record_path)
    _show(job, made, learned, curves, page)
    written = await keep(job.at, rig, job.sheet, made, box, curves.sides, "")
    if written is None:
        raise AnswerNo(f"nothing was written; the run is in {job.record_path}, and `barbox bench {job.sheet} --resume` "
                       "asks again")
    made.written = True
    made.save(rig, job.record_path)
    return Outcome(written, made, learned, curves, page, True)


def _plan(job: Job, box: Values) -> plan.Plan:
    rig = job.rig
    if "bench_cap_pm" not in rig.stated:
        raise UserError(
            f"{job.sheet}: says nothing of the bench: state under [limits] the most pulse span that its ropes and "
            "anchor are good for, such as bench_cap_percent = 60, then `barbox apply` it"
        )
    return plan.make(
        rig, spans_pm=job.spans_pm, cap_pm=box.get("bench_cap_pm"), longest_s=box.get("bench_step_ms") / 1000.0,
        rest_s=box.get("bench_rest_ms") / 1000.0,
    )  # fmt: skip


# -- the record ---------------------------------------------------------------------------------------------------


async def _record(job: Job, steps: plan.Plan, box: Values) -> Record:
    """The record to go on with, or a new one; an older one with readings is put aside, not overwritten."""
    path = job.record_path
    if job.resume and not path.exists():
        raise UserError(f"{path}: is not there, so there is no run to go on with; leave --resume out")
    if path.exists() and job.resume is not False:
        old = record.load(path, job.rig)
        same = old.rig_crc == job.rig.crc
        if job.resume and not same:
            raise UserError(f"{path}: {job.sheet} was changed since that run began; begin anew with --fresh, which "
                            "puts it aside")
        if same and (job.resume or (job.what == PROVE or await _goes_on(job, old))):
            old.instruments = replace(old.instruments, **job.instruments)
            old.air = replace(old.air, **job.air)
            return old
    if path.exists():
        _put_aside(job, path)
    old_curves = [box.get("side.curve", n) for n in range(len(job.rig.sides))]
    made = record.begin(job.rig, steps, now_unix_s=job.now_unix_s, simulated=job.simulated, old_curve_pm=old_curves)
    made.instruments = replace(made.instruments, **job.instruments)
    made.air = Air(**job.air)
    return made


async def _goes_on(job: Job, old: Record) -> bool:
    if old.written:
        return False
    if not old.run.readings:
        return True
    where = f"{len(old.run.readings)} of {len(old.steps)} steps" if not old.run.done else "complete, and not written"
    question = f"A run of {record.began(old)} is there ({where}). Go on with it?"
    return await run.agreed(job.at.person, "resume", question)


def _put_aside(job: Job, path: Path) -> None:
    """Readings took an afternoon: they get another name. A damaged file is kept likewise."""
    n = 1
    while (aside := path.with_name(f"{path.name.removesuffix('.json')}.{n}.json")).exists():
        n += 1
    try:
        path.rename(aside)
    except OSError as error:
        raise UserError(f"{path}: cannot be put aside as {aside.name} ({error.strerror})") from None
    job.at.person.tell(f"{path.name} is now {aside.name}")


# -- the parts ----------------------------------------------------------------------------------------------------


async def _prove(job: Job, made: Record, box: Values, sides: Sequence[int]) -> Values:
    """The stop of these sides. Returns the settings of the box. Raises AnswerNo for a side that does not stop."""
    rig, person = job.rig, job.at.person
    person.tell(
        "first the stop is proved, of " + " and ".join([rig.sides[n].name for n in sides])
        + f": until then the box allows {box.get('unproven_cap_pm') / 10:g} %"
    )
    proving = Proving(job.at, rig, job.day, job.clock)
    for n in sides:
        proof = await proving.side(n)
        made.proofs = sorted([p for p in made.proofs if p.side != n] + [proof], key=lambda p: p.side)
        made.save(rig, job.record_path)
    for line in summary.proofs(rig, made):
        person.tell(line)
    kept = await keep(job.at, rig, job.sheet, made, box, (), "Stop proof.")
    made.save(rig, job.record_path)
    wrong = [p for p in made.proofs if p.side in sides and not p.proved]
    if wrong:
        p = wrong[0]
        raise AnswerNo(f"{rig.sides[p.side].name}: its stop is not proved: {p.missing()}; it stays capped at "
                       f"{box.get('unproven_cap_pm') / 10:g} %; change the ESC's settings, or the ESC, and prove it "
                       "again")  # fmt: skip
    if kept is None:
        raise AnswerNo("the proof was not written, so the cap stays")
    return kept


async def _measure(job: Job, steps: plan.Plan, made: Record) -> None:
    """All open steps, in as many bench runs as it takes."""
    person = job.at.person
    spun_up = False
    while not made.run.done:
        try:
            async with at_box.in_run(job.at) as session:
                if not spun_up:
                    await run.spin_up(job.rig, steps, session, person)
                    spun_up = True
                await run.measure(job.rig, made, job.record_path, session, person, scale=job.scale, clock=job.clock,
                                  sleep=job.at.sleep, aside=job.aside)
        except BenchStopped as stop:
            person.tell(f"{stop}; what was read is kept")
            await at_box.enter(person, "ready:again", "Enter goes on with this step in another run (or stop)")


def _show(job: Job, made: Record, learned: learn.Learned, curves: curve.Curves, page: Path) -> None:
    rig, person = job.rig, job.at.person
    for line in summary.headline(rig, learned, curves):
        person.tell(line)
    for f in learned.findings:
        person.tell(f"LOOK AT THIS: {f.text}")
    person.show(summary.tables(rig, curves, made.old_curve_pm))
    person.tell(f"pictures and all figures: {page}")


async def _end_points(job: Job, box: Values) -> Outcome:
    """Side after side, each only if wanted. A side that has learned anew is no longer proved."""
    rig, person = job.rig, job.at.person
    made = record.begin(rig, plan.Plan((), (), (), 0.0, ()), now_unix_s=job.now_unix_s, simulated=job.simulated,
                        old_curve_pm=[])  # fmt: skip
    for n in range(len(rig.sides)):
        end_points.check(rig, box, n)
    try:
        await run.before(rig, None, made, person)
        for n, side in enumerate(rig.sides):
            if not await run.agreed(person, "learn", f"Shall the ESC of {side.name} learn its end points?", n):
                continue
            await end_points.learn(job.at, rig, n)
            made.proofs = [StopProof(n, None, None, "voltage", False, job.day)]
            kept = await keep(job.at, rig, job.sheet, made, box, (), f"The stop of {side.name} has to be proved again.")
            box = kept or box
    except run.Stopped:
        raise AnswerNo("stopped; nothing more was learned") from None
    return Outcome(box)
