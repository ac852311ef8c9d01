"""Firmware files with a fault put in, for the simulated board's flash."""

import re

from barbox.sim.firmware import board_files


def patched(path: str, pattern: str, replacement: str) -> dict[str, bytes]:
    """An overlay of one file; the pattern must stand in it exactly once."""
    text, count = re.subn(pattern, replacement, board_files()[path].decode(), flags=re.DOTALL)
    assert count == 1, f"{path}: the place for the fault was found {count} times"
    return {path: text.encode()}


def failing_step(after_ms: int, what: str = "raise ValueError('made to fail')") -> dict[str, bytes]:
    """A control step that fails once the box has run for `after_ms`, and ever after."""
    return patched(
        "core/controller.py",
        r'(    def step\(self, dt_us\):\n        """.*?"""\n)',
        rf"\1        if self.now_ms >= {after_ms}:\n            {what}\n",
    )


def failing_house(after_ms: int, what: str) -> dict[str, bytes]:
    """A task that does `what` once the box has run for `after_ms`."""
    return patched(
        "services/house.py",
        r"(            await asyncio\.sleep_ms\(_EVERY_MS\)\n)",
        rf"\1            if controller.now_ms >= {after_ms}:\n                {what}\n",
    )


def failing_once_write(at_call: int) -> dict[str, bytes]:
    """A pulse output whose `write` raises once, at that call of it."""
    return patched(
        "drivers/pulse.py",
        r"(    def write\(self, index, width_us\):\n        \"\"\".*?\"\"\"\n)",
        rf"\1        self.calls = getattr(self, 'calls', 0) + 1\n"
        rf"        if self.calls == {at_call}:\n            raise MemoryError\n",
    )


TASKS = ("link", "stream", "house", "estimator", "screens", "sounds")  # as services and box.py name them


def failing_task(name: str, after_ms: int) -> dict[str, bytes]:
    """The task of that name raises once the box has run for `after_ms`, and never again."""
    return patched(
        "box.py",
        r"(                )await task\.run\(\)\n",
        rf"\1if number == {TASKS.index(name)} and errors == 0:\n"
        rf"\1    await asyncio.wait_for_ms(task.run(), {after_ms})\n"
        rf"\1await task.run()\n",
    )
