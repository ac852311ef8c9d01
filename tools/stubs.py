"""Collect the MicroPython stubs where pyright-firmware.json looks for them, and nothing else from site-packages.

The stub packages install among all other packages, whose `typing_extensions` would then stand in for the one of
the stubs. Run by `make check`.
"""

import shutil
import sys
from importlib.metadata import files
from pathlib import Path

PACKAGES = ("micropython-rp2-rpi_pico_w-stubs", "micropython-stdlib-stubs")
FOLDER = Path(sys.prefix) / "micropython-stubs"


def main() -> None:
    """Fill FOLDER afresh."""
    if FOLDER.is_symlink():
        FOLDER.unlink()
    shutil.rmtree(FOLDER, ignore_errors=True)
    for package in PACKAGES:
        for file in files(package) or ():
            if file.suffix == ".pyi" or file.name == "VERSIONS":
                target = FOLDER / file
                target.parent.mkdir(parents=True, exist_ok=True)
                shutil.copyfile(file.locate(), target)
    (FOLDER / "stubs").mkdir(exist_ok=True)  # pyright looks for stubs of third parties beside `stdlib`


if __name__ == "__main__":
    main()
