"""The record, the page, the plan, the checklist, the proof of stopping, and what is written into the sheet."""

import asyncio
import json
import re
from dataclasses import replace

import pytest
from bench_desk import DeskBench, ScaleSpec, SimPerson, full_plan, rig, tied_plant

from barbox.bench import checklist, learn, page, plan, record, run, summary
from barbox.bench import curve as curves
from barbox.bench.air import Air
from barbox.bench.proof import StopProof
from barbox.errors import AnswerNo, UserError
from barbox.rig import read
from barbox.rig.template import example_text, new_text
from barbox.rig.write import with_measured

RIG = rig()
OLD = [s.curve_pm or () for s in RIG.sides]
PROVED = StopProof(0, 0.08, 0.271, "voltage", True, "2026-06-01")


@pytest.fixture(scope="module")
def done():
    """A record of a whole run."""
    bench = DeskBench(RIG, tied_plant(RIG))
    steps = full_plan(RIG)
    made = record.begin(RIG, steps, now_unix_s=1_780_000_000, simulated=True, old_curve_pm=OLD)
    made.instruments, made.air = bench.instruments, Air(1002, 24)
    made.checklist = {q.key: True for q in checklist.QUESTIONS}
    made.proofs = [PROVED, replace(PROVED, side=1, hold_s=2.0)]
    made.run = bench.run(steps)
    made.airs, made.written_proofs = {3: Air(990, 12)}, [0]
    return made


def test_a_record_comes_back_as_it_was(done, tmp_path):
    path = tmp_path / "trike.bench.json"
    done.save(RIG, path)
    again = record.load(path, RIG)
    assert again.to_json() == done.to_json()
    assert again.run.done and again.run.in_order() == done.run.in_order()


def test_an_interrupted_run_resumes_at_the_first_open_step(done, tmp_path):
    path = tmp_path / "trike.bench.json"
    half = record.begin(RIG, full_plan(RIG), now_unix_s=0, simulated=True, old_curve_pm=OLD)
    for n, reading in enumerate(done.run.in_order()[:5]):
        half.run.skip() if n == 2 else half.run.take(reading)
        half.save(RIG, path)  # whole after every reading
    half.run.back()
    half.run.back()
    again = record.load(path, RIG)
    assert (again.run.at, sorted(again.run.readings), again.run.skipped) == (5, [0, 1, 3, 4], {2})


def test_the_csv_has_a_row_a_reading(done, tmp_path):
    done.save(RIG, tmp_path / "a.bench.json")
    rows = (tmp_path / "a.bench.csv").read_text().splitlines()
    assert len(rows) == 1 + 2 * len(plan.SPANS_PM)
    head, last = rows[0].split(","), rows[-1].split(",")
    of_last = dict(zip(head, last, strict=True))
    reading = done.run.in_order()[-1]
    assert of_last["side"] == "right" and float(of_last["thrust_n"]) == pytest.approx(reading.thrust_n, rel=1e-3)
    assert float(of_last["load_2_v"]) == pytest.approx(reading.load_v[1], rel=1e-3)


@pytest.mark.parametrize(
    ("change", "why"),
    [
        (lambda d: d.update(version=99), "newer barbox"),
        (lambda d: d.update(rig="other"), 'of the rig "other"'),
        (lambda d: d.pop("readings"), "is damaged"),
        (lambda d: d["readings"][0].update(step=77), "is damaged"),
        (lambda d: d["readings"][0].update(thrust_n=float("nan")), "is damaged"),
        (lambda d: d["readings"][0].update(side=3), "has a side 4"),
        (lambda d: d["air"].update(pressure_hpa=1), "is damaged"),
        (lambda d: d.update(old_curve_pm=[]), "is damaged"),
    ],
)
def test_a_record_that_will_not_do_is_a_sentence(done, tmp_path, change, why):
    data = json.loads(done.to_json())
    change(data)
    path = tmp_path / "x.json"
    path.write_text(json.dumps(data))
    with pytest.raises(UserError, match=why):
        record.load(path, RIG)


@pytest.mark.parametrize("text", ["", "[]", "{", '{"version": "x"}'])
def test_what_is_no_record_is_a_sentence(tmp_path, text):
    path = tmp_path / "x.json"
    path.write_text(text)
    with pytest.raises(UserError, match="damaged or no record"):
        record.load(path, RIG)
    with pytest.raises(UserError, match="cannot be read"):
        record.load(tmp_path / "nothing.json", RIG)


def test_the_page_stands_alone_and_says_that_it_is_simulated(done):
    found = learn.learn(RIG, done.run.in_order(), done.instruments, done.air)
    made = curves.make(RIG, found)
    html = page.page(RIG, done, found, made).decode()
    assert html.count("<svg") == 4 and html.count("</svg>") == 4
    # Nothing from elsewhere: links in it lead to itself, and to names of namespaces.
    assert all(link.startswith("#") for link in re.findall(r'(?:src|href)="([^"]*)"', html))
    assert "simulated" in html and "NOT proved, its ESC held its last command for 2.0 s" in html
    assert not re.search(r"\b(nan|None|inf)\b", re.sub(r"<svg.*?</svg>", "", html, flags=re.DOTALL))
    assert html == page.page(RIG, done, found, made).decode()
    data = summary.as_dict(RIG, found, made)
    assert json.loads(json.dumps(data))["sides"][1]["curve_pm"] == list(made.sides[1].curve_pm)


def test_a_page_without_scale_and_clamp():
    plant = tied_plant(RIG)
    bench = DeskBench(RIG, plant, SimPerson(plant, scale=None, clamp=None))
    steps = plan.make(RIG, cap_pm=500)
    made = record.begin(RIG, steps, now_unix_s=0, simulated=True, old_curve_pm=OLD)
    made.instruments, made.run = bench.instruments, bench.run(steps)
    found = learn.learn(RIG, made.run.in_order(), made.instruments, made.air)
    html = page.page(RIG, made, found, curves.make(RIG, found)).decode()
    assert "; pressure and temperature not stated: density +- 13 %" in html
    assert "square of the pulse span" in html and "no thrust is known above 50 % of the pulse span" in html


# The plan.


def test_the_plan_of_the_example():
    """By hand: 10 cells of 3.7 V, 4000 W of shaft power at 90 %, 120.1 A; half the pulse span takes an eighth."""
    steps = full_plan(RIG, spans_pm=(500, 1000)).steps
    assert [(s.side, s.pulse_us) for s in steps] == [(0, 1500), (1, 1500), (0, 2000), (1, 2000)]
    assert steps[2].expected_a == pytest.approx(4000 / 0.9 / 37)
    assert steps[0].expected_a == pytest.approx(steps[2].expected_a / 8)
    assert steps[0].expected_n == pytest.approx(65 / 4)
    made = full_plan(RIG, spans_pm=(500, 1000))
    # Ramp 2 s for the full span, 3 s to settle, 3 s to measure: 7 s at half, 8 s at full.
    assert [s.hold_s for s in steps] == [7, 7, 8, 8]
    watt_seconds = 4000 / 0.9 * (7 / 8 + 8)
    assert made.energy_wh[0] == pytest.approx(watt_seconds / 3600)
    assert made.charge_share[0] == pytest.approx(watt_seconds / 37 / 3600 / 10)


def test_steps_rise_in_turns_and_rests_grow_with_them():
    steps = full_plan(RIG).steps
    assert [s.number for s in steps] == list(range(len(steps)))
    assert [s.span_pm for s in steps] == sorted(s.span_pm for s in steps)
    assert steps[0].rest_s == 5.0 and steps[-1].rest_s > 20
    for s in steps:
        assert s.expected_a * s.hold_s / (s.hold_s + s.rest_s) <= 0.2 * steps[-1].expected_a * 1.001


def test_the_cap_of_the_box_bounds_the_plan():
    steps = plan.make(RIG, cap_pm=600).steps
    assert max(s.span_pm for s in steps) == 600
    with pytest.raises(UserError, match="no step lies below the cap"):
        plan.make(RIG, cap_pm=0)
    with pytest.raises(UserError, match="raise limits.bench_step_s"):
        plan.make(RIG, longest_s=2.0)


def test_what_an_esc_or_a_pack_cannot_give_is_said():
    small = [replace(s, esc=replace(s.esc, rating_a=60.0)) for s in RIG.sides]
    cautions = " ".join(full_plan(replace(RIG, sides=tuple(small))).cautions)
    assert "the ESC is rated for 60 A" in cautions
    weak = [replace(s, packs=tuple([replace(p, c_rate=8) for p in s.packs])) for s in RIG.sides]
    assert "the packs give 80 A" in " ".join(full_plan(replace(RIG, sides=tuple(weak))).cautions)
    # 120 kg * 0.008 * 9.81 m/s2
    assert "can hide up to 9 N" in " ".join(full_plan(RIG).cautions)


# The checklist and the proof.


def test_every_question_must_be_answered_with_yes():
    def asked(answers):
        made = record.begin(RIG, full_plan(RIG), now_unix_s=0, simulated=False, old_curve_pm=[])
        asyncio.run(run.before(RIG, None, made, SimPerson(Still(), answers=answers)))
        return made.checklist

    assert asked({}) == {q.key: True for q in checklist.QUESTIONS}
    for q in checklist.QUESTIONS:
        with pytest.raises(AnswerNo, match=f"no pulse before this is so: .*{q.if_no}"):
            asked({q.key: False})


@pytest.mark.parametrize(("typed", "meant"), [("y", True), (" Yes ", True), ("n", False), ("NO", False)])
def test_yes_and_no(typed, meant):
    assert checklist.yes(typed) is meant


@pytest.mark.parametrize("typed", ["", "maybe", "yess", "1"])
def test_silence_is_no_consent(typed):
    with pytest.raises(UserError, match="neither yes nor no"):
        checklist.yes(typed)


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"stop_s": None}, "the stop loop was not tried"),
        ({"stop_s": 0.9}, "ran on for 0.9 s"),
        ({"hold_s": None}, "pulses were not withheld"),
        ({"hold_s": 2.0}, "held its last command for 2.0 s"),
        ({"hold_s": 0.3, "hold_at_least": True}, "held its last command for more than 0.3 s"),
        ({"stop_s": 0.3, "stop_at_least": True}, "ran on for more than 0.3 s"),
        ({"settings_seen": False}, "not signed off"),
    ],
)
def test_what_is_no_proof(change, why):
    assert PROVED.proved
    bad = replace(PROVED, **change)
    assert not bad.proved and why in bad.missing()
    with pytest.raises(ValueError, match=why):
        bad.as_toml("r.json", 1)


def test_a_proof_and_a_curve_go_into_the_sheet():
    text = new_text("mine", ["left", "right"], 10, RIG.board)
    table = tuple(range(0, 1001, 100))
    new = with_measured(text, "rig.toml", {
        1: {"curve_pm": str(list(table)), "proof": PROVED.as_toml("r.json", 0xBADCAFE),
            "current_a": str([float(n) for n in range(11)])},
    })  # fmt: skip
    left, right = read(new.encode()).sides
    assert (left.curve_pm, left.proof) == (None, None)
    assert right.curve_pm == table and right.current_a == tuple(range(11))
    assert right.proof is not None and right.proof.hold_s == 0.28  # rounded up
    assert (right.proof.record, right.proof.mark) == ("r.json", "0badcafe")
    # Everything else is as it was.
    kept = [line for line in text.splitlines() if not re.match(r"# (curve_pm|proof|current_a) =", line)]
    assert [line for line in new.splitlines() if line in kept] == [k for k in kept if k in new.splitlines()]


def test_a_value_over_many_lines_and_a_new_key():
    text = example_text().replace("curve_pm = [0, 316,", "curve_pm = [ # so far\n    0, 316,", 1)
    text = re.sub(r"^proof = .*\n", "", text, flags=re.MULTILINE)
    table = tuple(range(0, 501, 50))
    new = with_measured(text, "r", {0: {"curve_pm": str(list(table)), "proof": PROVED.as_toml("r.json", 0xBADCAFE)}})
    left, right = read(new.encode()).sides
    assert left.curve_pm == table and left.proof is not None and right.proof is None
    assert right.curve_pm == RIG.sides[1].curve_pm


@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_a_sheet_keeps_its_line_ends(end):
    text = ("# a line\u2028in a comment\n" + example_text()).replace("\n", end)
    new = with_measured(text, "r", {0: {"curve_pm": str(list(range(0, 501, 50)))}})
    old_lines, new_lines = (t.split(end) for t in (text, new))
    assert len(new_lines) == len(old_lines)
    assert [n for o, n in zip(old_lines, new_lines, strict=True) if o != n] == [
        f"curve_pm = {list(range(0, 501, 50))}"
    ]


def test_a_sheet_that_would_not_read_is_not_written():
    with pytest.raises(UserError, match="curve_pm"):
        with_measured(example_text(), "r", {0: {"curve_pm": "[1, 2]"}})
    with pytest.raises(UserError, match="number 3"):
        with_measured(example_text(), "r", {2: {"curve_pm": "[1]"}})


# The simulated person.


class Still:
    """20 N and 30 A."""

    def thrust_n(self, side):
        return 20.0

    def current_a(self, side):
        return 30.0


def test_a_simulated_person_reads_what_a_scale_shows():
    exact = SimPerson(Still(), scale=ScaleSpec(unit="N", gain=1.03, step=0.5, noise_n=0.0))
    assert exact.typed_thrust(0) == "20.5 N"
    held_back = ScaleSpec(unit="N", noise_n=0.0, gain=1.0, step=0.1, friction_n=9)
    assert SimPerson(Still(), scale=held_back).typed_thrust(0) == "11.0 N"
    assert SimPerson(Still(), scale=None, clamp=None).typed_thrust(0) == ""
    a, b = (SimPerson(Still(), seed=5) for _ in range(2))
    assert [a.typed_thrust(0) for _ in range(5)] == [b.typed_thrust(0) for _ in range(5)]


def test_a_simulated_person_slips_once():
    person = SimPerson(Still(), slips={("thrust", 2): "twelve"}, answers={"fire": False})
    assert [person.typed_thrust(0) == "twelve" for _ in range(3)] == [False, True, False]
    answers = [asyncio.run(person.ask(what, "?")) for what in ("check:fire", "check:tied", "turns")]
    assert answers == ["no", "yes", "yes"]
