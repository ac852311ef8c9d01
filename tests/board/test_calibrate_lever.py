"""`barbox calibrate --lever` through the command and the real firmware: the end points, and levers that are refused."""

import re

import pytest
from calibrate_command import on_the_bench, one_box

from barbox.rig.keys import LEARNED_LEVER

running = pytest.fixture(scope="module")(one_box)
bench = pytest.fixture(on_the_bench)


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
    return err


def test_a_lever_that_does_not_spring_back(lever_bench):
    err = keeps(lever_bench, "the lever does not spring back", back=40)
    told = re.search(r"spring back: \+(\d+) mV", err)
    assert told and float(told[1]) == pytest.approx(0.040 * 2200, abs=5), err  # the chip's ADC has its noise


@pytest.mark.parametrize("phase_ms", [0, 7, 13, 26, 33])
def test_a_lever_that_stays_where_it_was_pushed(lever_bench, phase_ms):
    """Whenever it was moved between two status messages, 40 ms apart."""
    lever_bench.box.advance((phase_ms - 1000 * lever_bench.box.now_s % 40 + 40) / 1000)
    err = keeps(lever_bench, "from where it rested before", back=1000)
    told = re.search(r"before, (\d+) per mille of its travel", err)
    assert told and float(told[1]) == pytest.approx(1000, abs=3), err


def test_a_status_that_was_on_its_way_at_enter_does_not_count(lever_bench):
    """It tells where the lever was before."""
    box = lever_bench.box
    moved = box.move_lever

    def late(per_mille):
        box.after(0.06, lambda: moved(per_mille))

    box.move_lever = late
    try:
        err = keeps(lever_bench, "from where it rested before", back=1000)
    finally:
        del box.move_lever
    told = re.search(r"before, (\d+) per mille of its travel", err)
    assert told and float(told[1]) == pytest.approx(1000, abs=3), err


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
