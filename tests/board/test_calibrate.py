"""`barbox calibrate` through the command and the real firmware: what it gives, what it refuses, and what stays."""

import json
import random
import re

import pytest
from bench_host import ESC_IDLE_MS, HOLD_MS, arm
from calibration_bench import Bench, SimMeter, rig_of, sheet_text

from barbox.calibration import session
from barbox.calibration.meter import parse_range
from barbox.cli import calibrate
from barbox.rig.keys import LEARNED_LEVER
from barbox.sim.board import SimBoard
from shared_proto.settings import Values

METER = "0.5%+2d@60V/0.01"
PERFECT = "0%+0d@60V/0.001"
TEXT = sheet_text().replace("hz = 10", "hz = 25")
RIG = rig_of(TEXT)
LEFT_TAP, LEFT_TOP, RIGHT_TAP, RIGHT_TOP = 1, 2, 5, 6
LEARNED = ("nv_per_count", "offset_mv", "calibrated", "uncertainty_mv")


def quick(values: Values) -> Values:
    for name, value in (("arm_hold_ms", HOLD_MS), ("esc_idle_ms", ESC_IDLE_MS)):
        values.put(name, value)
    return values


@pytest.fixture(scope="module")
def running():
    """One box for all: each test begins with whole wires and charged packs."""
    values = quick(RIG.settings())
    with SimBoard(RIG.plant_spec(), values, values=values, seed=5, boot_s=0.1, keep_pulses=False) as box:
        box.advance(1)
        yield box


@pytest.fixture
def bench(running, monkeypatch, capsys, tmp_path):
    running.wiring.draw_errors(random.Random(5))
    for n in (LEFT_TAP, LEFT_TOP, RIGHT_TAP, RIGHT_TOP):
        running.mend_sense_wire(n)
    running.plant.set_charge(0, 0.9)
    running.plant.set_charge(1, 0.4)
    running.advance(0.5)
    return Bench(monkeypatch, capsys, tmp_path, running, RIG, TEXT)


def exact(bench, **options):
    return bench.points(SimMeter(parse_range(PERFECT)), **options)


def written(bench, lines):
    path = bench.folder / "p.csv"
    path.write_text("side,cells,reading\n" + lines + "\n")
    return path


def settings_of(bench) -> Values:
    return bench.settings(["sense." + name for name in LEARNED])


def learned(values: Values) -> list:
    return [values.get("sense." + name, n) for n in range(8) for name in LEARNED]


def refused(bench, lines, code=2, meter=METER):
    """What the command says of these lines; nothing may have changed."""
    before = learned(settings_of(bench))
    got, _, err = bench.run("--points", written(bench, lines), "--meter", meter, "--yes")
    assert got == code and err.count("\n") == 1 and err.endswith("nothing was written\n"), (got, err)
    assert learned(settings_of(bench)) == before
    assert bench.record() == []
    return err


# what it gives


def test_two_points_are_written_read_back_and_kept(bench):
    meter = SimMeter(parse_range(METER), gain=0.003, zero_v=0.01)
    bench.charge(0.9)
    assert bench.run("--points", bench.points(meter), "--meter", METER, "--yes")[0] == 0
    one = settings_of(bench)
    assert one.get("sense.offset_mv", 1) == 0 and one.get("sense.calibrated", 1) == 1
    bench.charge(0.02)
    picture = bench.folder / "p.png"
    code, out, _ = bench.run("--points", bench.points(meter), "--meter", METER, "--yes", "--picture", picture)
    assert code == 0 and "left top (12 cells): 1 earlier point of " in out and "gain and offset" in out
    assert picture.read_bytes().startswith(b"\x89PNG")
    first, second = bench.record()
    assert first["kind"] == second["kind"] == "sense" and second["serial"] == "e660000000000005"
    kept = second["inputs"][1]
    assert (kept["input"], len(kept["points"]), kept["gain_only"]) == (LEFT_TOP, 2, False)
    values = settings_of(bench)
    for name in LEARNED:
        assert values.get("sense." + name, 1) == kept["after"]["sense." + name]
    assert kept["before"]["sense.nv_per_count"] == one.get("sense.nv_per_count", 1)
    # A handheld meter's half per cent rules all else: 0.5 % of 50.4 V over the root of 3, times 1.65.
    assert 230 <= kept["uncertainty"]["expanded_mv"] <= 260 and 1.6 < kept["uncertainty"]["coverage_factor"] < 1.8
    # What the box reads now is what this meter shows, truth or not.
    wire = bench.box.sense_wire(LEFT_TOP)
    count_uv = 125 * wire.ratio / wire.gain
    assert kept["after"]["sense.nv_per_count"] == pytest.approx(1000 * count_uv * 1.003, rel=6e-4)


def test_a_guided_session_with_its_mistakes(bench):
    true = {n: bench.true_v(n) for n in (LEFT_TAP, LEFT_TOP, RIGHT_TAP, RIGHT_TOP)}
    typed = [
        "half a per cent", METER,
        f"{true[LEFT_TAP]:.2f}",
        "fifty", f"{true[LEFT_TAP]:.2f}", f"{true[LEFT_TOP]:.2f}".replace(".", ",") + " V",
        "s",
        f"{10 * round(100 * true[RIGHT_TOP])} mV",
        "y",
    ]  # fmt: skip
    code, out, err = bench.run(typed=typed)
    assert (code, err) == (0, "")
    assert 'meter "half a per cent": write it as 0.5%+2d@60V/0.01' in out
    assert "left tap at 6 cells: black lead on the heavy negative of left" in out
    assert "left top (12 cells): black lead stays; red lead on the positive end of the left string" in out
    assert '"fifty" is not a reading' in out
    assert "this looks like the left tap at 6 cells, not the left top (12 cells): move the meter's lead" in out
    assert out.index("left tap at 6 cells: black") < out.index("left top (12 cells): black") < out.index("right tap")
    assert [i["input"] for i in bench.record()[0]["inputs"]] == [LEFT_TAP, LEFT_TOP, RIGHT_TOP]


def test_a_no_and_an_end_of_input_leave_all_as_it_was(bench):
    before = learned(settings_of(bench))
    points = exact(bench)
    for typed in (["n"], []):
        code, out, err = bench.run("--points", points, "--meter", PERFECT, typed=typed)
        assert code == 1 and re.search(r"write \d+ settings to the box\?", out) and "nothing was written" in err
    code, out, _ = bench.run("--points", points, "--meter", PERFECT, "--dry-run", "--json")
    said = json.loads(out)
    assert code == 0 and said["written"] is False and len(said["inputs"]) == 4
    assert learned(settings_of(bench)) == before and bench.record() == []


def test_points_of_an_earlier_day_weigh_less_and_say_so(bench, monkeypatch):
    monkeypatch.setattr(session, "now", lambda: "2026-05-01T10:00:00+00:00")
    assert bench.run("--points", exact(bench, only=[LEFT_TOP]), "--meter", PERFECT, "--yes")[0] == 0
    bench.charge(0.02)
    monkeypatch.setattr(session, "now", lambda: "2026-06-01T10:00:00+00:00")
    code, out, _ = bench.run("--points", exact(bench, only=[LEFT_TOP]), "--meter", PERFECT, "--yes", "--json")
    assert code == 0
    other_day = json.loads(out)["inputs"][0]
    # The reference may have moved by 0.1 % of 49 V meanwhile, and that is stated.
    assert 30 < other_day["uncertainty"]["expanded_mv"] < 90
    assert [p["date"][:10] for p in other_day["points"]] == ["2026-05-01", "2026-06-01"]
    points = exact(bench, only=[LEFT_TOP])
    code, out, _ = bench.run("--points", points, "--meter", PERFECT, "--yes", "--json", "--afresh")
    alone = json.loads(out)["inputs"][0]
    assert code == 0 and len(alone["points"]) == 1 and alone["gain_only"] is True


def test_verify_says_whether_it_still_holds(bench):
    points = exact(bench)
    assert bench.run("--points", points, "--meter", PERFECT, "--yes")[0] == 0
    code, out, _ = bench.run("--points", points, "--meter", PERFECT, "--verify", "--json")
    rows = [json.loads(line) for line in out.splitlines()]
    assert code == 0 and len(rows) == 4
    for row in rows:
        # ISO 13528, 9.7 (E_n): |d| over the root of the sum of both squared expanded uncertainties.
        both = (row["box_expanded_mv"] ** 2 + row["meter_expanded_mv"] ** 2) ** 0.5
        assert row["normalised_error"] == pytest.approx(abs(row["difference_mv"]) / both, abs=0.02) and row["holds"]
        assert row["calibrated_on"] is not None
    bench.box.wrong_divider(LEFT_TOP, 1.005)
    code, out, err = bench.run("--points", points, "--meter", PERFECT, "--verify")
    assert code == 1 and "input 2, left top" in out and "does not hold; calibrated 20" in out
    assert err == (
        "barbox: the calibration of input 2 does not hold any more: look for the cause, then calibrate\n"
    )
    assert len(bench.record()) == 1


# wrong readings, each named


def volts(bench, n):
    return f"{bench.true_v(n):.2f}"


def test_reversed_sign(bench):
    assert "reversed sign" in refused(bench, f"left,12,-{volts(bench, LEFT_TOP)}")


@pytest.mark.parametrize("factor", [0.1, 10, 0.01, 1000])
def test_slipped_digit(bench, factor):
    true_v = bench.true_v(LEFT_TOP)
    err = refused(bench, f"left,12,{factor * true_v:.3f}")
    assert "a slipped digit, it seems" in err and "would fit" in err


def test_swapped_digits(bench):
    text = volts(bench, LEFT_TOP)
    swapped = text[1] + text[0] + text[2:]
    err = refused(bench, f"left,12,{swapped}")
    assert "two digits exchanged, it seems: the box reads" in err and f"so {float(text):g} V would fit" in err


def test_lead_on_the_tap(bench):
    err = refused(bench, f"left,12,{volts(bench, LEFT_TAP)}")
    assert "this looks like the left tap at 6 cells, not the left top (12 cells): move the meter's lead" in err


def test_lead_on_the_top(bench):
    err = refused(bench, f"left,6,{volts(bench, LEFT_TOP)}")
    assert "this looks like the left top (12 cells), not the left tap at 6 cells: move the meter's lead" in err


def test_lead_on_the_other_side(bench):
    bench.box.plant.set_charge(1, 0.0)
    bench.box.advance(0.5)
    err = refused(bench, f"left,12,{volts(bench, RIGHT_TOP)}")
    assert "this looks like the right top (12 cells), not the left top (12 cells)" in err
    assert "exchange the sense wires of inputs 2 and 6 if they are crossed" in err


def test_wrong_channel(bench):
    bench.box.swap_sense_wires(LEFT_TAP, LEFT_TOP)
    try:
        # The meter is at the top of the string; the wire that ends at input 2 begins at the tap.
        err = refused(bench, f"left,12,{volts(bench, LEFT_TAP)}")
        assert "wrong channel, it seems; the sense wires of inputs 2 and 1 are crossed" in err
        err = refused(bench, f"left,6,{volts(bench, LEFT_TOP)}")
        assert "its end" in err and "input 1 has the wire of a higher point" in err
    finally:
        bench.box.swap_sense_wires(LEFT_TAP, LEFT_TOP)


def test_divider_of_another_value(bench):
    bench.box.wrong_divider(LEFT_TOP, 34 / 16)  # 330 k where 150 k should be, over 10 k
    err = refused(bench, f"left,12,{volts(bench, LEFT_TOP)}")
    assert "gain 2.1 times nominal" in err and "nearest preferred pair 330 k / 10 k" in err
    assert "the sheet says 150 k / 10 k" in err


def test_blown_fuse(bench):
    bench.box.cut_sense_wire(LEFT_TOP)
    bench.box.advance(0.5)
    assert "nothing arrives at input 2: look at its fuse" in refused(bench, f"left,12,{volts(bench, RIGHT_TOP)}")


@pytest.mark.parametrize(
    ("reading", "said"),
    [
        ("about 50", '"about 50" is not a reading; type a number in V or mV'),
        ("1e3", '"1e3" is not a reading'),
        ("", '"" is not a reading'),
        ("7.3", "no string of 12 cells has that: 12 to 54 V is possible"),
        ("58", "no string of 12 cells has that"),
        ("nan", "is not a reading"),
    ],
)
def test_what_is_no_possible_reading(bench, reading, said):
    assert said in refused(bench, f"left,12,{reading}")


def test_more_decimals_than_the_meter_has(bench):
    assert "more decimals than the meter shows" in refused(bench, f"left,12,{bench.true_v(LEFT_TOP):.3f}")


@pytest.mark.parametrize(
    ("lines", "said"),
    [
        ("left,9,31.5", "the rig has no sense point left,9; these are: left,6, left,12, right,6, right,12"),
        ("left,12,49,63", "has 4 columns and needs 3; a decimal comma stands in quotes"),
        ("left,12,49.6\nleft,12,49.6", "names left at 12 cells a second time"),
    ],
)
def test_points_files_that_make_no_sense(bench, lines, said):
    assert said in refused(bench, lines)


@pytest.mark.parametrize("meter", ["0.5%", "0.5%+2d", "9%+2d@60V/0.01", "0.5%+2d@60V/100", "0.5%+2d@0V/0.01"])
def test_accuracy_that_makes_no_sense(bench, meter):
    code, _, err = bench.run("--points", exact(bench), "--meter", meter, "--yes")
    assert code == 2 and f'meter "{meter}"' in err and "write it as 0.5%+2d@60V/0.01" in err


def test_points_too_close_together_give_no_offset(bench):
    assert bench.run("--points", exact(bench), "--meter", PERFECT, "--yes")[0] == 0
    before = learned(settings_of(bench))
    bench.box.plant.set_charge(0, 0.85)
    bench.box.advance(0.5)
    points = exact(bench, only=[LEFT_TOP])
    code, _, err = bench.run("--points", points, "--meter", PERFECT, "--yes")
    assert code == 2 and err.count("\n") == 1
    assert "too close together to give an offset, which takes 5.0 V" in err and err.endswith("nothing was written\n")
    assert learned(settings_of(bench)) == before and len(bench.record()) == 1
    code, out, _ = bench.run("--points", points, "--meter", PERFECT, "--yes", "--gain-only")
    assert code == 0 and "2 points, gain alone" in out


def test_a_point_off_the_line_is_named(bench):
    for share in (0.97, 0.02):
        bench.charge(share)
        assert bench.run("--points", exact(bench, only=[LEFT_TOP]), "--meter", PERFECT, "--yes")[0] == 0
    before = learned(settings_of(bench))
    bench.charge(0.5)
    off = written(bench, f"left,12,{bench.true_v(LEFT_TOP) + 0.15:.3f}")
    code, _, err = bench.run("--points", off, "--meter", PERFECT, "--yes")
    assert code == 2 and "the points do not lie on one line" in err and "take it again" in err
    assert learned(settings_of(bench)) == before and len(bench.record()) == 2


def test_a_voltage_that_moves_is_not_a_point(bench):
    def sink():
        bench.box.plant.set_charge(0, 0.4)

    points = exact(bench, only=[LEFT_TOP])
    bench.box.after(0.9, sink)
    code, _, err = bench.run("--points", points, "--meter", "2%+9d@60V/0.001", "--yes")
    assert code == 2 and "the voltage moved by -" in err and "let the packs rest" in err


# a box that is not as it should be


def test_a_box_that_is_not_locked(bench):
    before = learned(settings_of(bench))
    points = exact(bench)
    arm(bench.box)
    bench.box.move_lever(300)
    bench.box.advance(1)
    code, _, err = bench.run("--points", points, "--meter", PERFECT, "--yes")
    assert code == 3 and "the box is DRIVING, and this needs it LOCKED" in err and "nothing was written" in err
    bench.box.move_lever(0)
    bench.box.advance(3)
    bench.box.press_arm_button()
    bench.box.advance(0.5)
    bench.box.release_arm_button()
    bench.box.advance(0.5)
    assert learned(settings_of(bench)) == before and bench.record() == []


def test_a_box_of_another_rig(bench):
    bench.sheet.write_text(TEXT.replace('name = "trike"', 'name = "other"'))
    code, _, err = bench.run("--points", exact(bench), "--meter", PERFECT, "--yes")
    assert code == 2 and "is of rig other, and the box has trike: `barbox apply` it first" in err


def test_link_lost_between_fit_and_write(bench):
    before = learned(settings_of(bench))
    bench.at_line[1] = bench.box.unplug_cable
    code, _, err = bench.run("--points", exact(bench), "--meter", PERFECT, typed=["y"])
    bench.box.plug_in_cable()
    assert code == 3 and err.count("\n") == 1 and err.endswith("nothing was written\n")
    assert learned(settings_of(bench)) == before and bench.record() == []


def test_a_silent_adc(bench):
    points = exact(bench)
    bench.box.silence_adc(0)
    code, _, err = bench.run("--points", points, "--meter", PERFECT, "--yes")
    bench.box.wiring.parts_absent = 0
    bench.box.advance(1)
    assert code == 3 and "sense input 1 gives no new reading: look at its ADC; nothing was written" in err


@pytest.mark.parametrize("operation", [0, 1, 2, 4, 8])
def test_power_cut_while_writing(monkeypatch, capsys, tmp_path, operation):
    """Old calibration or new, whole, at whatever flash operation the power goes."""
    values = quick(RIG.settings())
    with SimBoard(RIG.plant_spec(), values, values=values, seed=5, boot_s=0.1, keep_pulses=False) as box:
        box.advance(1)
        bench = Bench(monkeypatch, capsys, tmp_path, box, RIG, TEXT)
        old = learned(settings_of(bench))
        bench.at_line[1] = lambda: box.cut_power_at_flash_operation(operation)
        code, _, err = bench.run("--points", exact(bench), "--meter", PERFECT, typed=["y"])
        box.advance(2)
        now = learned(settings_of(bench))
        if [cause for _, cause in box.resets] == ["power"]:
            assert code == 3 and err.count("\n") == 1 and bench.record() == []
            assert now == old or now[2::4] != old[2::4]
        else:  # the commit took fewer operations
            assert code == 0 and now != old and len(bench.record()) == 1
        changed = [a != b for a, b in zip(now[2::4], old[2::4], strict=True)]
        assert changed in ([False] * 8, [n + 1 in (1, 2, 5, 6) for n in range(8)])


# the lever


def lever(bench, *, rest=0, full=1000, back=0, sweep=True, args=("--yes",)):
    box = bench.box

    def through():
        for n in range(101):
            box.after(n / 20, lambda n=n: box.move_lever(1000 - abs(50 - n) * 20))

    bench.at_line = {
        1: lambda: box.move_lever(rest),
        2: lambda: box.move_lever(full),
        3: lambda: box.move_lever(back),
        4: through if sweep else lambda: None,
    }
    return bench.run("--lever", *args, typed=["", "", "", "", "y"])


def at_rest(box):
    box.mend_lever()
    box.free_lever()
    box.wiring._rest, box.wiring._span = (550, 275), (2200, 1100)
    box.move_lever(0)


@pytest.fixture
def lever_bench(bench):
    at_rest(bench.box)
    yield bench
    at_rest(bench.box)


def test_the_levers_end_points_are_learned(lever_bench):
    bench = lever_bench
    bench.box.wiring._rest, bench.box.wiring._span = (700, 350), (1900, 950)
    code, out, err = lever(bench, args=())
    assert (code, err) == (0, "")
    assert re.search(r"track A: rest 550 -> (69\d|70\d) mV, full 2750 -> (259|260)\d mV; noise \d", out)
    values = bench.settings(LEARNED_LEVER)
    for name, mv in (("a_rest", 700), ("a_full", 2600), ("b_rest", 350), ("b_full", 1300)):
        assert values.get(f"lever_{name}_mv") == pytest.approx(mv, abs=8)  # the chip's ADC is no straighter
    (kept,) = bench.record()
    assert kept["kind"] == "lever" and kept["after"]["lever_a_full_mv"] == values.get("lever_a_full_mv")
    assert kept["differ_pm"] < 20
    # Back to what the other tests expect.
    bench.box.wiring._rest, bench.box.wiring._span = (550, 275), (2200, 1100)
    assert lever(bench)[0] == 0


def keeps(bench, said, **how):
    before = bench.settings(LEARNED_LEVER).rows
    code, _, err = lever(bench, **how)
    assert code == 2 and err.count("\n") == 1 and said in err and err.endswith("nothing was written\n"), err
    assert bench.settings(LEARNED_LEVER).rows == before
    assert bench.record() == []


def test_a_lever_that_does_not_spring_back(lever_bench):
    keeps(lever_bench, "the lever does not spring back: +8", back=40)


def test_a_lever_that_was_not_moved(lever_bench):
    keeps(lever_bench, "300 mV apart is the least: was the lever held at full", full=100)


def test_a_lever_whose_tracks_disagree_on_the_way(lever_bench):
    box = lever_bench.box
    real = box.wiring._track_mv

    def bent(track):
        mv = real(track)
        return mv + 60 * (1 - abs(2 * (mv - 275) / 1100 - 1)) if track else mv

    box.wiring._track_mv = bent
    try:
        keeps(lever_bench, "the lever's tracks differ by 5")
    finally:
        del box.wiring._track_mv


def test_a_noisy_lever(lever_bench):
    lever_bench.box.shake_lever(40)
    keeps(lever_bench, "noise of ")


def test_a_lever_too_near_a_rail(lever_bench):
    lever_bench.box.wiring._rest = (120, 275)
    keeps(lever_bench, "lies so near to a rail that a broken or shorted wire would pass for a position")


def test_options_that_exclude_each_other(bench):
    for args in (["--lever", "--verify"], ["--json"], ["--json", "--yes"], ["--verify", "--dry-run"], ["--input", "3"]):
        code, _, err = bench.run(*args, *(["--meter", METER] if args == ["--input", "3"] else []))
        assert code == 2 and err.count("\n") == 1


def test_the_link_is_read_while_a_person_thinks_about_every_question(bench, monkeypatch):
    """A question that leaves the stream unread would end in "the box stopped answering" after two seconds."""
    asked = []

    async def ask(self, question, sampler, live):
        asked.append(question)
        await sampler.step()
        return {"accuracy": PERFECT, "  the me": f"{bench.true_v(LEFT_TOP):.3f}"}.get(question[:8], "y")

    monkeypatch.setattr(calibrate.Terminal, "ask", ask)
    code, out, err = bench.run("--input", "2")
    assert (code, err) == (0, "") and "written and read back" in out
    assert len(asked) == 3
