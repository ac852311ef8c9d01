"""The flow of `barbox bench` around the measuring: which record goes on, what it runs, and what is kept."""

import re
from dataclasses import replace

import pytest
from bench_flow_desk import PROVED, FlowDesk

from barbox.bench import plan, record
from barbox.bench.job import END_POINTS
from barbox.errors import AnswerNo, BoxError, UserError
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
    assert it.said("1 steps, about") and it.said("left: 0 Wh, 0 % of its string's charge")
    assert it.said("rope, anchor and scale carry 10 N of one fan")  # 65 N * 0.4^2


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
