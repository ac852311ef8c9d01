"""The firmware as a board gets it, in a folder, for scripts that the MicroPython VM runs beside it."""

from __future__ import annotations

import os
from pathlib import Path

from barbox.onboard import prepare
from barbox.sim.firmware import board_files


def lay(folder: Path, *scripts: Path) -> dict[str, str]:
    """Write firmware, tables and `scripts` to `folder`, prepared together; the environment that finds them there."""
    files = {**board_files(), **{script.name: script.read_bytes() for script in scripts}}
    for name, content in prepare(files).items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
    return {**os.environ, "MICROPYPATH": f"{folder}:.frozen", "PYTHONHASHSEED": "0"}
