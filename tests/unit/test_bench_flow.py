"""The flow of `barbox bench` around the measuring: which record goes on, what it runs, and what is kept."""

import asyncio
import re
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import pytest
from bench_flow_desk import PROVED, UNPROVED, FlowDesk, Square

from barbox.bench import plan, record, run, summary
from barbox.bench.air import Air
from barbox.bench.job import END_POINTS, MEASURE, PROVE
from barbox.bench.session import BenchStopped
from barbox.bench.sim_person import SimPerson
from barbox.errors import AnswerNo, BoxError, UserError
from barbox.records import Status
from barbox.rig import load

STOP_AT_TWO = {"slips": {("thrust", 2): "stop"}}


@pytest.fixture
def desk(monkeypatch, tmp_path):
    return lambda *args: FlowDesk(monkeypatch, tmp_path, *args)


def ends(it, error=AnswerNo, **job):
    with pytest.raises(error) as why:
        it.run(**job)
    return str(why.value)


# The steps of a run that goes on.


@pytest.mark.parametrize(
    ("job", "pm"), [({"spans_pm": (300,)}, 300), ({"spans_pm": (300,), "resume": True}, 300), ({"resume": True}, 1000)]
)
def test_a_record_without_readings_takes_the_steps_asked_for_now(desk, job, pm):
    """As after a stop proof: what is shown, what runs and what is in the record are of one kind."""
    it = desk()
    steps = plan.make(it.rig, spans_pm=(1000,))
    record.begin(it.rig, steps, now_unix_s=0, simulated=False, old_curve_pm=[(), ()]).save(it.rig, it.path)
    ends(it, **job, person=STOP_AT_TWO)
    assert it.steps == [(0, pm), (1, pm)] and it.said("2 steps, about")
    assert [s.span_pm for s in it.record.steps] == [pm, pm]


@pytest.mark.parametrize("resume", [None, True])
def test_readings_refuse_other_steps(desk, resume):
    it = desk()
    ends(it, spans_pm=(300, 1000), person=STOP_AT_TWO)
    why = ends(it, UserError, spans_pm=(400,), resume=resume)
    assert re.search("other steps, and 1 of its 4 are measured.*--fresh", why)
    assert not it.did and it.person.heard == []
    it.run(spans_pm=(300, 1000), resume=resume)
    assert it.steps == [(1, 300), (0, 1000), (1, 1000)]


def test_plan_and_cautions_are_of_the_steps_that_run(desk):
    it = desk()
    ends(it, spans_pm=(300, 400), person={"slips": {("thrust", 4): "stop"}})
    it.run(resume=True)
    assert it.steps == [(1, 400)]
    assert it.said("1 step, about") and it.said("left: 0 Wh, 0 % of its string's charge")
    assert it.said("rope, anchor and scale carry 10 N of one fan")  # 65 N * 0.4^2


# A stop proof that was broken off.


def proved(it):
    return [n for what, n in [d for d in it.did if d[0] == "prove"]]


@pytest.mark.parametrize("how", [BoxError("the cable was pulled"), asyncio.CancelledError(), run.Stopped()])
@pytest.mark.parametrize(("what", "words"), [(MEASURE, ""), (PROVE, " --prove-stop")])
def test_a_proof_that_was_made_is_kept_when_the_next_is_broken_off(desk, what, words, how):
    it = desk(UNPROVED)
    it.at_proof = {1: how}
    with pytest.raises(BaseException) as why:
        it.run(what=what, spans_pm=(300,))
    told = [*it.person.heard, str(why.value)]
    go_on = f"the stop proof of left (good for today) is in {it.path}: go on with `barbox bench {it.sheet}{words} --res"
    assert proved(it) == [0] and len([line for line in told if go_on in line]) == 1
    it.run(what=what, resume=True)
    assert it.said("the stop of left was proved in this run today") and it.said("first the stop is proved, of right")
    assert proved(it) == [1] and [it.box.get("side.proven", n) for n in (0, 1)] == [1, 1]
    assert None not in [side.proof for side in load(it.sheet).sides]


def test_it_is_made_anew_on_another_day_or_where_something_was_changed(desk):
    it = desk(UNPROVED)
    it.at_proof = {1: run.Stopped()}
    ends(it)
    it.at_proof = {1: run.Stopped()}
    ends(it, resume=True, day="2026-06-02")
    assert proved(it) == [0]
    it.at_proof = {1: run.Stopped()}
    ends(it, day="2026-06-02", person={"answers": {"resume": False}})
    assert it.said("Has nothing been changed at fans and ESCs") and proved(it) == [0]
    it.at_proof = {1: run.Stopped()}
    ends(it, day="2026-06-02", what=PROVE, person={"answers": {"resume": False}})
    assert proved(it) == [0]
    it.at_proof = {1: run.Stopped()}
    it.run(what=END_POINTS, day="2026-06-02", person={"slips": {("learn", 2): "no"}})
    ends(it, day="2026-06-02", resume=True)
    assert proved(it) == [0]


def test_a_proof_that_was_taken_back_from_the_box_does_not_come_back(desk):
    it = desk(UNPROVED)
    it.run(what=PROVE)
    it.box.put("side.proven", 0, 0)
    ends(it, resume=True, person=STOP_AT_TWO)
    assert proved(it) == [0]


def test_a_proof_that_the_box_has_not_seen_since_it_was_off_is_made_anew(desk):
    it = desk(UNPROVED)
    it.at_proof = {1: run.Stopped()}
    ends(it)
    it.off_since = True
    assert "has not itself seen this stop" in ends(it, BoxError, resume=True)
    assert [it.box.get("side.proven", n) for n in (0, 1)] == [0, 0] and it.record.proofs == []
    it.off_since = False
    it.run(what=PROVE, resume=True)
    assert proved(it) == [0, 1] and [it.box.get("side.proven", n) for n in (0, 1)] == [1, 1]


def test_a_proof_that_was_lost_is_not_forgotten_by_a_no(desk):
    it = desk()
    it.hold_s = 2.0
    assert "held its last command" in ends(it, what=PROVE, person={"answers": {"write": False}})
    it.hold_s = 0.27
    ends(it, person=STOP_AT_TWO)  # the box has still the old one
    assert proved(it) == [0, 1]


# End points.


@pytest.mark.parametrize("step", [1, 2])  # the quiet one, the one of full pulse
def test_a_proof_is_withdrawn_before_the_full_pulse_and_stays_so(desk, step):
    it = desk()
    made = record.begin(it.rig, plan.make(it.rig), now_unix_s=0, simulated=False, old_curve_pm=[(), ()])
    made.proofs = [PROVED, replace(PROVED, side=1)]
    made.save(it.rig, it.path)
    it.at_step = {step: BoxError("the cable was pulled")}
    ends(it, BoxError, what=END_POINTS)
    assert it.did.index(("write", "side1.proven", 0)) < it.did.index(("run",))
    assert [it.box.get("side.proven", n) for n in (0, 1)] == [0, 1]
    assert [side.proof is None for side in load(it.sheet).sides] == [True, False]
    assert it.box.get("rig_crc") == load(it.sheet).crc
    assert [p.side for p in it.record.proofs] == [1]  # no run that goes on brings it back


def test_nothing_is_withdrawn_before_it_is_confirmed(desk):
    it = desk()
    ends(it, what=END_POINTS, person={"slips": {("confirm:0", 1): "stop"}})
    assert it.did == [] and it.box.get("side.proven", 0) == 1


def test_the_step_without_a_fan_must_fit_below_the_cap_of_an_unproved_side(desk):
    it = desk()
    it.box.put("unproven_cap_pm", 200)
    assert "20 % on the bench without a stop proof" in ends(it, UserError, what=END_POINTS)


# A step that is measured again after the last.


def test_a_step_can_be_measured_again_before_the_curve_is_written(desk):
    it = desk()
    it.run(spans_pm=(300, 400), person={"slips": {("again", 1): "5", ("again", 2): "two", ("again", 3): " 2 "}})
    assert it.steps == [(0, 300), (1, 300), (0, 400), (1, 400), (1, 300)]
    assert it.said('"5" is no step from 1 to 4') and it.said('"two" is no step')
    assert it.said("2  right  30 %  6") and len(it.said("spin-up of right")) == 1
    assert [d for d in it.did if d[0] in ("show", "write")][:2] == [("show",), ("show",)]
    assert it.record.run.done and it.record.written


def test_it_can_be_where_no_curve_comes_of_the_readings(desk):
    it = desk()
    it.finish = [UserError("left: thrust was read at 1 step, and a curve takes 3"), None]
    it.run(spans_pm=(300,), person={"slips": {("again", 1): "1"}})
    assert it.steps == [(0, 300), (1, 300), (0, 300)] and it.said("no curve comes of these readings: left: thrust")
    it.finish = [UserError("too few")]
    why = ends(it, UserError, resume=True)
    assert why.startswith("too few; 2 of 2 steps are in") and "--resume" in why


def test_a_whole_run_that_is_resumed_asks_the_checklist_before_a_step(desk):
    it = desk()
    ends(it, spans_pm=(300, 400), person={"answers": {"write": False}})
    ends(it, resume=True, person={"answers": {"fire": False}, "slips": {("again", 1): "4"}})
    assert it.steps == []
    it.run(resume=True)  # which still measures it: that is on disk
    assert it.steps == [(1, 400)] and it.said("1 step, about") and it.record.written
    it.run(resume=True)
    assert it.steps == [] and not it.said("Local law")


# A run that is put aside.


def test_record_csv_and_page_are_put_aside_under_one_number(desk, monkeypatch):
    it = desk()
    it.run(spans_pm=(300,))
    page = it.path.with_suffix(".html")
    page.write_text("of the first")
    first = it.path.read_bytes()
    it.path.with_name("trike.bench.1.csv").write_text("somebody's")
    rename = Path.rename

    def refuses(path, to):
        if path == it.path:
            raise PermissionError(13, "Permission denied")
        return rename(path, to)

    with monkeypatch.context() as patch:
        patch.setattr(Path, "rename", refuses)
        assert "cannot be put aside as trike.bench.2.json (Permission denied)" in ends(it, UserError, resume=False)
    assert it.path.read_bytes() == first and page.exists() and not it.steps
    ends(it, spans_pm=(400,), resume=False, person=STOP_AT_TWO)
    assert it.said("trike.bench.json is now trike.bench.2.json, trike.bench.html is now trike.bench.2.html")
    assert sorted(file.name for file in it.path.parent.iterdir()) == [
        "trike.bench.1.csv", "trike.bench.2.csv", "trike.bench.2.html", "trike.bench.2.json", "trike.bench.csv",
        "trike.bench.json", "trike.toml",
    ]  # fmt: skip
    assert it.path.with_name("trike.bench.2.json").read_bytes() == first
    assert "right,1300" in it.path.with_name("trike.bench.2.csv").read_text()


# Another day, another air.

COLD = {"temperature_c": 5.0}
NOTHING = {"efficiency": (), "reference_cell_v": None}
RATIO = 288.15 / 278.15  # of absolute temperatures, 15 C over 5 C


def test_readings_of_another_air_are_kept_as_read_and_carried_to_one_density(desk):
    it = desk()
    ends(it, spans_pm=(300,), person=STOP_AT_TWO)
    it.run(resume=True, air=COLD)
    assert it.said("air of 1013.25 hPa and 15 C (1.225 kg/m3). Is that right for them")
    warm, cold = it.record.run.in_order()
    assert it.learned[0].thrust_n == pytest.approx(warm.thrust_n * RATIO)
    assert it.learned[0].current_a == pytest.approx(warm.current_a * RATIO)
    assert it.learned[1] == cold and it.learned[0].load_v == warm.load_v
    assert (it.record.air, it.record.airs) == (Air(temperature_c=5.0), {0: Air()})
    assert [row.split(",")[-1] for row in it.path.with_suffix(".csv").read_text().splitlines()] == [
        "air_kg_m3", "1.2250", "1.2690",
    ]  # fmt: skip
    assert "steps measured in other air" in summary.assumptions(it.record, SimpleNamespace(sides=(), **NOTHING))[-1]
    it.run(resume=True, person={"slips": {("again", 1): "1"}})  # measured again, in the air of now
    assert it.record.airs == {} and not it.said("air of")


def test_air_that_was_not_said_at_first_can_be_said_later(desk):
    it = desk()
    ends(it, spans_pm=(300,), person=STOP_AT_TWO)
    it.run(resume=True, air=COLD, person={"answers": {"air": False}})
    assert it.learned == it.record.run.in_order() and it.record.airs == {}


def test_air_that_is_too_far_off_is_refused_and_air_that_is_not_said_is_named(desk):
    it = desk()
    ends(it, spans_pm=(300,), person=STOP_AT_TWO)
    before = it.path.read_bytes()
    why = ends(it, UserError, resume=True, air={"temperature_c": -5.0})
    assert re.search("5 % of density and no farther.*--fresh", why)
    assert it.path.read_bytes() == before and it.did == []
    it.run(resume=True, now_unix_s=4 * 3600)
    assert it.said("taken to be as then, 1013.25 hPa and 15 C")


# A step that the box always ends.


def stopped():
    return BenchStopped("serial:x", Status(**dict.fromkeys(Status._fields, 0)))


def test_a_step_at_which_the_box_always_stops_can_be_left_out(desk):
    it = desk()
    it.at_step = {n: stopped() for n in (4, 5, 6)}  # spun up twice, one step measured
    it.run(spans_pm=(300, 400))
    assert it.steps == [(0, 300), *3 * [(1, 300)], (0, 400), (1, 400)]
    assert len(it.said("Enter goes on with step 2 in another run")) == 3
    assert it.record.run.skipped == {1} and sorted(it.record.run.readings) == [0, 2, 3]


def test_the_words_hold_after_such_a_stop_and_are_on_disk(desk):
    it = desk()
    it.at_step = {4: stopped()}
    slips = {("ready:again", 1): "well", ("ready:again", 2): "back", ("thrust", 2): "stop"}
    ends(it, spans_pm=(300, 400), person={"slips": slips})
    assert it.said('"well" is none of Enter, back, skip, stop')
    assert it.steps == [(0, 300), (1, 300), (0, 300)] and it.record.run.at == 0


def test_a_simulated_person_does_not_try_for_ever():
    person = SimPerson(Square())
    asked = [("next", "step 2: repeat, back, skip or stop?")] * 4 + [("next", "step 3: repeat, back, skip or stop?")]
    asked += [("ready:run", "Enter asks the box")] * 3 + [("turns", "?"), ("ready:run", "Enter asks the box")]
    said = [asyncio.run(person.ask(*one)) for one in asked]
    assert said == ["repeat", "repeat", "skip", "repeat", "repeat", "", "", "stop", "yes", ""]
