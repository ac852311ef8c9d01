"""Files are written beside their name and renamed: whoever looks sees the old one or the new one, never a half."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from barbox.errors import UserError


def write_whole(path: str | Path, data: bytes, *, force: bool = True) -> None:
    """Write `data` to `path`. Raises UserError when it cannot be written, or exists and `force` is False."""
    path = Path(path)
    if not force and path.exists():
        raise UserError(f"{path}: exists already; choose another name, or overwrite it with --force")
    try:
        fd, beside = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
    except OSError as error:
        raise UserError(f"{path}: cannot be written ({error.strerror}); choose another place") from None
    try:
        with os.fdopen(fd, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        os.chmod(beside, 0o666 & ~_umask())
        os.replace(beside, path)
    except OSError as error:
        _forget(beside)
        raise UserError(f"{path}: cannot be written ({error.strerror}); choose another place") from None
    except BaseException:
        _forget(beside)
        raise


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def _forget(beside: str) -> None:
    if os.path.exists(beside):
        os.unlink(beside)
