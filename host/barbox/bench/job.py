"""What `barbox bench` was asked for."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from time import monotonic
from typing import Any

from barbox.bench import record, run
from barbox.bench.at_box import AtBox
from barbox.rig import Rig

MEASURE, PROVE, END_POINTS = "measure", "prove", "end points"


@dataclass(frozen=True)
class Job:
    """What was asked for.

    `spans_pm`: pulse spans to measure at, None: not said. `instruments`, `air`: what was said about them; on resuming,
    instruments replace what the record has, and air is that of what is measured from then on (`barbox.bench.begin`).
    `resume`: True, False (begin anew), None (ask where a run was not finished). `day`: ISO date; `now_unix_s` for the
    record.
    """

    rig: Rig
    sheet: Path
    at: AtBox
    day: str
    now_unix_s: int
    what: str = MEASURE
    simulated: bool = False
    spans_pm: Sequence[int] | None = None
    instruments: Mapping[str, Any] = field(default_factory=dict)
    air: Mapping[str, float] = field(default_factory=dict)
    resume: bool | None = None
    scale: run.Scale | None = None
    clock: Callable[[], float] = monotonic
    aside: Callable[..., Awaitable[object]] = asyncio.to_thread  # see `barbox.bench.run.measure`

    @property
    def record_path(self) -> Path:
        """A simulated run has a file of its own: it never takes the place of a measurement."""
        path = record.beside(self.sheet)
        return path.with_suffix(".sim.json") if self.simulated else path
