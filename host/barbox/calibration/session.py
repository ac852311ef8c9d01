"""A calibration from the first lead to the record: measure, judge, fit, show, ask, write, read back, keep."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from math import sqrt
from typing import Any, Protocol

from barbox.calibration import record as rec
from barbox.calibration import steps
from barbox.calibration.budget import Point, Result, TooClose
from barbox.calibration.keep import write_and_keep
from barbox.calibration.meter import EXAMPLE, Meter, Reading, parse_reading
from barbox.calibration.sample import Sample, Sampler
from barbox.calibration.steps import Target
from barbox.calibration.suspects import Suspects
from barbox.errors import AnswerNo, UserError
from barbox.link.client import Client
from barbox.rig.keys import LEARNED_SENSE
from barbox.rig.model import Rig
from barbox.settings_text import Slot
from barbox.settings_write import Change
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


@dataclass
class Outcome:
    """What became of it."""

    results: list[Result] = field(default_factory=list)
    before: dict[int, dict[str, int]] = field(default_factory=dict)
    written: bool = False


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
            for target, point in new:
                out.results.append(await self._result(target, point, sampler))
            if not out.results:
                raise AnswerNo(f"no point was taken; {NOTHING}")
            self._talk.say(summary(out))
            todo = _changes(out)
            if self._wanted.dry_run:
                self._talk.say(NOTHING)
            elif self._wanted.yes or await self._talk.agreed(f"write {len(todo)} settings to the box?", sampler):
                await write_and_keep(self._client, todo, self._record, self._entry(out), "new calibration")
                out.written = True
            else:
                raise AnswerNo(NOTHING)
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

    async def _guided(self, sampler: Sampler, meter: Meter) -> list[tuple[Target, Point]]:
        say = self._talk.say
        say(steps.CAUTION)
        say("For each point type what the meter shows, in V or with mV; s skips a point, b goes back by one, "
            "d ends the round.")
        out: dict[int, tuple[Target, Point]] = {}  # by place in what is chosen
        before, at = None, 0
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


def _changes(out: Outcome) -> list[Change]:
    return [
        Change(Slot(ROWS[name], r.target.input), out.before[r.target.input][name], value)
        for r in out.results
        for name, value in r.settings.items()
        if out.before[r.target.input][name] != value
    ]


def summary(out: Outcome) -> str:
    """Before and after, input by input, in words."""
    lines = []
    for r in out.results:
        old, new = out.before[r.target.input], r.settings
        top = r.stated(r.top_v)
        was = "calibrated" if old["sense.calibrated"] else "not calibrated"
        kind = "gain alone" if r.gain_only else "gain and offset"
        lines += [
            "",
            f"input {r.target.input + 1}, {r.target.name}: {len(r.points)} point{'s' * (len(r.points) > 1)}, {kind}",
            f"  before: {old['sense.nv_per_count']} nV a count, {old['sense.offset_mv']:+d} mV, within "
            f"{old['sense.uncertainty_mv'] / 1000:.2f} V, {was}",
            f"  after:  {new['sense.nv_per_count']} nV a count, {new['sense.offset_mv']:+d} mV, within "
            f"{top.expanded_v:.3f} V (95 %, k = {top.factor:.2f}) near {r.top_v:.1f} V",
            f"  so it reads {_shifts(r, old)}",
        ]
        if r.odd_offset:
            lines.append(f"  {r.odd_offset}")
        if len(r.points) > 2 or (r.gain_only and len(r.points) > 1):
            residuals = zip(r.line.residuals, r.points, strict=True)
            told = ", ".join([f"{1000 * float(v):+.1f} mV at {p.volts:g} V" for v, p in residuals])
            lines.append(f"  residuals: {told}")
    return "\n".join(lines)


def _shifts(r: Result, old: Mapping[str, int]) -> str:
    """How the readings change at full charge and, with an offset, at the lowest point as well."""
    told = []
    for volts in [r.top_v] if r.gain_only else [r.top_v, min(p.volts for p in r.points)]:
        code = (volts - r.line.at(0.0)) / r.line.slope
        shift_mv = round(1000 * volts - (code * old["sense.nv_per_count"] / 1e6 + old["sense.offset_mv"]))
        much = f"{abs(shift_mv)} mV {'more' if shift_mv > 0 else 'less'}" if shift_mv else "the same"
        told.append(f"{much} near {volts:.1f} V")
    return " and ".join(told)

