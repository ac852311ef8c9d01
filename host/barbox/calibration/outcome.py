"""What became of a calibration: the settings that change, and before and after in words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from barbox.calibration.budget import Result
from barbox.settings_text import Slot
from barbox.settings_write import Change
from shared_proto.settings import ROWS


@dataclass
class Outcome:
    """What became of it."""

    results: list[Result] = field(default_factory=list)
    before: dict[int, dict[str, int]] = field(default_factory=dict)
    written: bool = False


def changes(out: Outcome) -> list[Change]:
    """What is to be written."""
    return [
        Change(Slot(ROWS[name], r.target.input), out.before[r.target.input][name], value)
        for r in out.results
        for name, value in r.settings.items()
        if out.before[r.target.input][name] != value
    ]


def summary(out: Outcome) -> str:
    """Before and after, input by input, in words."""
    lines = []
    for r in out.results:
        old, new = out.before[r.target.input], r.settings
        top = r.stated(r.top_v)
        was = "calibrated" if old["sense.calibrated"] else "not calibrated"
        kind = "gain alone" if r.gain_only else "gain and offset"
        lines += [
            "",
            f"input {r.target.input + 1}, {r.target.name}: {len(r.points)} point{'s' * (len(r.points) > 1)}, {kind}",
            f"  before: {old['sense.nv_per_count']} nV a count, {old['sense.offset_mv']:+d} mV, within "
            f"{old['sense.uncertainty_mv'] / 1000:.2f} V, {was}",
            f"  after:  {new['sense.nv_per_count']} nV a count, {new['sense.offset_mv']:+d} mV, within "
            f"{top.expanded_v:.3f} V (95 %, k = {top.factor:.2f}) near {r.top_v:.1f} V",
            f"  so it reads {_shifts(r, old)}",
        ]
        if r.odd_offset:
            lines.append(f"  {r.odd_offset}")
        if len(r.points) > 2 or (r.gain_only and len(r.points) > 1):
            residuals = zip(r.line.residuals, r.points, strict=True)
            told = ", ".join([f"{1000 * float(v):+.1f} mV at {p.volts:g} V" for v, p in residuals])
            lines.append(f"  residuals: {told}")
    return "\n".join(lines)


def _shifts(r: Result, old: Mapping[str, int]) -> str:
    """How the readings change at full charge and, with an offset, at the lowest point as well."""
    told = []
    for volts in [r.top_v] if r.gain_only else [r.top_v, min(p.volts for p in r.points)]:
        code = (volts - r.line.at(0.0)) / r.line.slope
        shift_mv = round(1000 * volts - (code * old["sense.nv_per_count"] / 1e6 + old["sense.offset_mv"]))
        much = f"{abs(shift_mv)} mV {'more' if shift_mv > 0 else 'less'}" if shift_mv else "the same"
        told.append(f"{much} near {volts:.1f} V")
    return " and ".join(told)

