"""Where the firmware's files are, and what stands in a board file."""

from __future__ import annotations

import hashlib
import runpy
from pathlib import Path
from types import SimpleNamespace

import shared_proto


def firmware_dir() -> Path:
    """The folder that is copied to a board: in the installed package, else in the checkout."""
    packaged = Path(__file__).resolve().parents[1] / "_firmware"
    return packaged if packaged.is_dir() else Path(__file__).resolve().parents[3] / "firmware"


def board_files() -> dict[str, bytes]:
    """Path on the board -> content, byte for byte: all of `firmware/` and of `shared_proto/`."""
    files: dict[str, bytes] = {}
    proto = Path(shared_proto.__file__).parent
    for root, prefix in ((firmware_dir(), ""), (proto, "shared_proto/")):
        for path in sorted(root.rglob("*.py")):
            files[prefix + path.relative_to(root).as_posix()] = path.read_bytes()
    return files


def digest(files: dict[str, bytes]) -> str:
    """SHA-256 over paths and contents, hexadecimal."""
    h = hashlib.sha256()
    for path, content in sorted(files.items()):
        h.update(f"{path}\0{len(content)}\0".encode())
        h.update(content)
    return h.hexdigest()


def board_pins(name: str) -> SimpleNamespace:
    """The constants of `firmware/boards/NAME.py`. Raises FileNotFoundError for an unknown board."""
    constants = runpy.run_path(str(firmware_dir() / "boards" / f"{name}.py"))
    return SimpleNamespace(**{k: v for k, v in constants.items() if k.isupper()})
