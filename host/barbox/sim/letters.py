"""Reads the letters on the simulated display back, so that a test can say what a rider reads."""

from __future__ import annotations

import subprocess
import sys
from functools import cache

import numpy as np

from barbox.sim import vm
from barbox.sim.panel import HEIGHT, WIDTH


def read(screen: np.ndarray) -> list[str]:
    """Lines of letters found in the pixels (64, 128) of bool, from top to bottom, plain and stretched ones."""
    known = font()
    found: list[tuple[int, int, int, int, str]] = []
    taken = np.zeros_like(screen)
    for tall, wide in ((3, 2), (3, 1), (2, 2), (2, 1), (1, 1)):
        for y in range(0, HEIGHT - 8 * tall + 1, 8):
            x = 0
            while x <= WIDTH - 8 * wide:
                block = screen[y : y + 8 * tall, x : x + 8 * wide]
                letter = None if taken[y : y + 8 * tall, x : x + 8 * wide].any() else _letter(block, tall, wide, known)
                if letter is None:
                    x += 1
                    continue
                found.append((y, tall, x, 8 * wide, letter))
                taken[y : y + 8 * tall, x : x + 8 * wide] = True
                x += 8 * wide
    return _lines(found)


def _letter(block: np.ndarray, tall: int, wide: int, font: dict[bytes, str]) -> str | None:
    small = block[::tall, ::wide]
    if (np.repeat(np.repeat(small, tall, 0), wide, 1) != block).any():
        return None
    for flip in (False, True):
        columns = np.packbits(small ^ flip, axis=0, bitorder="little").tobytes()
        letter = font.get(columns)
        if letter is not None:
            return letter
    return None


def _lines(found: list[tuple[int, int, int, int, str]]) -> list[str]:
    lines: dict[tuple[int, int], list[tuple[int, int, str]]] = {}
    for y, tall, x, width, letter in found:
        lines.setdefault((y, tall), []).append((x, width, letter))
    out = []
    for key in sorted(lines):
        line, end = "", None
        for x, width, letter in sorted(lines[key]):
            if end is not None and x - end > width // 4:
                # The narrow point between two digits is half a letter.
                line += "." if x - end == width // 2 and letter in "0123456789-" else " "
            line += letter
            end = x + width
        out.append(line)
    return out


@cache
def font() -> dict[bytes, str]:
    """The built-in font of MicroPython, asked from the VM: eight columns of a letter -> the letter."""
    code = (
        "import framebuf\nb=bytearray(8)\nf=framebuf.FrameBuffer(b,8,8,framebuf.MONO_VLSB)\n"
        "for i in range(33,127):\n f.fill(0)\n f.text(chr(i),0,0)\n print(''.join('%02x'%c for c in b))\n"
    )
    run = f"{vm._SITE}from micropython_unix import run_main; sys.exit(run_main(['micropython', '-c', {code!r}]))"
    made = subprocess.run([sys.executable, "-S", "-c", run], capture_output=True, text=True, check=True, timeout=30)
    return {bytes.fromhex(line): chr(33 + n) for n, line in enumerate(made.stdout.split())}
