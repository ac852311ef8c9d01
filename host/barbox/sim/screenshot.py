"""The simulated display as a picture and as text, for people, documents and tests."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import numpy as np

from barbox.files import write_whole
from barbox.sim.panel import HEIGHT, WIDTH

_DARK, _LIT = (12, 14, 18), (225, 238, 255)


def save_png(screen: np.ndarray, path: Path, scale: int = 5) -> None:
    """Write the pixels (64, 128) of bool to a PNG, each `scale` pixels square, with a border."""
    import io

    from matplotlib.image import imsave

    framed = np.pad(screen, 4)
    large = np.repeat(np.repeat(framed, scale, 0), scale, 1)
    if scale > 2:  # a dark line between pixels, as on the real one
        large[::scale] = False
        large[:, ::scale] = False
    picture = np.array([_DARK, _LIT], np.uint8)[large.astype(np.uint8)]
    made = io.BytesIO()
    imsave(made, picture, format="png")
    write_whole(path, made.getvalue())


def rows(screen: np.ndarray) -> list[str]:
    """The pixels two rows to a line of text: `"` upper lit, `.` lower lit, `#` both, blank neither."""
    upper, lower = screen[0::2], screen[1::2]
    signs = np.array([" ", '"', ".", "#"])[upper + 2 * lower]
    return ["".join(line).rstrip() for line in signs.tolist()]


def pixels(lines: Iterable[str]) -> np.ndarray:
    """The inverse of `rows`."""
    out = np.zeros((HEIGHT, WIDTH), bool)
    for n, line in enumerate(lines):
        for x, sign in enumerate(line.rstrip("\n")):
            out[2 * n, x] = sign in '"#'
            out[2 * n + 1, x] = sign in ".#"
    return out
