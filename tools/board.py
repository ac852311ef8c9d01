"""Writes what goes onto a board to a folder: `python tools/board.py FOLDER`.

`files/` is for the flash of a board with plain MicroPython. `frozen/` is for a build of MicroPython with the firmware
in it, whose code takes no heap: `make BOARD=RPI_PICO_W FROZEN_MANIFEST=.../frozen/manifest.py` in its ports/rp2.
"""

import shutil
import sys
from pathlib import Path

from barbox.onboard import compiled, prepare
from barbox.sim.firmware import board_files

MANIFEST = b"""include("$(PORT_DIR)/boards/manifest.py")
freeze("$(MANIFEST_DIR)", opt=1)
"""


def main(folder: Path) -> None:
    """Everything of `folder` is made anew."""
    if folder.exists():
        shutil.rmtree(folder)
    prepared = prepare(board_files())
    for name, files in (("files", compiled(prepared)), ("frozen", {**prepared, "manifest.py": MANIFEST})):
        for file, content in files.items():
            path = folder / name / file
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(content)
        print(f"{folder / name}: {len(files)} files, {sum(map(len, files.values())):,} bytes")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
