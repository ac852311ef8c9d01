"""Speed, as a table: run by `make bench`. Nothing here is a test; figures are of the machine that runs it.

Each row says how it was measured. Runs that compare two commands alternate them, and the best of several runs
is shown, since anything else on the machine only ever adds time.
"""

from __future__ import annotations

import asyncio
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from step_cost import step_rows

from barbox.demo.ride import example_rig, run
from barbox.sim.board import SimBoard

HOUR_S = 3600.0
PYTHON = sys.executable


def _best(command: list[str], runs: int) -> float:
    best = float("inf")
    for _ in range(runs):
        began = time.perf_counter()
        subprocess.run(command, check=True, capture_output=True)
        best = min(best, time.perf_counter() - began)
    return best


def _riding(hours: float) -> tuple[float, float]:
    """Wall seconds of `hours` of riding, laps at 25 to 55 % with packs that do not run empty; and the largest lag."""
    box = SimBoard.from_rig(example_rig(), keep_pulses=False)
    with box:
        box.advance(3)
        box.arm()
        began = time.perf_counter()
        left_s = hours * HOUR_S
        while left_s > 0:
            for lever in (550, 250):
                box.move_lever(lever)
                box.advance(30)
            for side in (0, 1):
                box.plant.set_charge(side, 0.9)
            left_s -= 60
        return time.perf_counter() - began, box.now_s


def rows() -> list[tuple[str, str, str]]:
    wall_s, _ = _riding(1.0)
    out = [
        (
            "one hour of riding, real VM, 2 sides x 2 sections, status at 10 Hz, no host listening",
            f"{wall_s:.1f} s",
            f"{HOUR_S / wall_s:.0f} times real time; one run",
        )
    ]
    with tempfile.TemporaryDirectory() as folder:
        began = time.perf_counter()
        asyncio.run(run(Path(folder), 1, lambda share, words: None))
        out.append(("the demo's ride, with client, recording, account and picture",
                    f"{time.perf_counter() - began:.1f} s", "in this process; one run"))  # fmt: skip
    bare_s = _best([PYTHON, "-c", "import click"], 15)
    help_s = _best([str(Path(PYTHON).parent / "barbox"), "--help"], 15)
    out.append(("barbox --help", f"{1000 * help_s:.0f} ms",
                f"{help_s / bare_s:.2f} times `import click` ({1000 * bare_s:.0f} ms); best of 15"))  # fmt: skip
    return out + step_rows()


def main() -> None:
    table = rows()
    widths = [max(len(row[i]) for row in table) for i in range(2)]
    for what, figure, how in table:
        print(f"{what:<{widths[0]}}  {figure:>{widths[1]}}  {how}")


if __name__ == "__main__":
    main()
