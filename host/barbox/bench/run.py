"""The flow of a run: questions, spin-up, step after step with its reading, and what comes of it.

It talks to three things, each behind a small class: the box (`Bench`), the person (`Person`), a scale that prints
(`Scale`). The record is on disk after every reading, so whatever ends a run, the next one goes on where it was.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from dataclasses import replace
from pathlib import Path
from time import monotonic
from typing import Any, NamedTuple, Protocol

from barbox.bench import curve, learn, page, summary
from barbox.bench.checklist import CAUTIONS, QUESTIONS, refusal, yes
from barbox.bench.plan import LEAST_MEASURE_S, MEASURE_S, SETTLE_S, Plan, Step
from barbox.bench.readings import (
    CURRENT,
    THRUST,
    Expected,
    Reading,
    expected_by,
    odd_thrust,
    read_current,
    read_thrust,
)
from barbox.bench.record import Record
from barbox.bench.scale import Mean, net
from barbox.errors import AnswerNo, UserError
from barbox.files import write_whole
from barbox.rig import Rig
from shared_proto.messages import NOT_KNOWN_MV

_LET_GO_S = 0.5  # the last moments of a step are not measured: somebody lets go
_ZERO_S = 1.0
_RUN_DOWN_S = 4.0  # a rotor that runs down still pulls a little (common practice, no source)

WORDS = "back, skip, repeat, stop"


class Bench(Protocol):
    """A bench run on a box: `barbox.bench.session.Session`, or what stands in for it."""

    @property
    def offer(self) -> Any:
        """What the box allows: `cap_pm` of each side, `low_pm`, `step_ms`, `rest_ms`."""
        ...

    async def step(self, side: int, pulse_pm: int, time_s: float | None = None) -> Any:
        """Ready a step of `side` (from 1), wait until it was held and is over. The result has `before` (a status),
        `means(settle_s)`, `ended` (plain words) and `ran_ms`."""
        ...


class Person(Protocol):
    """Whoever runs the bench."""

    async def ask(self, what: str, question: str, side: int | None = None) -> str:
        """What they type. `what` says which question it is: "check:KEY", "turns", "thrust", "current", "keep"
        (an odd reading), "next" (a word of `WORDS`), "ready:again" (that, or Enter), other "ready:..." (only Enter is
        wanted), "again" (a step, or Enter), "ear" (Enter at the moment), and the questions of `barbox.bench.flow`.
        Raises Stopped when there is nobody any more."""
        ...

    def tell(self, line: str) -> None:
        """Say something to them."""
        ...

    def show(self, table: summary.Table) -> None:
        """Show a table to them."""
        ...


class Scale(Protocol):
    """A scale that prints."""

    def mean(self, since_s: float, until_s: float | None = None) -> Mean:
        """Mean thrust between two moments of `monotonic`."""
        ...


class Stopped(Exception):
    """The person wants to stop; the record is kept."""


async def before(rig: Rig, plan: Plan | None, record: Record, person: Person) -> None:
    """Cautions, plan (None: there are no measured steps) and checklist. Raises AnswerNo when something is not so:
    nothing has been asked of the box."""
    for line in [*CAUTIONS, *([*plan.cautions, *summary.plan_lines(rig, plan)] if plan else [])]:
        person.tell(line)
    if plan:
        person.show(summary.plan_table(rig, plan))
    for q in QUESTIONS:
        record.checklist[q.key] = await agreed(person, f"check:{q.key}", q.text)
        if not record.checklist[q.key]:
            raise refusal(q)


async def spin_up(rig: Rig, plan: Plan, bench: Bench, person: Person) -> None:
    """Each side at the lowest step: the right fan turns and pushes backwards. Raises AnswerNo."""
    for n in range(len(rig.sides)):
        lowest = min([s for s in plan.steps if s.side == n], key=lambda s: s.span_pm, default=None)
        if lowest is not None:
            await spin_up_side(rig, n, min(lowest.span_pm, bench.offer.low_pm), lowest.hold_s, bench, person)


async def spin_up_side(rig: Rig, n: int, span_pm: int, hold_s: float, bench: Bench, person: Person) -> None:
    """One side, from 0. Raises AnswerNo."""
    name = rig.sides[n].name
    while True:
        person.tell(
            f"spin-up of {name} at {span_pm / 10:g} %: hold the lever past half, or the arm button, for a second; "
            "then let go"
        )
        done = await bench.step(n + 1, span_pm, hold_s)
        if done.ran_ms:
            break
        person.tell(f"the step did not run: {done.ended}")
    if not await agreed(person, "turns", f"Did the fan of {name}, and no other, turn and blow backwards?", n):
        raise AnswerNo(
            f"{name}: another fan turned, none, or the wrong way round: look at the signal wires, swap two motor "
            "leads where it turned backwards, and let the ESC learn its end points (--learn-end-points) where it only "
            f"starts above {span_pm / 10:g} %; then begin again"
        )


async def measure(
    rig: Rig,
    record: Record,
    path: Path,
    bench: Bench,
    person: Person,
    *,
    scale: Scale | None = None,
    clock: Callable[[], float] = monotonic,
    sleep: Callable[[float], Awaitable[None]] = asyncio.sleep,
    aside: Callable[..., Awaitable[object]] = asyncio.to_thread,
) -> None:
    """All steps that are open. Raises Stopped, and whatever `bench` raises when its run is over. `aside` runs what may
    take its time, a disk's, beside the event loop: the box must hear beats all the while.

    The plan's rest after a step is kept, in which a person types; the box keeps its own least rest besides.
    """
    run = record.run
    rested_s = 0.0
    if scale is not None:
        await sleep(_RUN_DOWN_S)
    while not run.done:
        if (left_s := rested_s - clock()) > 0:
            person.tell(f"rest for {left_s:.0f} s: motors, ESCs and packs cool")
            await sleep(left_s)
        step = record.steps[run.at]
        cap_pm = bench.offer.cap_pm[step.side]
        if step.span_pm > cap_pm:
            person.tell(f"{_place(rig, record, step)}: skipped, the box allows {cap_pm / 10:g} % on this side")
            run.skip()
            await aside(record.save, rig, path)
            continue
        person.tell(
            f"{_place(rig, record, step)}: about {_rough(step.expected_n)} N and {_rough(step.expected_a)} A. "
            f"Hold the lever past half, or the arm button, for {step.hold_s:.0f} s; then let go and write down"
        )
        try:
            reading = await _one(rig, record, step, bench, person, scale, clock, sleep)
        except _Again as again:
            person.tell(str(again))
            await go_on(record, person)
            await aside(record.save, rig, path)
            continue
        except _Moved:
            await aside(record.save, rig, path)  # a reading that was dropped does not come back
            continue
        finally:
            rested_s = clock() + step.rest_s  # counted from the reading, so that hurried typing shortens nothing
        record.take(reading)
        await aside(record.save, rig, path)


class _Again(Exception):
    """The step gave no reading; why."""


class _Moved(Exception):
    """The person went to another step."""


async def _one(
    rig: Rig,
    record: Record,
    step: Step,
    bench: Bench,
    person: Person,
    scale: Scale | None,
    clock: Callable[[], float],
    sleep: Callable[[float], Awaitable[None]],
) -> Reading:
    zero = _zero(scale, clock)
    done = await bench.step(step.side + 1, step.span_pm, step.hold_s)
    ended_s = clock()
    if scale is not None:  # and its zero is looked at again
        await sleep(_RUN_DOWN_S)
    means = done.means(SETTLE_S)
    if means is None or means.seconds < LEAST_MEASURE_S / 2:
        raise _Again(f"no reading: {done.ended or 'it ended'} after {done.ran_ms / 1000:.1f} s, and it takes "
                     f"{step.hold_s:.0f} s")
    side = rig.sides[step.side]
    inputs = [p.input - 1 for p in side.sense]
    rest_v = tuple([_volts(done.before.section_mv[n]) for n in inputs])
    load_v = tuple([means.section_v[n] for n in inputs])
    spans = {s.number: s.span_pm / 1000.0 for s in record.steps}
    others = [r for r in record.run.in_order() if r.step != step.number]  # what is measured again may have been a slip
    expected = expected_by(others, step.side, step.span_pm / 1000.0, spans, step.expected)
    pull = await _thrust(record, step, person, scale, zero, ended_s, clock, expected)
    if side.current_sensor:
        current_a, odd_a = means.current_a[step.side], False
    else:
        current_a, odd_a = await _current(record, step, person, expected)
    kept = tuple([what for what, odd in ((THRUST, pull.kept), (CURRENT, odd_a)) if odd])
    return Reading(step.number, step.side, step.pulse_us, rest_v, load_v, pull.thrust_n, current_a, pull.typed, kept,
                   pull.step_n)


def _zero(scale: Scale | None, clock: Callable[[], float]) -> Mean | None:
    if scale is None:
        return None
    try:
        return scale.mean(clock() - _ZERO_S)
    except UserError as error:
        raise _Again(str(error)) from None


class _Pull(NamedTuple):
    """Thrust, as it was typed; see `Reading`."""

    thrust_n: float | None = None
    typed: str = ""
    kept: bool = False
    step_n: float | None = None


async def _thrust(
    record: Record,
    step: Step,
    person: Person,
    scale: Scale | None,
    zero: Mean | None,
    ended_s: float,
    clock: Callable[[], float],
    expected: Expected,
) -> _Pull:
    if scale is not None and zero is not None:
        return await _printed(record, step, person, scale, zero, ended_s, clock, expected)
    if not record.instruments.scale:
        return _Pull()
    unit = record.instruments.thrust_unit
    while True:
        typed = await person.ask("thrust", f"thrust{f' in {unit}' if unit else ', with its unit'} ({WORDS})", step.side)
        _word(record, typed)
        try:
            read = read_thrust(typed, record.instruments.resolved(record.run.in_order()), expected)
        except UserError as error:
            person.tell(str(error))
            continue
        record.instruments = replace(record.instruments, thrust_unit=read.unit)
        return _Pull(read.value, typed, read.kept, read.step)


async def _printed(
    record: Record,
    step: Step,
    person: Person,
    scale: Scale,
    zero: Mean,
    ended_s: float,
    clock: Callable[[], float],
    expected: Expected,
) -> _Pull:
    try:
        seen = scale.mean(ended_s - MEASURE_S, ended_s - _LET_GO_S)
        instruments = record.instruments.resolved(record.run.in_order(), seen.step_n)
        thrust_n = net(seen, zero, scale.mean(clock() - _ZERO_S), instruments.step_n, step.full_n)
    except UserError as error:
        raise _Again(str(error)) from None
    odd = odd_thrust(thrust_n, instruments, expected)
    if odd:
        person.tell(odd.text)
        if not await agreed(person, "keep", "Keep this reading all the same?", step.side):
            raise _Again("the reading was not kept")
    return _Pull(thrust_n, f"{seen.lines} lines of the scale", bool(odd and odd.by_plan), seen.step_n)


async def _current(record: Record, step: Step, person: Person, expected: Expected) -> tuple[float | None, bool]:
    if not record.instruments.clamp:
        return None, False
    while True:
        typed = await person.ask("current", f"current in A ({WORDS})", step.side)
        _word(record, typed)
        try:
            read = read_current(typed, record.instruments, expected)
        except UserError as error:
            person.tell(str(error))
        else:
            return read.value, read.kept


async def go_on(record: Record, person: Person, another_run: bool = False) -> None:
    """After a step without a reading: to where the person wants it to go on. `another_run`: the bench run is over, and
    Enter goes on with the step in another. Raises Stopped."""
    step = f"step {record.run.at + 1}"
    what, again, question = "next", "repeat", f"{step}: repeat, back, skip or stop?"
    if another_run:
        what, again = "ready:again", "Enter"
        question = f"Enter goes on with {step} in another run (or back, skip, stop)"
    while True:
        typed = (await person.ask(what, question)).strip()
        if another_run and not typed:
            return
        try:
            _word(record, typed)
        except _Moved:
            return
        person.tell(f'"{typed}" is none of {again}, back, skip, stop')


def _word(record: Record, typed: str) -> None:
    """Carry out a word in place of a reading. Raises _Moved or Stopped when it was one."""
    word = typed.strip().lower()
    if word == "stop":
        raise Stopped
    try:
        if word == "back":
            record.run.back()
        elif word == "skip":
            record.run.skip()
    except UserError:
        pass  # at the first step there is nothing before it: it is repeated
    if word in ("back", "skip", "repeat"):
        raise _Moved


def _place(rig: Rig, record: Record, step: Step) -> str:
    side = rig.sides[step.side].name
    return f"step {step.number + 1} of {len(record.steps)}, {side} at {step.span_pm / 10:g} % ({step.pulse_us} us)"


def _rough(value: float) -> str:
    return f"{value:.{0 if value >= 10 else 1}f}"


def _volts(mv: int) -> float | None:
    return None if mv == NOT_KNOWN_MV else mv / 1000.0


async def agreed(person: Person, what: str, question: str, side: int | None = None) -> bool:
    """A typed yes or no, asked until it is one of both."""
    while True:
        try:
            return yes(await person.ask(what, question, side))
        except UserError as error:
            person.tell(str(error))


def finish(rig: Rig, record: Record, path: Path) -> tuple[learn.Learned, curve.Curves, Path]:
    """Learn, make the tables, and write record and page. Returns both and the page's path. Raises UserError."""
    learned = learn.learn(rig, record.in_one_air(), record.instruments, record.air)
    curves = curve.make(rig, learned)
    record.result = summary.as_dict(rig, learned, curves)
    record.save(rig, path)
    page_path = path.with_suffix(".html")
    write_whole(page_path, page.page(rig, record, learned, curves))
    return learned, curves, page_path
