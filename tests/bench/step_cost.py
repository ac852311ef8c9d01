"""What one control step takes in the VM, and what that suggests for the RP2040."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

from barbox.sim.firmware import firmware_dir

_HERE = Path(__file__).parent
_ROOT = firmware_dir().parent
_BUDGET_US = 2000


def _vm(*args: str) -> str:
    run = "import sys; from micropython_unix import run_main; sys.exit(run_main(['micropython'] + sys.argv[1:]))"
    env = {**os.environ, "MICROPYPATH": f"{firmware_dir()}:{_ROOT}:.frozen"}
    done = subprocess.run([sys.executable, "-c", run, *args], env=env, capture_output=True, text=True, check=True)
    return done.stdout


def step_rows() -> list[tuple[str, str, str]]:
    """Rows for the table of `run.py`."""
    figures = [[float(x) for x in _vm(str(_HERE / "step_in_vm.py")).split()] for _ in range(5)]
    step_us = min(f[0] for f in figures)
    units_us = [min(f[i] for f in figures) for i in (1, 2, 3)]
    # What the same operations take on the RP2040, measured in an emulator at 125 MHz: an attribute load and
    # store on self 7 us, a method call with two arguments 20 us, a local multiply and add 8 us.
    ratios = [board / here for board, here in zip((7, 20, 8), units_us, strict=True)]
    low, high = min(ratios) * step_us, max(ratios) * step_us
    return [
        ("one control step in the VM, bytecode", f"{step_us:.1f} us",
         "4 sense inputs, 2 new readings a step, driving; mean of 20,000, best of 5 runs"),
        ("estimate for the RP2040", f"{low / 1000:.1f}..{high / 1000:.1f} ms",
         f"step times the ratio board/VM of three operations ({', '.join(f'{r:.0f}' for r in ratios)}); "
         f"budget {_BUDGET_US / 1000:.0f} ms; never run on a board"),
    ]  # fmt: skip
