"""`barbox bench` through the command and the real firmware: what it does, what it refuses, and what stays."""

import asyncio
import json

import pytest
from bench_command import TEXT, UNPROVED, Command
from bench_host import IDLE_US, above_idle, us

from barbox.bench import pictures
from barbox.bench.scale import ScaleLines
from barbox.bench.sim_person import SimPerson
from barbox.cli import main
from barbox.rig import load
from barbox.rig.boards import BOARDS
from barbox.rig.template import new_text
from barbox.sim.board import LEFT, RIGHT
from shared_proto import states
from shared_proto.settings import Values

FEW = ("--steps", "50,100")
WRITTEN = ("side.proven", "side.curve", "side.current_da", "rig_crc")


@pytest.fixture
def undrawn(monkeypatch):
    """Pages without their pictures, which take longer than the run; tests/unit/test_bench_record.py looks at them."""
    monkeypatch.setattr(pictures, "_picture", lambda fill: "<svg></svg>")


@pytest.fixture
def command(monkeypatch, capsys, tmp_path, undrawn):
    made = []

    def make(text=TEXT, **esc):
        made.append(Command(monkeypatch, capsys, tmp_path, text, **esc).__enter__())
        return made[-1]

    yield make
    for one in made:
        one.__exit__()


# what it does


def test_all_of_it_is_simulated(tmp_path, capsys, monkeypatch, undrawn):
    monkeypatch.setattr("time.time", lambda: 1_800_000_000.0)
    sheet = tmp_path / "trike.toml"
    sheet.write_text(TEXT)
    assert main.run(["bench", str(sheet), "--sim", "--json", *FEW]) == 0
    said = capsys.readouterr()
    out = json.loads(said.out)
    assert out["written"] and out["proved"] == [True, True]
    assert out["record"]["simulated"] and len(out["record"]["readings"]) == 4
    assert "its stop is proved" in said.err and "thrust in kgf" in said.err
    assert sheet.read_text() == TEXT  # nothing of it is a measurement
    assert sorted(p.name for p in tmp_path.iterdir()) == [
        "trike.bench.sim.csv", "trike.bench.sim.html", "trike.bench.sim.json", "trike.toml",
    ]  # fmt: skip
    # And it is the same each time, to the last digit.
    (other := tmp_path / "again").mkdir()
    (other / "trike.toml").write_text(TEXT)
    assert main.run(["bench", str(other / "trike.toml"), "--sim", "--json", *FEW]) == 0
    again = json.loads(capsys.readouterr().out)
    assert again["record"] == out["record"]


def test_stop_then_steps_then_box_and_sheet(command):
    it = command(UNPROVED)
    slips = {("thrust", 1): "2.5", ("thrust", 3): "2.5 lbf", ("current", 2): "twelve", ("current", 4): "9"}
    code, _, err = it.run(*FEW, slips=slips)
    assert (code, err) == (0, "")
    for why in ("has no unit", "this run reads kgf", "is not a number", "was expected"):
        assert len(it.said(why)) == 1
    rig, box = load(it.sheet), it.settings(WRITTEN)
    for n, side in enumerate(rig.sides):
        assert side.proof is not None and 0.2 < side.proof.hold_s < 0.5  # the plant's ESCs hold for 0.25 s
        assert box.get("side.proven", n) == 1
        assert box.get("side.curve", n) == side.curve_pm != it.rig.sides[n].curve_pm
        assert side.current_a is not None
    assert box.get("rig_crc") == rig.crc == it.record().rig_crc
    assert it.said("left now  left new  left draws  right now")
    assert it.record_path.with_suffix(".html").exists()
    # It is all there now: another run has nothing to prove.
    code, _, _ = it.run(*FEW, slips={("thrust", 1): "stop"})
    assert code == 1 and not it.said("stop proof of")


@pytest.mark.parametrize(("hold_s", "low_s", "high_s"), [(2.0, 1.9, 2.2), (30.0, 7.0, 9.0)])
def test_an_esc_that_holds_its_last_command_loses_its_proof(command, hold_s, low_s, high_s):
    """The second runs on for longer than a step lasts."""
    it = command(TEXT, hold_s=hold_s)
    code, _, err = it.run("--prove-stop")
    assert code == 1 and "held its last command for" in err and "capped at 30 %" in err
    proof = it.record().proofs[LEFT]
    assert not proof.proved and low_s < proof.hold_s < high_s
    assert proof.hold_at_least == (hold_s == 30.0) == bool(it.said("pulses withheld: more than"))
    assert [it.settings(WRITTEN).get("side.proven", n) for n in (0, 1)] == [0, 0]
    assert [s.proof for s in load(it.sheet).sides] == [None, None]
    assert "# proof = {" in it.sheet.read_text()


def test_end_points_are_learned_with_motor_leads_off(command):
    it = command(TEXT, learns_end_points=True)
    seen = []
    it.at_status = lambda s: seen.append(it.box.plant.esc_state(LEFT))
    code, _, err = it.run("--learn-end-points", slips={("confirm:0", 1): "yes", ("learn", 2): "no"})
    assert (code, err) == (0, "")
    assert it.said('"yes" is not that') and "learning" in seen
    assert [it.settings(WRITTEN).get("side.proven", n) for n in (0, 1)] == [0, 1]  # to be proved anew


def test_end_points_are_refused_with_a_fan_connected(command):
    it = command()
    it.hands.disconnect_fan = lambda side: None
    code, _, err = it.run("--learn-end-points")
    assert code == 1 and "left: its string sagged" in err
    assert max(width for _, width in it.box.pulses(LEFT)) <= 1300


@pytest.mark.parametrize("names", [["only"], ["left", "middle", "right"]])
def test_a_rig_of_one_side_or_of_three_is_simulated(tmp_path, capsys, undrawn, names):
    sheet = tmp_path / "rig.toml"
    sheet.write_text(new_text("rig", names, 5, BOARDS["pico_w"]))
    assert main.run(["bench", str(sheet), "--sim", "--json", "--steps", "30,50"]) == 0
    out = json.loads(capsys.readouterr().out)
    assert out["proved"] == [True] * len(names)
    thrust_n = [r["thrust_n"] for r in out["record"]["readings"]]
    assert len(thrust_n) == 2 * len(names) and min(thrust_n) > 1


# how it ends and goes on


def in_step(it, steps, do):
    """`do` half a second into the step of that number."""

    def look(status):
        if status.bench_phase == states.BENCH_RUNNING and status.bench_steps == steps:
            it.at_status = lambda _: None
            it.box.after(0.5, do)

    it.at_status = look


def goes_on(it, readings, steps=4):
    """With --resume, from where it was."""
    assert len(it.record().run.readings) == readings
    code, _, err = it.run("--resume")
    assert (code, err) == (0, "")
    assert len(it.record().run.readings) == steps
    assert it.record().written


def test_ctrl_c_in_a_step(command):
    it = command()
    at_us = []

    def press():
        at_us.append(us(it.box))
        it.interrupt()

    in_step(it, 4, press)  # spin-up of both sides, then the second step
    code, _, _ = it.run(*FEW)
    assert code == 130 and it.said("--resume")
    it.box.move_lever(0)
    it.box.advance(1)
    assert at_us and max(rise + width for rise, width in above_idle(it.box, RIGHT)) <= at_us[0] + 250_000
    assert it.box.pulse_us(RIGHT) == IDLE_US
    goes_on(it, 1)


def test_a_cable_that_is_pulled_in_a_step(command):
    it = command()
    in_step(it, 4, it.box.unplug_cable)
    code, _, err = it.run(*FEW)
    assert code == 3 and err.count("\n") == 1 and it.said("--resume")
    it.box.move_lever(0)
    it.box.advance(1)
    it.box.plug_in_cable()
    code, _, err = it.run("--resume")
    assert code == 3 and "HELD (the host fell silent in a bench run)" in err and "press the arm button once" in err
    it.box.press_arm_button()
    it.box.advance(0.4)  # longer than a write of the event log takes
    it.box.release_arm_button()
    it.box.advance(1.5)
    goes_on(it, 1)


def test_a_cable_that_is_pulled_while_somebody_thinks(command, monkeypatch):
    """It is told at once, not when they have typed at last."""
    it = command()
    ask = SimPerson.ask

    async def thinks(self, what, question, side=None):
        if what == "current":
            it.box.unplug_cable()
            await asyncio.Event().wait()
        return await ask(self, what, question, side)

    monkeypatch.setattr(SimPerson, "ask", thinks)
    code, _, err = it.run("--no-scale", *FEW)
    assert code == 3 and "the link was lost" in err and err.count("\n") == 1


def test_a_stop_in_a_step_is_no_end(command):
    """Stopped at the box, the same command goes on in another run; typed, it ends and can be resumed."""
    it = command()
    in_step(it, 4, it.box.open_stop_loop)
    code, _, err = it.run(*FEW, slips={("current", 3): "stop"})
    assert it.said("stop loop opened; what was read is kept")
    assert code == 1 and "stopped; 2 of 4 steps are in" in err
    goes_on(it, 2)


def test_a_run_that_is_there_is_asked_about_and_put_aside(command):
    it = command()
    it.run(*FEW, slips={("thrust", 2): "stop"})
    first = it.record_path.read_bytes()
    code, _, _ = it.run(*FEW, slips={("resume", 1): "no", ("thrust", 1): "stop"})
    assert code == 1 and it.said("Go on with it?")
    assert it.record_path.with_name("trike.bench.1.json").read_bytes() == first
    it.sheet.write_text(TEXT + "# another state\n")
    code, _, err = it.run("--resume")
    assert code == 2 and "another state of this sheet" in err


def test_a_no_at_the_end_writes_nothing_and_is_asked_again(command):
    it = command()
    code, _, err = it.run(*FEW, answers={"write": False})
    assert code == 1 and "nothing was written" in err
    assert it.sheet.read_text() == TEXT and it.settings(WRITTEN).get("side.curve", 0) == it.rig.sides[0].curve_pm
    code, _, _ = it.run("--resume")
    assert code == 0 and it.record().written and not it.said("Enter asks the box")


class Printing:
    """A scale that prints ten times a second, in the box's time."""

    def __init__(self, it, dies_s=1e9, drift_n_s=0.0):
        self.box, self.dies_s, self.drift_n_s = it.box, dies_s, drift_n_s
        self.lines = ScaleLines("N")
        self._print()

    def _print(self):
        now_s = self.box.now_s
        if now_s < self.dies_s:
            pull_n = sum(self.box.thrust_n(n) for n in (0, 1)) + self.drift_n_s * now_s
            self.lines.feed(b"%.2f\r\n" % pull_n, now_s)
        self.box.after(0.1, self._print)

    def mean(self, since_s, until_s=None):
        return self.lines.mean(since_s, self.box.now_s, until_s)


@pytest.mark.parametrize(
    ("trouble", "why"), [({"dies_s": 45.0}, "has been silent for"), ({"drift_n_s": 0.5}, "it drifts, or the rope rubs")]
)
def test_a_scale_that_falls_silent_or_drifts(command, trouble, why):
    it = command()
    it.scale = Printing(it, **trouble)
    code, _, err = it.run(*FEW, "--unit", "N", slips={("next", 1): "maybe", ("next", 2): "stop"})
    assert code == 1 and it.said(why) and it.said('"maybe" is none of repeat, back, skip, stop')
    if "dies_s" in trouble:
        goes_on_from = len(it.record().run.readings)
        assert goes_on_from >= 1 and f"{goes_on_from} of 4 steps" in err
    else:
        assert not it.record_path.exists() or not it.record().run.readings


# what it refuses


def test_a_box_that_is_not_locked(command):
    it = command()
    it.box.press_arm_button()
    it.box.advance(1)
    it.box.release_arm_button()
    it.box.advance(0.1)
    code, _, err = it.run()
    assert code == 3 and "the box is READY" in err and it.person.heard == []


def test_a_sheet_that_the_box_does_not_have(command):
    it = command()
    it.sheet.write_text(TEXT.replace("bench_cap_percent = 100", "bench_cap_percent = 70"))
    code, _, err = it.run()
    assert code == 2 and "`barbox apply" in err and it.person.heard == []


def test_a_sheet_that_says_nothing_of_the_bench(command):
    it = command(TEXT.replace("bench_cap_percent = 100", "# "))
    code, _, err = it.run()
    assert code == 2 and "bench_cap_percent = 60" in err and it.person.heard == []


def test_a_no_in_the_checklist(command):
    it = command()
    code, _, err = it.run(answers={"guards": False})
    assert code == 1 and "clear them and fit the guards first" in err
    assert isinstance(it.settings(WRITTEN), Values)
    assert not above_idle(it.box, LEFT) and not above_idle(it.box, RIGHT)
