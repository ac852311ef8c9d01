"""`barbox calibrate` and what it does not believe: wrong readings, each named, and bad input: nothing is written."""

import pytest
from bench_host import arm
from calibrate_command import (
    LEFT_TAP,
    LEFT_TOP,
    METER,
    PERFECT,
    RIG,
    RIGHT_TOP,
    TEXT,
    exact,
    learned,
    on_the_bench,
    one_box,
    quick,
    settings_of,
    written,
)
from calibration_bench import Bench

from barbox.sim.board import SimBoard

running = pytest.fixture(scope="module")(one_box)
bench = pytest.fixture(on_the_bench)


def refused(bench, lines, code=2, meter=METER):
    """What the command says of these lines; nothing may have changed."""
    before = learned(settings_of(bench))
    got, _, err = bench.run("--points", written(bench, lines), "--meter", meter, "--yes")
    assert got == code and err.count("\n") == 1 and err.endswith("nothing was written\n"), (got, err)
    assert learned(settings_of(bench)) == before
    assert bench.record() == []
    return err


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


def test_points_files_that_cannot_be_read(bench):
    path = bench.folder / "p.csv"
    for data, said in ((None, "cannot be read (No such file or directory)"), (b"\xff\xfe", "is no text in UTF-8")):
        if data:
            path.write_bytes(data)
        code, _, err = bench.run("--points", path, "--meter", METER, "--yes")
        assert (code, err) == (2, f"barbox: {path}: {said}; nothing was written\n")


def test_a_points_file_with_semicolons_and_decimal_commas(bench):
    path = bench.folder / "p.csv"
    path.write_text(f"side;cells;reading\r\nleft;12;{volts(bench, LEFT_TOP).replace('.', ',')} V\r\n")
    code, out, err = bench.run("--points", path, "--meter", METER, "--dry-run")
    assert (code, err) == (0, "") and "input 2, left top (12 cells): 1 point, gain alone" in out


def test_which_point_of_a_file_is_wrong(bench):
    good, wrong = (volts(bench, n) for n in (LEFT_TAP, LEFT_TOP))
    err = refused(bench, f"left,6,{good}\nleft,12,{float(wrong) / 10:.3f}")
    assert "p.csv, left,12: " in err and "a slipped digit" in err


@pytest.mark.parametrize("meter", ["0.5%", "0.5%+2d", "9%+2d@60V/0.01", "0.5%+2d@60V/100", "0.5%+2d@0V/0.01"])
def test_accuracy_that_makes_no_sense(bench, meter):
    code, _, err = bench.run("--points", exact(bench), "--meter", meter, "--yes")
    assert code == 2 and f'meter "{meter}"' in err and "write it as 0.5%+2d@60V/0.01" in err


def test_options_that_exclude_each_other(bench):
    for args in (["--lever", "--verify"], ["--json"], ["--json", "--yes"], ["--verify", "--dry-run"], ["--input", "3"]):
        code, _, err = bench.run(*args, *(["--meter", METER] if args == ["--input", "3"] else []))
        assert code == 2 and err.count("\n") == 1


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


@pytest.mark.parametrize("after_s", [0.7, 0.9, 1.5])  # read from 0.5 to 1.7 s
def test_a_voltage_that_moves_is_not_a_point(bench, after_s):
    def sink():
        bench.box.plant.set_charge(0, 0.4)

    points = exact(bench, only=[LEFT_TOP])
    bench.box.after(after_s, sink)
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
