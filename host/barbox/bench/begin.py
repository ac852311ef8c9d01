"""The record that a run begins with: a new one, or that of an earlier run which goes on; and its steps."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from barbox.bench import plan, record, run
from barbox.bench.air import CARRIED, Air
from barbox.bench.job import MEASURE, PROVE, Job
from barbox.bench.plan import Step
from barbox.bench.readings import Run
from barbox.bench.record import Record
from barbox.errors import UserError
from shared_proto.settings import Values

_SAME_AIR_S = 3 * 3600
"""For so long after its beginning a run's air is taken to be the same without a word: 5 K, 2 % (own estimate)."""


async def record_of(job: Job, box: Values) -> Record:
    """The record to go on with, or a new one; an older one with readings is put aside, not overwritten.

    Raises UserError: no cap for the bench, no step below it, a record that will not do, or one with readings of other
    steps than were asked for.
    """
    path = job.record_path
    steps = _plan(job, box)
    if job.resume and not path.exists():
        raise UserError(f"{path}: is not there, so there is no run to go on with; leave --resume out")
    if path.exists() and job.resume is not False:
        old = record.load(path, job.rig)
        same = old.rig_crc == job.rig.crc
        if job.resume and not same:
            raise UserError(f"{path}: {job.sheet} was changed since that run began; begin anew with --fresh, which "
                            "puts it aside")
        if same and (job.resume or job.what == PROVE or not old.written):
            _refuse_other_steps(job, steps.steps, old)
        if same and (job.resume or await _goes_on(job, old)):
            return await _on(job, steps.steps, old)
    _put_aside(job, path)
    old_curves = [box.get("side.curve", n) for n in range(len(job.rig.sides))]
    made = record.begin(job.rig, steps, now_unix_s=job.now_unix_s, simulated=job.simulated, old_curve_pm=old_curves)
    made.instruments = replace(made.instruments, **job.instruments)
    made.air = Air(**job.air)
    return made


def _plan(job: Job, box: Values) -> plan.Plan:
    rig = job.rig
    if "bench_cap_pm" not in rig.stated:
        raise UserError(
            f"{job.sheet}: says nothing of the bench: state under [limits] the most pulse span that its ropes and "
            "anchor are good for, such as bench_cap_percent = 60, then `barbox apply` it"
        )
    return plan.make(
        rig, spans_pm=plan.SPANS_PM if job.spans_pm is None else job.spans_pm, cap_pm=box.get("bench_cap_pm"),
        longest_s=box.get("bench_step_ms") / 1000.0, rest_s=box.get("bench_rest_ms") / 1000.0,
    )  # fmt: skip


def _refuse_other_steps(job: Job, steps: Sequence[Step], old: Record) -> None:
    """Readings belong to the steps they were taken at, so these cannot change under them."""
    if job.spans_pm is None or not old.run.readings:
        return
    if [(s.side, s.span_pm) for s in steps] != [(s.side, s.span_pm) for s in old.steps]:
        raise UserError(f"{job.record_path}: is of a run with other steps, and {len(old.run.readings)} of its "
                        f"{len(old.steps)} are measured: leave --steps out to go on with it, or begin anew with "
                        "--fresh, which puts it aside")


async def _on(job: Job, steps: Sequence[Step], old: Record) -> Record:
    """The old record as it goes on. Without readings its steps are those asked for now, were any or was it not
    resumed by name."""
    if not old.run.readings and (job.spans_pm is not None or not job.resume):
        old.steps, old.run = tuple(steps), Run(len(steps))
    old.instruments = replace(old.instruments, **job.instruments)
    await _in_air(job, old)
    return old


async def _in_air(job: Job, old: Record) -> None:
    """The air of what is measured from now on; what was measured before keeps its own. Raises UserError where fan laws
    do not carry one to the other."""
    person, now, measured = job.at.person, replace(old.air, **job.air), sorted(old.run.readings)
    then = [n for n in measured if n not in old.airs]
    if then and now != old.air:
        question = (f"The steps measured so far ({len(then)}) are recorded with air of {old.air}. Is that right for "
                    f"them, and {now} only for those to come?")
        if await run.agreed(person, "air", question):
            old.airs.update(dict.fromkeys(then, old.air))
    elif job.what == MEASURE and measured and not old.run.done and not job.air and _is_old(job, old):
        person.tell(f"that run was begun {record.began(old)}, and the air is taken to be as then, {now}: where it is "
                    "not, stop, and say it with --pressure and --temperature")
    for air in [old.airs[n] for n in measured if n in old.airs]:
        if abs(air.density_kg_m3 / now.density_kg_m3 - 1.0) > CARRIED:
            raise UserError(f"{job.record_path}: has steps measured in air of {air}, and now it is {now}: readings are "
                            f"carried over {100 * CARRIED:g} % of density and no farther; go on in air like that one, "
                            "or begin anew with --fresh")
    old.air = now


def _is_old(job: Job, old: Record) -> bool:
    return job.now_unix_s - old.began_unix_s > _SAME_AIR_S


async def _goes_on(job: Job, old: Record) -> bool:
    """Asked where there is something to go on with. The stop is proved anew unless that is said: somebody may have
    changed an ESC since."""
    person, held = job.at.person, proofs_held(job, old)
    if job.what == PROVE:
        if held and not await run.agreed(person, "resume", _proved_today(job, held)):
            old.proofs = [p for p in old.proofs if p.side not in held]
        return True
    if old.written:
        return False
    if not old.run.readings:
        return not held or await run.agreed(person, "resume", _proved_today(job, held))
    where = f"{len(old.run.readings)} of {len(old.steps)} steps" if not old.run.done else "complete, and not written"
    return await run.agreed(person, "resume", f"A run of {record.began(old)} is there ({where}). Go on with it?")


def _proved_today(job: Job, held: Sequence[int]) -> str:
    return (f"The stop of {names(job, held)} was proved today, in a run that was not finished. Has nothing been "
            "changed at fans and ESCs since, so that it goes on with that?")


def names(job: Job, sides: Sequence[int]) -> str:
    """Of sides, from 0, as in a sentence."""
    return " and ".join([job.rig.sides[n].name for n in sides])


def proofs_held(job: Job, made: Record) -> list[int]:
    """Sides whose stop was proved in this run today, which the box has not got yet: a run that goes on need not prove
    it again. What has been on the box is not among them: if the box has it no more, it was taken back."""
    if made.simulated != job.simulated or made.rig_crc != job.rig.crc:
        return []
    held = [p for p in made.proofs if p.proved and p.token and p.day == job.day]
    return [p.side for p in held if p.side not in made.written_proofs]


def _put_aside(job: Job, path: Path) -> None:
    """Readings took an afternoon: record, CSV and page get another name, of one number. A damaged one is kept
    likewise. Raises UserError when that is not possible; all have their old names then."""
    n = 1
    while any([_numbered(file, n).exists() for file in record.files(path)]):
        n += 1
    moved: list[Path] = []
    for file in [file for file in record.files(path) if file.exists()]:
        try:
            file.rename(_numbered(file, n))
        except OSError as error:
            for other in moved:
                _numbered(other, n).rename(other)
            raise UserError(f"{file}: cannot be put aside as {_numbered(file, n).name} ({error.strerror})") from None
        moved.append(file)
    if moved:
        now = [f"{file.name} is now {_numbered(file, n).name}" for file in reversed(moved)]
        job.at.person.tell("the earlier run is put aside: " + ", ".join(now))


def _numbered(file: Path, n: int) -> Path:
    return file.with_name(f"{file.stem}.{n}{file.suffix}")


def forget_proof(job: Job, n: int) -> None:
    """Take the stop proof of a side out of the record, so that no run that goes on puts it back on the box."""
    path = job.record_path
    if not path.exists():
        return
    old = record.load(path, job.rig)
    if any([p.side == n for p in old.proofs]):
        old.proofs = [p for p in old.proofs if p.side != n]
        old.save(job.rig, path)
