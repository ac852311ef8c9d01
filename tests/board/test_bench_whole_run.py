"""The whole bench run on the simulated board: the real firmware, fans the fit has not seen, a person with poor
instruments.
"""

import asyncio

from bench_run import bench_values

from barbox.bench import record, simulated
from barbox.bench.sim_person import ScaleSpec
from barbox.demo.ride import example_rig

RIG = example_rig()
SPANS_PM = (200, 350, 500, 650, 820, 1000)
GOAL = 0.03  # of full thrust


def whole_run(tmp_path, **options):
    values = bench_values(stream_hz=25, bench_cap_pm=1000)
    return asyncio.run(
        simulated.whole_run(RIG, tmp_path / "trike.toml", values=values, spans_pm=SPANS_PM, **options)
    )


def test_a_whole_run_makes_thrust_proportional_and_the_sides_equal(tmp_path):
    """Another exponent and dead band on each side, 12 % between them, a scale that reads 3 % high; the tables are read
    back from the box, and thrust is that of the simulated fans."""
    done = whole_run(tmp_path, seed=1, scale=ScaleSpec(gain=1.03))
    assert done.truth.error < GOAL and done.truth.apart < GOAL
    assert max(c.error + c.error_u for c in done.out.curves.sides) < GOAL
    for c in done.out.curves.sides:
        assert done.written.get("side.curve", c.side) == c.curve_pm
        assert done.written.get("side.current_da", c.side) == c.current_da
    again = record.load(tmp_path / "trike.bench.sim.json", RIG)
    assert again.simulated and again.run.done and len(again.run.readings) == 2 * len(SPANS_PM)
    assert "simulated" in done.out.page.read_text("utf-8")


def test_without_scale_and_clamp_it_ends_in_the_square_law(tmp_path):
    done = whole_run(tmp_path, scale=None, clamp=None)
    left, right = done.out.curves.sides
    assert left.curve_pm == right.curve_pm == done.written.get("side.curve", 0)
    assert done.truth.error > GOAL  # which is why it is called an assumption
