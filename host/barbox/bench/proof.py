"""What the bench found out about how a side stops."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from datetime import date
from typing import Any

LONGEST_HOLD_S = 1.0
"""An ESC that runs on for longer than this after its pulses end has not been proved to stop (common practice)."""

LONGEST_STOP_S = 0.5
"""The same for idle pulses after the stop loop opened: power off, though the rotor runs down for longer."""


@dataclass(frozen=True)
class StopProof:
    """Of one side, at the lowest step.

    `stop_s`: from the stop loop's opening to no more current; `hold_s`: from the last pulse to no more current, with
    pulses withheld; None: not measured. `by`: "voltage" or "ear". `settings_seen`: a person has looked at the ESC's own
    settings (cutoff off, braking off, cell count fixed). `*_at_least`: it still ran then; nobody knows for how long.
    """

    side: int
    stop_s: float | None
    hold_s: float | None
    by: str
    settings_seen: bool
    day: str
    stop_at_least: bool = False
    hold_at_least: bool = False
    token: int | None = None  # of the run in which the stop loop was opened: the box has seen it, and marks the proof

    def missing(self) -> str:
        """Why it is no proof, in a clause; "" when it is one."""
        if self.stop_s is None:
            return "the stop loop was not tried"
        if self.stop_at_least or self.stop_s > LONGEST_STOP_S:
            return f"it ran on for {_words(self.stop_s, self.stop_at_least)} after the stop loop opened"
        if self.hold_s is None:
            return "pulses were not withheld"
        if self.hold_at_least or self.hold_s > LONGEST_HOLD_S:
            return f"its ESC held its last command for {_words(self.hold_s, self.hold_at_least)} after the pulses ended"
        return "" if self.settings_seen else "its ESC's settings were not signed off"

    @property
    def proved(self) -> bool:
        """Whether the box's cap for unproved sides may go."""
        return not self.missing()

    def as_toml(self, record: str, mark: int) -> str:
        """The value of `proof` of a rig sheet: a note that names the file of the bench record and the mark of the box,
        and proves nothing by itself. Raises ValueError when it is no proof."""
        if self.hold_s is None or not self.proved:
            raise ValueError(self.missing())
        # Rounded up: a proof may not promise more than was measured.
        hold_s = -(-self.hold_s * 100 // 1) / 100
        return (f"{{ stop_proved = {date.fromisoformat(self.day)}, hold_s = {hold_s:g}, "
                f'record = "{record}", mark = "{mark:08x}" }}')

    def as_dict(self) -> dict[str, Any]:
        """For the record."""
        return asdict(self)


def _words(seconds: float, at_least: bool) -> str:
    return f"{'more than ' if at_least else ''}{seconds:.1f} s"
