"""The flow of `barbox bench` around the measuring: which record goes on, what it runs, and what is kept."""

import re

import pytest
from bench_flow_desk import FlowDesk

from barbox.bench import plan, record
from barbox.errors import AnswerNo, UserError

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
