"""A calibration from the first lead to the record: measure, judge, fit, show, ask, write, read back, keep."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from math import sqrt
from typing import Any, Protocol

from barbox.calibration import record as rec
from barbox.calibration import steps
from barbox.calibration.budget import OffTheLine, Point, Result, TooClose
from barbox.calibration.keep import write_and_keep
from barbox.calibration.meter import EXAMPLE, Meter, Reading, parse_reading
from barbox.calibration.outcome import Outcome, changes, summary
from barbox.calibration.sample import Sample, Sampler
from barbox.calibration.steps import Target
from barbox.calibration.suspects import Suspects
from barbox.errors import AnswerNo, UserError
from barbox.link.client import Client
from barbox.rig.keys import LEARNED_SENSE
from barbox.rig.model import Rig
from shared_proto.settings import ROWS

NOTHING = "nothing was written"
SKIP, DONE, BACK = ("s", "skip"), ("d", "done"), ("b", "back")


class Talk(Protocol):
    """How a session speaks with a person. While they think, `sampler` must be stepped, since a link that is not
    read passes for a silent box; `live` gives a line to show meanwhile, "" for none."""

    def say(self, text: str) -> None: ...

    async def ask(self, question: str, sampler: Sampler, live: Callable[[], str]) -> str: ...

    async def agreed(self, question: str, sampler: Sampler) -> bool: ...


@dataclass
class Wanted:
    """What was asked for on the command line. `readings`: by input, of the file `source` whose mark is `mark`; None
    to ask for them."""

    meter: Sequence[str] = ()
    readings: Mapping[int, Reading] | None = None
    source: str = ""
    mark: str = ""
    inputs: Sequence[int] = ()
    gain_only: bool = False
    afresh: bool = False
    yes: bool = False
    dry_run: bool = False


def now() -> str:
    """Local time with its zone, ISO 8601."""
    return datetime.now().astimezone().isoformat(timespec="seconds")


class Session:
    """One calibration of the sense inputs of one box. Raises UserError, BoxError, AnswerNo in one sentence each."""

    def __init__(self, client: Client, rig: Rig, record: rec.Record, wanted: Wanted, talk: Talk) -> None:
        self._client = client
        self._rig = rig
        self._record = record
        self._wanted = wanted
        self._talk = talk
        self._targets = steps.targets(rig)
        self._chosen = _chosen(self._targets, wanted)
        self._codes: dict[int, float] = {}
        self._as_is: dict[int, dict[str, int]] = {}  # settings that the live reading is shown with, else nominal

    async def calibrate(self) -> Outcome:
        """Measure, fit, show, ask, write, keep."""
        out = Outcome(before=await self._before())
        self._refuse_what_counts_already()
        sampler = Sampler(self._client, [t.input for t in self._targets])
        try:
            meter = await self._meter(sampler)
            new = await self._points(sampler, meter)
            while True:
                out.results = []
                try:
                    for target, point in new:
                        out.results.append(await self._result(target, point, sampler))
                except OffTheLine as error:
                    if self._wanted.readings is not None:
                        raise
                    self._talk.say(error.reason)
                    new = await self._guided(sampler, meter, new[: len(out.results) + 1])
                    continue
                if not out.results:
                    raise AnswerNo(f"no point was taken; {NOTHING}")
                self._talk.say(summary(out))
                todo = changes(out)
                if self._wanted.dry_run:
                    self._talk.say(NOTHING)
                    return out
                if self._wanted.yes or await self._may_write(len(todo), sampler):
                    break
                new = await self._guided(sampler, meter, new)
            await write_and_keep(self._client, todo, self._record, self._entry(out), "new calibration")
            out.written = True
        finally:
            sampler.close()
        return out

    async def verify(self) -> list[dict[str, Any]]:
        """Compare the box as it is with new readings: a row for each input, with the normalised error."""
        before = await self._before()
        self._as_is = {n: box for n, box in before.items() if box["sense.calibrated"]}
        sampler = Sampler(self._client, [t.input for t in self._targets])
        try:
            meter = await self._meter(sampler)
            return [self._compare(t, p, before[t.input]) for t, p in await self._points(sampler, meter)]
        finally:
            sampler.close()

    # -- the box as it is -----------------------------------------------------------------------------------------

    async def _before(self) -> dict[int, dict[str, int]]:
        who, rig = self._client.identity, self._rig
        if who.board != rig.board.name:
            raise UserError(f"{rig.source}: rig.board is {rig.board.name}, and this box is a {who.board}; {NOTHING}")
        if who.rig != rig.name:
            raise UserError(
                f"{rig.source}: is of rig {rig.name}, and the box has {who.rig or 'no rig'}: `barbox apply` it first; "
                f"{NOTHING}"
            )
        before = {}
        for t in self._targets:
            is_at = await self._get("sense.cells", t.input), await self._get("sense.kind", t.input)
            if is_at != (t.cells, 0):
                raise UserError(
                    f"{rig.source}: input {t.input + 1} is the {t.name}, and the box has something else there: "
                    f"`barbox apply` the sheet first; {NOTHING}"
                )
            before[t.input] = {name: await self._get(name, t.input) for name in LEARNED_SENSE}
        return before

    async def _get(self, name: str, index: int) -> int:
        return await self._client.get_setting(ROWS[name], index)

    # -- readings -------------------------------------------------------------------------------------------------

    async def _meter(self, sampler: Sampler) -> Meter:
        if self._wanted.meter:
            return Meter.parse(self._wanted.meter)
        if self._wanted.readings is not None:
            raise UserError(f"say how accurate the meter is, with --meter, as in {EXAMPLE}; {NOTHING}")
        self._talk.say(
            f"How accurate is the meter on its DC volts range? From its data sheet, such as {EXAMPLE}: per cent of the "
            "reading, digits, range, and what its last digit stands for in V."
        )
        while True:
            text = await self._talk.ask("accuracy of the meter: ", sampler, str)
            try:
                return Meter.parse([text])
            except UserError as error:
                self._talk.say(str(error))

    async def _points(self, sampler: Sampler, meter: Meter) -> list[tuple[Target, Point]]:
        samples = await sampler.collect([t.input for t in self._targets])
        self._codes = {n: s.code for n, s in samples.items()}
        if self._wanted.readings is None:
            return await self._guided(sampler, meter)
        out = []
        for t in self._chosen:
            try:
                out.append((t, self._point(t, self._wanted.readings[t.input], samples[t.input], meter)))
            except UserError as error:
                raise UserError(f"{self._wanted.source}, {t.side},{t.cells}: {error}; {NOTHING}") from None
        return out

    async def _guided(
        self, sampler: Sampler, meter: Meter, taken: Sequence[tuple[Target, Point]] = ()
    ) -> list[tuple[Target, Point]]:
        """A round of questions, or its end again: from the last of the points that it has `taken`."""
        say = self._talk.say
        out = {self._chosen.index(t): (t, point) for t, point in taken}  # by place in what is chosen
        before, at = None, 0
        if out:
            at = max(out)
            del out[at]
        else:
            say(steps.CAUTION)
            say("For each point type what the meter shows, in V or with mV; s skips a point, b goes back by one, "
                "d ends the round.")
        while at < len(self._chosen):
            t = self._chosen[at]
            say("")
            say(steps.where(t, before))
            before = t
            sampler.clear()
            answer = await self._asked(sampler, t, meter)
            if answer in DONE:
                break
            if answer in BACK:
                if at:
                    at -= 1
                    out.pop(at, None)
                else:
                    say("  this is the first")
                continue
            if isinstance(answer, Point):
                out[at] = (t, answer)
            at += 1
        return list(out.values())

    async def _asked(self, sampler: Sampler, t: Target, meter: Meter) -> Point | str:
        """A point that can be believed, or one of the words."""
        while True:
            text = await self._talk.ask("  the meter shows: ", sampler, lambda: self._live(sampler, t))
            if text.lower() in (*DONE, *SKIP, *BACK):
                return text.lower()
            try:
                reading = parse_reading(text)
                sample = (await sampler.collect([t.input]))[t.input]
                self._codes[t.input] = sample.code
                return self._point(t, reading, sample, meter)
            except UserError as error:
                self._talk.say(f"  {error}")
                sampler.clear()

    def _live(self, sampler: Sampler, target: Target) -> str:
        box = self._as_is.get(target.input)
        who = "box" if box else "box, uncalibrated"
        so_far = sampler.so_far(target.input)
        if so_far is None:
            return f"  {who}: -"
        count_v = (box["sense.nv_per_count"] if box else target.nominal_nv) / 1e9
        volts = so_far.code * count_v + (box["sense.offset_mv"] / 1000 if box else 0.0)
        return f"  {who}: {volts:.3f} V, noise {1000 * so_far.sd * count_v:.1f} mV, {so_far.readings} readings"

    def _point(self, target: Target, reading: Reading, sample: Sample, meter: Meter) -> Point:
        if not sample.steady(self._rig.board.code_step):
            moved_mv = sample.moved * target.nominal_nv / 1e6
            raise UserError(
                f"{target.name}: the voltage moved by {moved_mv:+.0f} mV while it was read: let the packs rest and "
                "measure again"
            )
        suspects = Suspects(self._targets, self._codes, self._rig.board)
        wrong = suspects.judge(target, reading, meter.likely_range(reading))
        if wrong:
            raise UserError(wrong)
        used = meter.range_of(reading)
        return Point(now(), reading.volts, used, sample, self._wanted.mark)

    async def _may_write(self, count: int, sampler: Sampler) -> bool:
        """A yes; False for a person who wants to take the last point again. Raises AnswerNo for a no."""
        question = f"write {count} settings to the box?"
        if self._wanted.readings is not None:
            text = "y" if await self._talk.agreed(question, sampler) else ""
        else:
            text = await self._talk.ask(f"{question} b takes the last point again [y/N/b]: ", sampler, str)
        if text.lower() not in ("y", "yes", *BACK):
            raise AnswerNo(NOTHING)
        return text.lower() not in BACK

    # -- fit and write ----------------------------------------------------------------------------------------------

    async def _result(self, target: Target, point: Point, sampler: Sampler) -> Result:
        earlier = [] if self._wanted.afresh else self._record.points(self._client.identity.serial, target)
        if earlier:
            self._talk.say(f"{target.name}: {_earlier(earlier)} added; --afresh leaves them out")
        points = [*earlier, point]
        try:
            return Result(target, self._rig.board, points, self._wanted.gain_only)
        except TooClose as error:
            if self._wanted.readings is not None:
                raise
            self._talk.say(error.reason)
            if not await self._talk.agreed("fit the gain alone with these points?", sampler):
                raise AnswerNo(NOTHING) from None
        return Result(target, self._rig.board, points, True)

    def _refuse_what_counts_already(self) -> None:
        """A file of readings that is given twice would count twice, and its errors for less than they are."""
        if not self._wanted.mark or self._wanted.afresh:
            return
        serial = self._client.identity.serial
        days = set()
        inputs = []
        for t in self._chosen:
            counted = [p.day for p in self._record.points(serial, t) if p.file == self._wanted.mark]
            days.update(counted)
            inputs += [str(t.input + 1)] * bool(counted)
        if inputs:
            one = len(inputs) == 1
            what = f"reading{'s' * (not one)} of input{'s' * (not one)} {_listed(inputs)} {'was' if one else 'were'}"
            raise UserError(
                f"{self._wanted.source}: its {what} counted on {_listed(sorted(days))} already, and a file counts "
                "once: measure anew (a line that begins with # may say when), or leave the earlier points out with "
                f"--afresh; {NOTHING}"
            )

    def _entry(self, out: Outcome) -> dict[str, Any]:
        who = self._client.identity
        inputs = [rec.result_json(r, out.before[r.target.input]) for r in out.results]
        return rec.entry("sense", now(), who.serial, who.board, self._rig.name, inputs=inputs)

    # -- verify -------------------------------------------------------------------------------------------------------

    def _compare(self, target: Target, point: Point, box: Mapping[str, int]) -> dict[str, Any]:
        volts = point.volts
        box_v = (point.sample.code * box["sense.nv_per_count"] / 1e6 + box["sense.offset_mv"]) / 1000
        latest = self._record.latest(self._client.identity.serial, target)
        since = None
        own_v = box["sense.uncertainty_mv"] / 1000
        if latest and latest["after"] == dict(box):
            points = self._record.points(self._client.identity.serial, target)
            own_v = Result(target, self._rig.board, points, latest["gain_only"]).stated(volts).expanded_v
            since = points[-1].date
        meter_v = point.range.expanded_v(volts)
        error = abs(box_v - volts) / sqrt(own_v**2 + meter_v**2)
        return {
            "input": target.input + 1,
            "name": target.name,
            "box_v": round(box_v, 4),
            "meter_v": volts,
            "difference_mv": round(1000 * (box_v - volts), 1),
            "box_expanded_mv": round(1000 * own_v, 1),
            "meter_expanded_mv": round(1000 * meter_v, 1),
            "normalised_error": round(error, 3),
            "holds": error <= 1,
            "calibrated": bool(box["sense.calibrated"]),
            "calibrated_on": since,
        }


def _chosen(targets: Sequence[Target], wanted: Wanted) -> list[Target]:
    known = [t.input for t in targets]
    for n in wanted.inputs:
        if n not in known:
            raise UserError(
                f"--input {n + 1}: no sense point of the rig; these are: {', '.join([str(k + 1) for k in known])}"
            )
    among = wanted.inputs or known
    if wanted.readings is not None:
        among = [n for n in among if n in wanted.readings]
        if not among:
            raise UserError(f"{wanted.source}: has no reading for the inputs of --input; {NOTHING}")
    return [t for t in targets if t.input in among]


def _listed(words: Sequence[str]) -> str:
    return " and ".join(filter(None, [", ".join(words[:-1]), *words[-1:]]))


def _earlier(points: Sequence[Point]) -> str:
    days = sorted({p.day for p in points})
    when = days[0] if len(days) == 1 else f"{days[0]} to {days[-1]}"
    return f"{len(points)} earlier point{'s' if len(points) > 1 else ''} of {when}"
