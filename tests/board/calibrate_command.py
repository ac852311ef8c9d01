"""What the tests of `barbox calibrate` share: one box for a whole file, its sheet, its readings and its settings."""

from __future__ import annotations

import random
from collections.abc import Iterator
from pathlib import Path

from bench_host import ESC_IDLE_MS, HOLD_MS
from calibration_bench import Bench, SimMeter, rig_of, sheet_text

from barbox.calibration.meter import parse_range
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


def one_box() -> Iterator[SimBoard]:
    """One box for a file (a fixture): each test begins with whole wires and charged packs."""
    values = quick(RIG.settings())
    with SimBoard(RIG.plant_spec(), values, values=values, seed=5, boot_s=0.1, keep_pulses=False) as box:
        box.advance(1)
        yield box


def on_the_bench(running, monkeypatch, capsys, tmp_path) -> Bench:
    """That box as each test finds it (a fixture): parts drawn anew, wires whole, packs charged."""
    running.wiring.draw_errors(random.Random(5))
    for n in (LEFT_TAP, LEFT_TOP, RIGHT_TAP, RIGHT_TOP):
        running.mend_sense_wire(n)
    running.plant.set_charge(0, 0.9)
    running.plant.set_charge(1, 0.4)
    running.advance(0.5)
    return Bench(monkeypatch, capsys, tmp_path, running, RIG, TEXT)


def exact(bench, **options):
    return bench.points(SimMeter(parse_range(PERFECT)), **options)


def written(bench, lines) -> Path:
    path = bench.folder / "p.csv"
    path.write_text("side,cells,reading\n" + lines + "\n")
    return path


def settings_of(bench) -> Values:
    return bench.settings(["sense." + name for name in LEARNED])


def learned(values: Values) -> list:
    return [values.get("sense." + name, n) for n in range(8) for name in LEARNED]
