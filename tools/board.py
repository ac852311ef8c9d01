"""Writes what goes onto a board to a folder: `python tools/board.py FOLDER`.

`files/` is for the flash of a board with plain MicroPython. `frozen/` is for a build of MicroPython with the firmware
in it, whose code takes no heap: `make BOARD=RPI_PICO_W FROZEN_MANIFEST=.../frozen/manifest.py` in its ports/rp2.
"""

import sys
import tempfile
from pathlib import Path

from barbox.onboard import compiled, prepare
from barbox.sim.firmware import board_files

MANIFEST = b"""include("$(PORT_DIR)/boards/manifest.py")
freeze("$(MANIFEST_DIR)", opt=1)
"""
PARTS = ("files", "frozen")


def is_ours(folder: Path) -> bool:
    """Whether this made the folder, or nobody has put anything into it."""
    names = {path.name for path in folder.iterdir()}
    manifest = folder / "frozen" / "manifest.py"
    return not names or (names == set(PARTS) and manifest.is_file() and manifest.read_bytes() == MANIFEST)


def main(folder: Path) -> int:
    """Everything of `folder` is made anew, once all of it is there to take its place. Returns the exit code."""
    named, folder = folder, folder.resolve()
    if folder.exists() and not (folder.is_dir() and is_ours(folder)):
        print(f"{named} holds what this did not make, and would be deleted: name another folder", file=sys.stderr)
        return 2
    prepared = prepare(board_files())
    made = dict(zip(PARTS, (compiled(prepared), {**prepared, "manifest.py": MANIFEST}), strict=True))
    folder.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix=f".{folder.name}-", dir=folder.parent) as beside:
        new, old = Path(beside, "new"), Path(beside, "old")
        for part, files in made.items():
            for file, content in files.items():
                path = new / part / file
                path.parent.mkdir(parents=True, exist_ok=True)
                path.write_bytes(content)
        if folder.exists():
            folder.rename(old)
        new.rename(folder)
    for part, files in made.items():
        print(f"{named / part}: {len(files)} files, {sum(map(len, files.values())):,} bytes")
    return 0


if __name__ == "__main__":
    if len(sys.argv) != 2:
        print("usage: python tools/board.py FOLDER", file=sys.stderr)
        sys.exit(2)
    sys.exit(main(Path(sys.argv[1])))
