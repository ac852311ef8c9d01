"""`barbox calibrate` through the command and the real firmware: the talk with a person, what it gives, what stays."""

import json
import re

import pytest
from calibrate_command import (
    LEARNED,
    LEFT_TAP,
    LEFT_TOP,
    METER,
    PERFECT,
    RIGHT_TAP,
    RIGHT_TOP,
    exact,
    learned,
    on_the_bench,
    one_box,
    settings_of,
)
from calibration_bench import SimMeter

from barbox.calibration import session
from barbox.calibration.meter import parse_range
from barbox.cli import calibrate
from shared_proto.settings import ROWS

running = pytest.fixture(scope="module")(one_box)
bench = pytest.fixture(on_the_bench)


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


def test_verify_of_a_box_that_nobody_calibrated_says_so_and_shows_what_the_box_reads(bench, monkeypatch):
    shown = []

    async def forget():
        client = await bench._open()
        await client.put_setting(ROWS["sense.calibrated"], LEFT_TOP - 1, 0)
        await client.commit()
        await client.close()

    bench._run(forget())

    async def ask(self, question, sampler, live):
        while len(sampler._codes[LEFT_TOP - 1]) < 20:
            await sampler.step()
        shown.append(live())
        return f"{bench.true_v(LEFT_TOP):.3f}"

    monkeypatch.setattr(calibrate.Terminal, "ask", ask)
    code, out, err = bench.run("--input", LEFT_TOP, "--verify", "--meter", PERFECT)
    assert (code, err) == (0, "") and out.endswith("holds; never calibrated\n")
    assert shown[0].startswith("  box, uncalibrated: ")
    assert bench.run("--points", exact(bench), "--meter", PERFECT, "--yes")[0] == 0
    bench.record_path.rename(bench.folder / "elsewhere.json")
    code, out, _ = bench.run("--input", LEFT_TOP, "--verify", "--meter", PERFECT)
    assert code == 0 and out.endswith("holds; no record of its calibration\n")
    found = re.fullmatch(r"  box: (\S+) V, noise \S+ mV, \d+ readings", shown[1])
    assert found and float(found[1]) == pytest.approx(bench.true_v(LEFT_TOP), abs=0.01)


def test_two_points_say_what_changes_at_both_ends_and_where_each_residual_is(bench):
    for charge in (0.9, 0.02):
        bench.charge(charge)
        code, out, _ = bench.run("--points", exact(bench, only=[LEFT_TOP]), "--meter", PERFECT, "--yes")
        assert code == 0
    assert re.search(rf"so it reads .* near 50\.4 V and .* near {bench.true_v(LEFT_TOP):.1f} V\n", out)
    out = bench.run("--points", exact(bench, only=[LEFT_TOP]), "--meter", PERFECT, "--yes")[1]
    assert re.search(r"residuals: \S+ mV at 49\.\d+ V, \S+ mV at 40\.\d+ V, \S+ mV at 40\.\d+ V\n", out)


def test_points_too_close_for_an_offset_are_asked_about(bench):
    reading = f"{bench.true_v(LEFT_TOP):.3f}"
    assert bench.run("--input", LEFT_TOP, "--meter", PERFECT, typed=[reading, "y"])[0] == 0
    code, out, err = bench.run("--input", LEFT_TOP, "--meter", PERFECT, typed=[reading, "y", "n"])
    assert (code, err) == (1, "barbox: nothing was written\n")
    assert "too close together to give an offset" in out and "nothing was written" not in out
    assert "2 points, gain alone" in out


def test_a_point_off_the_line_is_taken_again(bench):
    """The gain alone would hide a reading that is wrong, so that is not what is asked."""
    for charge in (0.9, 0.02):
        bench.charge(charge)
        reading = f"{bench.true_v(LEFT_TOP):.3f}"
        assert bench.run("--input", LEFT_TOP, "--meter", PERFECT, typed=[reading, "y"])[0] == 0
    bench.charge(0.5)
    true_v, kept = bench.true_v(LEFT_TOP), bench.record()
    slip = f"{true_v + 0.3:.3f}"
    code, out, err = bench.run("--input", LEFT_TOP, "--meter", PERFECT, typed=[slip])
    assert (code, err) == (1, "barbox: the input ended; nothing was written\n") and bench.record() == kept
    code, out, err = bench.run("--input", LEFT_TOP, "--meter", PERFECT, typed=[slip, f"{true_v:.3f}", "y"])
    assert (code, err) == (0, "")
    assert out.count("do not lie on one line") == 1 and "fit the gain alone" not in out
    assert [p["meter_v"] for p in bench.record()[-1]["inputs"][0]["points"]][-1] == round(true_v, 3)
    assert len(bench.record()) == len(kept) + 1


def test_back_takes_the_point_before_again(bench):
    true = {n: bench.true_v(n) for n in (LEFT_TAP, LEFT_TOP)}
    slip_v = true[LEFT_TAP] + 0.05  # believable
    typed = [METER, "b", f"{slip_v:.2f}", "back", f"{true[LEFT_TAP]:.2f}", "s", "b", f"{true[LEFT_TOP]:.2f}", "d", "y"]
    code, out, err = bench.run(typed=typed)
    assert (code, err) == (0, "")
    assert out.count("this is the first") == 1 and out.count("left tap at 6 cells: black lead") == 3
    (kept,) = bench.record()
    assert [(i["input"], i["points"][0]["meter_v"]) for i in kept["inputs"]] == [
        (LEFT_TAP, round(true[LEFT_TAP], 2)), (LEFT_TOP, round(true[LEFT_TOP], 2)),
    ]  # fmt: skip


@pytest.mark.parametrize("after", [[], ["s", "s"]])
def test_back_takes_the_last_point_again_when_the_result_shows_the_slip(bench, after):
    true_v = bench.true_v(LEFT_TOP)
    inputs = ["--input", LEFT_TOP, *(("--input", RIGHT_TAP, "--input", RIGHT_TOP) if after else ())]
    typed = [METER, f"{true_v + 0.05:.2f}", *after, "b", f"{true_v:.2f}", *after, "y"]
    code, out, err = bench.run(*inputs, typed=typed)
    assert (code, err) == (0, "")
    assert out.count("left top (12 cells): black lead") == out.count("b takes the last point again") == 2
    (kept,) = bench.record()
    assert [p["meter_v"] for i in kept["inputs"] for p in i["points"]] == [round(true_v, 2)]


def test_a_file_of_readings_counts_once(bench):
    """All of it or a part, of one input or of all, whatever was measured meanwhile."""
    points = bench.points(SimMeter(parse_range(METER)))
    given = ("--points", points, "--meter", METER, "--yes", "--gain-only")
    assert bench.run(*given, "--input", LEFT_TAP)[0] == 0
    for only in (["--input", LEFT_TAP], []):
        code, _, err = bench.run(*given, *only)
        assert code == 2 and err.count("\n") == 1 and f"{points}: its reading of input 1 was counted on " in err
    assert bench.run(*given, "--input", LEFT_TOP)[0] == 0
    text = points.read_text()
    points.write_text(text + "# and once more, with the same on the meter\n")
    assert bench.run(*given)[0] == 0
    points.write_text(text)
    code, _, err = bench.run(*given)
    assert code == 2 and "its readings of inputs 1 and 2 were counted on " in err
    assert [len(i["points"]) for i in bench.record()[-1]["inputs"]] == [2, 2, 1, 1]
    assert bench.run(*given, "--afresh")[0] == 0


@pytest.mark.parametrize(("zero_v", "odd"), [(0.01, False), (0.35, True)])
def test_an_offset_that_nothing_explains_is_remarked(bench, zero_v, odd):
    """A black lead that lies 0.35 V from the heavy negative, on each day: no single reading is out of reason."""
    meter = SimMeter(parse_range(METER), zero_v=zero_v)
    for charge in (0.9, 0.02):
        bench.charge(charge)
        code, out, _ = bench.run("--points", bench.points(meter), "--meter", METER, "--yes")
        assert code == 0
    assert ("mV is odd: parts and points explain" in out) == odd
