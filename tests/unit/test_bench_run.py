"""The flow of a run: what is asked, what a slip does, how a run ends and goes on, what comes of it."""

import asyncio
import json
from dataclasses import replace

import pytest
from bench_desk import DeskSession, SimPerson, full_plan, rig, tied_plant

from barbox.bench import keep, plan, record, run
from barbox.bench.proof import StopProof
from barbox.bench.scale import ScaleLines
from barbox.errors import AnswerNo, BoxError
from barbox.rig.template import example_text
from barbox.rig.write import with_measured
from shared_proto.settings import conflict

RIG = rig()
SOME = (250, 400, 550, 700, 850, 1000)
STEPS = 2 * len(SOME)


async def _at_once(do, *args):
    do(*args)


class Bench:
    """A session, a record on disk and the flow between them."""

    def __init__(self, tmp_path, stops=None, **person):
        plant = tied_plant(RIG)
        self.person = SimPerson(plant, **person)
        self.session = DeskSession(RIG, plant, self.person, stops)
        self.plan = full_plan(RIG, spans_pm=SOME)
        self.path = tmp_path / "trike.bench.json"
        old = [s.curve_pm or () for s in RIG.sides]
        self.record = record.begin(RIG, self.plan, now_unix_s=0, simulated=False, old_curve_pm=old)
        has = {"scale": self.person.scale is not None, "clamp": self.person.clamp is not None}
        self.record.instruments = replace(self.record.instruments, **has)

    def measure(self, **options):
        options = {"aside": _at_once, "clock": lambda: self.session.clock_s, "sleep": self.session.sleep, **options}
        asyncio.run(run.measure(RIG, self.record, self.path, self.session, self.person, **options))

    def said(self, words):
        return [line for line in self.person.heard if words in line]


def test_a_whole_run_ends_in_tables_record_and_page(tmp_path):
    bench = Bench(tmp_path)
    asyncio.run(run.before(RIG, bench.plan, bench.record, bench.person))
    asyncio.run(run.spin_up(RIG, bench.plan, bench.session, bench.person))
    bench.measure()
    learned, curves, page = run.finish(RIG, bench.record, bench.path)
    assert "scale read to 0.0981 N" in page.read_text()  # typed in kgf to two decimals, and nobody has stated it
    assert bench.record.checklist["tied"] and len(bench.record.run.readings) == STEPS
    assert bench.said("12 steps, about") and bench.said("Local law")
    assert page.name == "trike.bench.html" and page.exists() and (tmp_path / "trike.bench.csv").exists()
    stored = json.loads(bench.path.read_bytes())
    assert stored["result"]["sides"][0]["curve_pm"] == list(curves.sides[0].curve_pm)
    assert max(c.error for c in curves.sides) < 0.03 and curves.apart < 0.03
    assert len(learned.sides) == 2


def test_one_no_ends_it_before_the_box_is_asked_for_anything(tmp_path):
    bench = Bench(tmp_path, answers={"fire": False})
    with pytest.raises(AnswerNo, match="extinguisher"):
        asyncio.run(run.before(RIG, bench.plan, bench.record, bench.person))
    assert bench.session.steps == 0
    assert not bench.said("Can the packs be unplugged")  # nothing is asked after a no


def test_the_wrong_fan_ends_it_at_the_spin_up(tmp_path):
    bench = Bench(tmp_path, answers={"turns": False})
    with pytest.raises(AnswerNo, match=r"left: another fan turned.*--learn-end-points\) where it only starts above"):
        asyncio.run(run.spin_up(RIG, bench.plan, bench.session, bench.person))
    assert bench.session.steps == 1


SLIPS = [
    ({("thrust", 3): "twelve"}, "is not a number"),
    ({("thrust", 3): "2.5 lbf"}, "this run reads kgf"),
    ({("thrust", 3): "2.5 A"}, "is a current"),
    ({("thrust", 3): "40 kgf"}, "was expected"),
    ({("current", 4): "1.2 V"}, "is a voltage"),
    ({("current", 5): "1900"}, "was expected"),
]


@pytest.mark.parametrize(("slips", "why"), SLIPS)
def test_a_slip_is_a_sentence_and_the_run_is_where_it_was(tmp_path, slips, why):
    clean, bench = Bench(tmp_path), Bench(tmp_path, slips=slips)
    clean.measure()
    bench.measure()
    assert len(bench.said(why)) == 1
    assert bench.session.steps == clean.session.steps == STEPS
    assert bench.record.run.in_order() == clean.record.run.in_order()


@pytest.mark.parametrize(
    ("typed", "steps", "readings"),
    [("repeat", STEPS + 1, STEPS), ("back", STEPS + 2, STEPS), ("skip", STEPS, STEPS - 1)],
)
def test_repeat_back_and_skip(tmp_path, typed, steps, readings):
    bench = Bench(tmp_path, slips={("thrust", 3): typed})
    bench.measure()
    assert (bench.session.steps, len(bench.record.run.readings)) == (steps, readings)


@pytest.mark.parametrize(
    ("slips", "at", "readings"),
    [
        ({("thrust", 3): "back", ("thrust", 4): "skip", ("thrust", 5): "stop"}, 2, [0]),  # drops what it went back to
        ({("thrust", 3): "back", ("thrust", 4): "stop"}, 1, [0, 1]),
        ({("thrust", 3): "skip", ("thrust", 4): "back", ("thrust", 5): "stop"}, 2, [0, 1]),
        ({("thrust", 4): "back", ("thrust", 5): "back", ("thrust", 7): "stop"}, 3, [0, 1, 2]),  # and on where it was
    ],
)
def test_a_run_that_was_moved_about_resumes_where_it_was(tmp_path, slips, at, readings):
    bench = Bench(tmp_path, slips=slips)
    with pytest.raises(run.Stopped):
        bench.measure()
    again = record.load(bench.path, RIG)
    assert (again.run.at, sorted(again.run.readings)) == (at, readings)
    assert again.run == bench.record.run


@pytest.mark.parametrize("how", ["typed", "box"])
def test_an_interrupted_run_resumes(tmp_path, how):
    """The person types stop, or the link dies in the 6th step: five readings are on disk, and the next run takes
    the rest.
    """
    bench = (
        Bench(tmp_path, slips={("thrust", 6): "stop"})
        if how == "typed"
        else Bench(tmp_path, stops={6: BoxError("the cable was pulled")})
    )
    with pytest.raises(run.Stopped if how == "typed" else BoxError):
        bench.measure()
    again = Bench(tmp_path)
    again.record = record.load(again.path, RIG)
    assert (again.record.run.at, len(again.record.run.readings)) == (5, 5)
    assert again.record.instruments.thrust_unit == "kgf"
    again.measure()
    assert again.session.steps == STEPS - 5 and len(again.record.run.readings) == STEPS


def test_a_step_above_what_the_box_allows_is_skipped_and_said(tmp_path):
    bench = Bench(tmp_path)
    bench.session.offer.cap_pm = [1000, 600]
    bench.measure()
    assert len(bench.said("the box allows 60 % on this side")) == 3
    assert bench.record.run.skipped == {7, 9, 11}


def test_a_step_that_was_let_go_too_early_is_repeated(tmp_path):
    bench = Bench(tmp_path)
    step, tries = bench.session.step, []

    async def short(*args):
        done = await step(*args)
        tries.append(done)
        if len(tries) == 2:
            done.means, done.ran_ms = lambda settle_s: None, 1200
        return done

    bench.session.step = short
    bench.measure()
    assert bench.said("no reading: let go at the box after 1.2 s")
    assert len(tries) == STEPS + 1 and len(bench.record.run.readings) == STEPS


def test_the_plans_rest_is_kept(tmp_path):
    bench = Bench(tmp_path)
    bench.measure()
    assert len(bench.said("motors, ESCs and packs cool")) == STEPS - 1
    between = sum(s.rest_s for s in bench.plan.steps[:-1])
    assert bench.session.clock_s >= between + 6.0 * STEPS - 1e-6


def test_neither_scale_nor_clamp(tmp_path):
    bench = Bench(tmp_path, scale=None, clamp=None)
    bench.measure()
    _, curves, page = run.finish(RIG, bench.record, bench.path)
    assert curves.sides[0].curve_pm == curves.sides[1].curve_pm
    assert "square of the pulse span" in page.read_text()


class Printing:
    """A scale that prints the plant's thrust ten times a second; `offset_n(t)` moves its zero; silent after
    `dies_s`; `says` is what it makes of a pull in N.
    """

    def __init__(self, session, offset_n=lambda t: 0.0, dies_s=1e9, says=b"%.2f N".__mod__, unit="N"):
        self.session, self.offset_n, self.dies_s, self.says = session, offset_n, dies_s, says
        self.lines = ScaleLines(unit)
        session.while_running = self.hear

    def hear(self, now_s):
        if now_s < self.dies_s:
            pull = sum(self.session.plant.thrust_n(n) for n in range(2)) + self.offset_n(now_s)
            self.lines.feed(self.says(pull) + b"\r\n", now_s)

    def mean(self, since_s, until_s=None):
        return self.lines.mean(since_s, self.session.clock_s, until_s)


def test_a_scale_that_prints_needs_no_typing_and_its_zero_is_taken_off(tmp_path):
    typed, printed = Bench(tmp_path), Bench(tmp_path)
    scale = Printing(printed.session, offset_n=lambda t: 1.5)
    typed.measure()
    printed.measure(scale=scale, clock=lambda: printed.session.clock_s)
    assert not printed.said("thrust in")
    for a, b in zip(typed.record.run.in_order(), printed.record.run.in_order(), strict=True):
        assert a.thrust_n / 1.03 == pytest.approx(b.thrust_n, rel=0.03, abs=0.5)  # the typed scale reads 3 % high


class Patient(SimPerson):
    """Stops the run at the first trouble."""

    async def ask(self, what, question, side=None):
        return "stop" if what == "next" else await super().ask(what, question, side)


@pytest.mark.parametrize(
    ("trouble", "said"),
    [
        ({"dies_s": 30.0}, "has been silent for"),
        ({"offset_n": lambda t: 0.3 * t}, "it drifts, or the rope rubs"),
        ({"says": lambda n: b"%.2f N" % -n}, "below 0: turn the scale"),
        ({"says": lambda n: b"7.31 N"}, "make a thrust of 0 N where about"),  # it stands still
        ({"says": lambda n: b"%.3f" % (n / 9.80665), "unit": "gf"}, "N was expected by the sheet"),
        ({"says": lambda n: b"%.4f kN" % (n / 1000)}, '"kN" behind its numbers, a unit that is not known'),
    ],
)
def test_a_scale_that_cannot_be_right_is_noticed(tmp_path, trouble, said):
    bench = Bench(tmp_path)
    bench.person = Patient(bench.session.plant, answers={"keep": False})
    bench.session.person = bench.person
    scale = Printing(bench.session, **trouble)
    with pytest.raises(run.Stopped):
        bench.measure(scale=scale, clock=lambda: bench.session.clock_s)
    assert bench.said(said)
    kept = len(bench.record.run.readings)
    assert bench.record.run.at == kept < STEPS  # where it was


def test_an_odd_reading_of_a_scale_can_be_kept(tmp_path):
    """The sheet's full thrust is what is wrong: a person may know better."""
    bench = Bench(tmp_path)
    bench.measure(scale=Printing(bench.session, says=lambda n: b"%.2f N" % (9 * n)))
    assert bench.said("Keep this reading all the same?")
    assert len(bench.record.run.readings) == STEPS


def test_a_slip_that_is_measured_again_is_not_held_against_the_right_reading(tmp_path):
    bench = Bench(tmp_path)
    bench.measure()
    slip = bench.record.run.readings[STEPS - 1]
    bench.record.run.readings[STEPS - 1] = replace(slip, thrust_n=slip.thrust_n / 10, current_a=slip.current_a / 10)
    bench.record.run.again(STEPS - 1)
    bench.measure()
    assert not bench.said("was expected")
    assert bench.record.run.readings[STEPS - 1].thrust_n == pytest.approx(slip.thrust_n, rel=0.1)


def test_what_goes_to_the_box_and_into_the_sheet(tmp_path):
    bench = Bench(tmp_path)
    bench.measure()
    good = StopProof(0, 0.08, 0.27, "voltage", True, "2026-06-01")
    bench.record.proofs = [good, replace(good, side=1, hold_s=2.0)]
    _, curves, _ = run.finish(RIG, bench.record, bench.path)
    box = RIG.settings()
    new = keep.wanted(box, bench.record, curves.sides)
    assert conflict(new) == ""
    assert new.get("side.curve", 1) == curves.sides[1].curve_pm
    assert new.get("side.current_da", 0) == curves.sides[0].current_da
    assert [new.get("side.proven", n) for n in (0, 1)] == [1, 0]
    same = [(a, b) for a, b in zip(box.rows, new.rows, strict=True) if a == b]
    assert len(same) == len(box.rows) - 3  # curve, current, proven
    sheet = with_measured(example_text(), "r", keep.into_sheet(bench.record, curves.sides, "r.json", {0: 1, 1: 2}))
    assert str(list(curves.sides[0].curve_pm)) in sheet and "hold_s = 0.27" in sheet


def test_a_simulated_run_does_not_go_into_a_sheet(tmp_path):
    bench = Bench(tmp_path)
    bench.record.simulated = True
    with pytest.raises(AnswerNo, match="no measurement"):
        keep.into_sheet(bench.record, [], "r.json", {})


def test_the_sheets_own_cap_bounds_the_plan():
    assert max(s.span_pm for s in plan.make(RIG).steps) == RIG.plain["bench_cap_pm"]
