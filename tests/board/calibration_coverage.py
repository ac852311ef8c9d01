"""How often the truth lies within what `barbox calibrate` states: many boxes, each with its own parts and meter.

One simulated board goes on running; between two boxes its dividers, its ADC's errors and the meter are drawn anew,
and the real command calibrates it through the real firmware: a first point at nearly full charge, a second at low
charge on the same day. Then single status messages of the box are compared with the plant, at several voltages.

Run as a script it prints the figures of both boards: `python tests/board/calibration_coverage.py [BOXES]`.
"""

from __future__ import annotations

import asyncio
import random
from dataclasses import dataclass
from math import sqrt

import numpy as np
from calibration_bench import Bench, SimMeter, rig_of, sheet_text
from scipy import stats

from barbox.calibration.budget import Result
from barbox.calibration.record import Record
from barbox.calibration.steps import targets
from barbox.sim.board import SimBoard

TOP = 12  # cells
CALIBRATED_AT = (0.97, 0.10)  # charges
COMPARED_AT = (1.0, 0.8, 0.5, 0.2, 0.03)
# A cheap handheld meter, a good one, and one so good that the box's own parts count (invented, as data sheets go).
METERS = ("0.5%+2d@60V/0.01", "0.05%+3d@60V/0.01", "0%+1d@60V/0.001")


@dataclass
class Compared:
    """One comparison: at `charge`, the box's reading less the truth, and what was stated there, in V."""

    charge: float
    volts: float
    error_v: float
    standard_v: float
    expanded_v: float
    on_box_v: float  # what the box itself states for near its top voltage


def start(monkeypatch, capsys, folder, board: str) -> Bench:
    """A running bench with one side of twelve cells, tapped where the board can."""
    text = sheet_text(board, TOP, ["left"]).replace("hz = 10", "hz = 25")
    rig = rig_of(text)
    box = SimBoard.from_rig(rig, seed=1, boot_s=0.1, keep_pulses=False)
    box.power_on()
    box.advance(1)
    return Bench(monkeypatch, capsys, folder, box, rig, text)


def one_box(bench: Bench, seed: int, meter_text: str) -> list[Compared]:
    """Calibrate box number `seed` and compare it."""
    rng = random.Random(seed)
    bench.box.wiring.draw_errors(rng)
    bench.forget()
    meter = SimMeter.drawn(meter_text, rng)
    for share in CALIBRATED_AT:
        bench.charge(share)
        code, _, err = bench.run("--points", bench.points(meter), "--meter", meter_text, "--yes")
        assert code == 0, err
    target = next(t for t in targets(bench.rig) if t.top)
    record = Record.load(bench.record_path)
    serial = record.entries[-1]["serial"]
    result = Result(target, bench.rig.board, record.points(serial, target))
    latest = record.latest(serial, target)
    assert latest and len(result.points) == 2
    out = []
    readings = asyncio.run(bench.readings(COMPARED_AT, target.input + 1))
    for share, (mv, true_v) in zip(COMPARED_AT, readings, strict=True):
        stated = result.stated(true_v)
        out.append(
            Compared(share, true_v, mv / 1000 - true_v, stated.standard_v, stated.expanded_v,
                     latest["after"]["sense.uncertainty_mv"] / 1000)
        )  # fmt: skip
    return out


def interval(count: int, share: float = 0.95, confidence: float = 0.99) -> tuple[float, float]:
    """Shares that so many draws allow when each hits with probability `share` (binomial, both tails)."""
    low, high = stats.binom.interval(confidence, count, share)
    return low / count, high / count


def spread_interval(count: int, confidence: float = 0.99) -> tuple[float, float]:
    """Root mean square of so many normalised errors of variance 1, were they normal (chi-square, both tails).

    Rectangular errors spread less around it, so this allows them more than it need.
    """
    low, high = stats.chi2.interval(confidence, count)
    return sqrt(low / count), sqrt(high / count)


def figures(rows: list[Compared]) -> dict[str, float]:
    """Of one voltage: share within the stated interval, root mean square of error over standard uncertainty,
    median of |error| over the stated one."""
    error = np.array([r.error_v for r in rows])
    stated = np.array([r.expanded_v for r in rows])
    return {
        "boxes": len(rows),
        "volts": float(np.mean([r.volts for r in rows])),
        "covered": float(np.mean(np.abs(error) <= stated)),
        "rms": float(np.sqrt(np.mean((error / [r.standard_v for r in rows]) ** 2))),
        "median": float(np.median(np.abs(error) / stated)),
        "expanded_mv": float(1000 * np.median(stated)),
    }


def main(count: int) -> None:
    """Print the figures of both boards and all meters."""
    import tempfile
    import time
    from pathlib import Path

    import pytest

    class Silent:
        def readouterr(self):
            return self

        out = err = ""

    low, high = interval(count)
    print(f"{count} boxes each; 95 % of {count} draws lie within {100 * low:.1f} to {100 * high:.1f} % (99 % of times)")
    for board in ("pico_w", "pico"):
        for meter in METERS:
            with pytest.MonkeyPatch.context() as patch, tempfile.TemporaryDirectory() as folder:
                bench = start(patch, Silent(), Path(folder), board)
                began = time.process_time()
                try:
                    import contextlib
                    import io

                    with contextlib.redirect_stdout(io.StringIO()):
                        boxes = [one_box(bench, 1000 + n, meter) for n in range(count)]
                finally:
                    bench.box.close()
                each_s = (time.process_time() - began) / count
            print(f"{board}, {meter}, {each_s:.2f} s a box")
            for n in range(len(COMPARED_AT)):
                f = figures([b[n] for b in boxes])
                print(
                    f"  {f['volts']:5.2f} V: covered {100 * f['covered']:5.1f} %, rms {f['rms']:.2f}, median |error|/U "
                    f"{f['median']:.2f}, U {f['expanded_mv']:.0f} mV"
                )


if __name__ == "__main__":
    import sys

    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
