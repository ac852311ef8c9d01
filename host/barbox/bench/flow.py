"""All of `barbox bench`, from the look at the box to what is written: each part is elsewhere, the order is here."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from barbox.bench import again, at_box, begin, curve, end_points, learn, plan, record, run, summary
from barbox.bench.job import END_POINTS, PROVE, Job
from barbox.bench.keep import keep
from barbox.bench.proof import StopProof
from barbox.bench.prove import Proving
from barbox.bench.record import Record
from barbox.bench.session import BenchStopped
from barbox.errors import AnswerNo, BoxError, UserError
from barbox.link.client import Refused
from barbox.rig import Rig
from shared_proto.settings import Values


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
    made = await begin.record_of(job, box)
    try:
        return await _conducted(job, box, made)
    except (run.Stopped, BoxError, asyncio.CancelledError) as why:
        kept = _kept(job, made)
        if isinstance(why, run.Stopped):
            raise AnswerNo(f"stopped; {kept}") from None
        if made.run.readings or begin.proofs_held(job, made) or isinstance(why, asyncio.CancelledError):
            job.at.person.tell(f"ended; {kept}")
        raise


def _kept(job: Job, made: Record) -> str:
    kept = []
    if made.run.readings:
        kept.append(f"{len(made.run.readings)} of {len(made.steps)} steps")
    if held := begin.proofs_held(job, made):
        kept.append(f"the stop proof of {begin.names(job, held)} (good for today)")
    if not kept:
        return "no step had been measured"
    are = "is" if not made.run.readings and len(held) == 1 else "are"
    prove = " --prove-stop" if job.what == PROVE else ""
    return f"{' and '.join(kept)} {are} in {job.record_path}: go on with `barbox bench {job.sheet}{prove} --resume`"


async def _conducted(job: Job, box: Values, made: Record) -> Outcome:
    person, rig = job.at.person, job.rig
    # A stop that did not hold, broken off or answered with a no before the box heard of it.
    lost = [p.side for p in made.proofs if not p.proved and p.side not in made.written_proofs]
    unproved = [n for n in range(len(rig.sides)) if not box.get("side.proven", n) or n in lost]
    if job.what == PROVE:
        unproved = list(range(len(rig.sides)))
    checked = not made.run.done or bool(unproved)
    if checked:
        await run.before(rig, None if job.what == PROVE or made.run.done else _left(rig, made), made, person)
    if unproved:
        box = await _prove(job, made, box, unproved)
    if job.what == PROVE:
        return Outcome(box, made)
    learned, curves, page = await _until_it_will_do(job, made, checked)
    written = await keep(job.at, rig, job.sheet, made, box, curves.sides, "")
    if written is None:
        raise AnswerNo(f"nothing was written; the run is in {job.record_path}, and `barbox bench {job.sheet} --resume` "
                       "asks again")
    made.written = True
    made.save(rig, job.record_path)
    return Outcome(written, made, learned, curves, page, True)


# -- the parts ----------------------------------------------------------------------------------------------------


async def _prove(job: Job, made: Record, box: Values, sides: Sequence[int]) -> Values:
    """The stop of these sides. Returns the settings of the box. Raises AnswerNo for a side that does not stop."""
    rig, person = job.rig, job.at.person
    held = [n for n in begin.proofs_held(job, made) if n in sides]
    if held:
        person.tell(f"the stop of {begin.names(job, held)} was proved in this run today, and is not tried again")
    if todo := [n for n in sides if n not in held]:
        person.tell(f"first the stop is proved, of {begin.names(job, todo)}: until then the box allows "
                    f"{box.get('unproven_cap_pm') / 10:g} %")
    proving = Proving(job.at, rig, job.day, job.clock)
    for n in todo:
        proof = await proving.side(n)
        made.proofs = sorted([p for p in made.proofs if p.side != n] + [proof], key=lambda p: p.side)
        made.written_proofs = [m for m in made.written_proofs if m != n]
        made.save(rig, job.record_path)
    for line in summary.proofs(rig, made):
        person.tell(line)
    try:
        kept = await keep(job.at, rig, job.sheet, made, box, (), "Stop proof.")
    except Refused:  # the box has been off since: what it has not seen it does not mark
        made.proofs = [p for p in made.proofs if p.side in made.written_proofs]
        made.save(rig, job.record_path)
        raise
    if kept is not None:
        made.written_proofs = sorted({*made.written_proofs, *[p.side for p in made.proofs]})
    made.save(rig, job.record_path)
    wrong = [p for p in made.proofs if p.side in sides and not p.proved]
    if wrong:
        p = wrong[0]
        raise AnswerNo(f"{rig.sides[p.side].name}: its stop is not proved: {p.missing()}; it stays capped at "
                       f"{box.get('unproven_cap_pm') / 10:g} %; change the ESC's settings, or the ESC, and prove it "
                       "again")  # fmt: skip
    if kept is None:
        raise AnswerNo(f"the proof was not written, so the cap stays; {_kept(job, made)}")
    return kept


def _left(rig: Rig, made: Record) -> plan.Plan:
    """The plan of the steps that will run: those of the record, and of them what is still to be measured."""
    return plan.of(rig, [made.steps[n] for n in made.run.left])


async def _until_it_will_do(job: Job, made: Record, checked: bool) -> tuple[learn.Learned, curve.Curves, Path]:
    """Measure and learn; then again whatever step is wanted again, also where nothing can be learned of the readings.
    `checked`: the checklist was gone through. Raises UserError when it stays at that."""
    person, spun_up = job.at.person, False
    while True:
        spun_up = await _measure(job, made, spun_up)
        ends: tuple[learn.Learned, curve.Curves, Path] | UserError
        try:
            ends = run.finish(job.rig, made, job.record_path)
        except UserError as error:
            ends = error
            person.tell(f"no curve comes of these readings: {error}")
        else:
            _show(job, made, *ends)
        n = await again.chosen(job.rig, made, person)
        if n is None:
            if isinstance(ends, UserError):
                raise UserError(f"{ends}; {_kept(job, made)}")
            return ends
        made.run.again(n)
        made.written, made.result = False, {}
        made.save(job.rig, job.record_path)
        if not checked:
            await run.before(job.rig, _left(job.rig, made), made, person)
            checked = True


async def _measure(job: Job, made: Record, spun_up: bool) -> bool:
    """All open steps, in as many bench runs as it takes. Returns whether fans were spun up, now or before."""
    person = job.at.person
    while not made.run.done:
        try:
            async with at_box.in_run(job.at) as session:
                if not spun_up:
                    await run.spin_up(job.rig, _left(job.rig, made), session, person)
                    spun_up = True
                await run.measure(job.rig, made, job.record_path, session, person, scale=job.scale, clock=job.clock,
                                  sleep=job.at.sleep, aside=job.aside)
        except BenchStopped as stop:
            person.tell(f"{stop}; what was read is kept")
            await run.go_on(made, person, another_run=True)
            await job.aside(made.save, job.rig, job.record_path)
    return spun_up


def _show(job: Job, made: Record, learned: learn.Learned, curves: curve.Curves, page: Path) -> None:
    rig, person = job.rig, job.at.person
    for line in summary.headline(rig, learned, curves):
        person.tell(line)
    for f in learned.findings:
        person.tell(f"LOOK AT THIS: {f.text}")
    person.show(summary.tables(rig, curves, made.old_curve_pm))
    person.tell(f"pictures and all figures: {page}")


async def _end_points(job: Job, box: Values) -> Outcome:
    """Side after side, each only if wanted. A side is no longer proved from before its ESC sees full pulse, so that
    nothing that ends it after that leaves a proof which nobody has made of the ESC as it is now."""
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
            await end_points.confirm(job.at, rig, n)
            person.tell(f"the stop of {side.name} has to be proved again, whatever comes of this: its proof is "
                        "withdrawn first")
            begin.forget_proof(job, n)
            made.proofs = [StopProof(n, None, None, "voltage", False, job.day)]
            box = await keep(job.at, rig, job.sheet, made, box, (), None) or box
            await end_points.learn(job.at, rig, n)
    except run.Stopped:
        raise AnswerNo("stopped; nothing more was learned") from None
    return Outcome(box)
