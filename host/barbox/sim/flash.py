"""The flash of a simulated board as a file, with the firmware on it, made once for each state of the firmware."""

from __future__ import annotations

import contextlib
import os
import shutil
import tempfile
from pathlib import Path

from barbox import onboard
from barbox.errors import BoxError
from barbox.sim import vm
from barbox.sim.firmware import board_files, digest

SECTOR_BYTES = 4096
SECTORS = 212  # 848 KB of the flash are left for files on a board with radio
_COPY_HEAP_BYTES = 4_000_000
_IMAGES_KEPT = 64  # 868 KB each


def image(overlay: dict[str, bytes], folder: Path | None = None) -> Path:
    """A file with a littlefs that holds the firmware as a board gets it; `overlay` replaces or adds sources (path ->
    content).

    Kept in a cache under the temporary folder, by digest of all that is on it. Raises BoxError.
    """
    files = {**board_files(), **overlay}
    made_by = Path(onboard.__file__).read_bytes()
    cache = folder or Path(tempfile.gettempdir()) / f"barbox-flash-{os.getuid()}"
    cache.mkdir(mode=0o700, exist_ok=True)
    path = cache / f"{digest({**files, '': made_by})[:32]}.flash"
    if not path.exists():
        part = cache / f"{path.name}.{os.getpid()}.part"
        part.write_bytes(b"\xff" * SECTOR_BYTES * SECTORS)
        _copy(part, onboard.prepare(files))
        part.replace(path)
        _tidy(cache)
    return path


def _tidy(cache: Path) -> None:
    """Forget the images that have not been made for longest."""
    with contextlib.suppress(FileNotFoundError):  # another process tidies, too
        for old in sorted(cache.glob("*.flash"), key=lambda p: p.stat().st_mtime)[:-_IMAGES_KEPT]:
            old.unlink(missing_ok=True)


def fresh_copy(overlay: dict[str, bytes], to: Path) -> None:
    """A new flash at `to`."""
    shutil.copyfile(image(overlay), to)


def _copy(path: Path, files: dict[str, bytes]) -> None:
    board = vm.Vm({**options(path), "copy": True}, heap=_COPY_HEAP_BYTES)
    try:
        lines = "".join(f"{name} {content.hex()}\n" for name, content in files.items())
        assert board._process.stdin is not None
        board._process.stdin.write(lines.encode())
        board._process.stdin.close()
        if board.receive_within() is None:
            raise BoxError("The simulated board's flash could not be filled.")
    finally:
        board.close()


def options(path: Path, **more) -> dict:
    """Options of hal/boot.py, the usual ones filled in."""
    return {
        "flash": str(path),
        "sectors": SECTORS,
        "costs": {},
        "ticks_base_us": 0,
        "boot_us": 0,
        "seed": 1,
        "serial": "e660000000000001",
        "reset_cause": 1,
        "scratch": [0] * 4,
        "beside_bytes": vm.SHIM_HEAP_BYTES // 2,
        **more,
    }
