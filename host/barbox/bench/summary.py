"""A bench run in lines and tables: the page and the terminal show the same; and as numbers for the record."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from math import hypot
from typing import Any

from barbox.bench.checklist import QUESTIONS
from barbox.bench.curve import SAME_PM, Curves
from barbox.bench.learn import (
    ASSUMED_EFFICIENCY,
    ASSUMPTIONS,
    EFFICIENCY_U,
    MEASURED,
    Fitted,
    Learned,
    SideLearned,
    turning_moment_nm,
)
from barbox.bench.plan import Plan
from barbox.bench.record import Record
from barbox.bench.units import per_cent
from barbox.rig import Rig

Table = tuple[list[str], list[list[str]]]


def headline(rig: Rig, learned: Learned, curves: Curves) -> list[str]:
    """What matters most. Where thrust is assumed, nothing is said of how well it is in proportion: nobody knows."""
    full = f"full demand gives {curves.full_thrust_n:.1f} N on each side"
    if learned.assumed:
        lines = [
            f"THRUST IS ASSUMED, not measured; {learned.assumed}",
            f"if that holds, {full}; how far thrust is from being in proportion to the lever, and one side from "
            "another, is not known",
        ]
        return lines + _ends(learned)
    by_scale = hypot(learned.instruments.thrust_error_percent / 100, curves.sides[curves.set_by].error_u)
    full += f", give or take {by_scale * curves.full_thrust_n:.1f} N"
    lines = [
        full + (f", set by {curves.sides[curves.set_by].name}, the weaker one" if len(curves.sides) > 1 else ""),
        f"from 10 to 100 % of the lever, thrust is within {100 * max(c.error for c in curves.sides):.1f} % of full "
        "thrust of being in proportion"
        + (f", and the sides within {100 * curves.apart:.1f} % of each other" if len(curves.sides) > 1 else "")
        + f", give or take {100 * max(c.error_u for c in curves.sides):.1f} % for what the readings leave open",
    ]
    for c in curves.sides:
        lines.append(
            f"{c.name}: begins to push at {c.starts_pm / 10:.1f} % of the lever; below 10 % its thrust is up to "
            f"{100 * c.low_error:.1f} % of full thrust under proportion, since the first piece of the table leads "
            "through the dead band"
        )
    lines += _ends(learned)
    if len(learned.sides) > 1:
        off = learned.mismatch_n()
        span = min(s.to_span for s in learned.sides)
        first, last = learned.sides[0].name, learned.sides[-1].name
        more = f"{abs(off):.1f} N {'more' if off > 0 else 'less'}"
        line = f"untrimmed, at {per_cent(span)} of the pulse span, {first} pulls {more} than {last}"
        spacing = rig.vehicle.fan_spacing_mm
        if spacing:
            moment_nm = abs(turning_moment_nm(off, spacing))
            trimmed_nm = turning_moment_nm(curves.apart * curves.full_thrust_n, spacing)
            line += f": {moment_nm:.1f} N m about the middle of fans {spacing:g} mm apart; trimmed {trimmed_nm:.2f} N m"
        else:
            line += "; state vehicle.fan_spacing_mm in the sheet for the turning moment"
        lines.append(line)
    return lines


def _ends(learned: Learned) -> list[str]:
    return [
        f"{s.name}: no thrust is known above {per_cent(s.to_span)} of the pulse span: the curve ends there"
        for s in learned.sides
        if s.to_span < 0.999
    ]


def plan_lines(rig: Rig, plan: Plan) -> list[str]:
    """What the plan will take."""
    lines = [
        f"{side.name}: {wh:.0f} Wh, {per_cent(share)} of its string's charge"
        for side, wh, share in zip(rig.sides, plan.energy_wh, plan.charge_share, strict=True)
    ]
    steps = "1 step" if len(plan.steps) == 1 else f"{len(plan.steps)} steps"
    lines.append(f"{steps}, about {plan.minutes:.0f} minutes; what is expected of each:")
    return lines


def plan_table(rig: Rig, plan: Plan) -> Table:
    """A row a step, with what is expected of it."""
    head = ["step", "side", "of span", "pulse", "thrust", "current", "hold", "rest"]
    return head, [
        [
            str(s.number + 1), rig.sides[s.side].name, f"{s.span_pm / 10:g} %", f"{s.pulse_us} us",
            f"{s.expected_n:.1f} N", f"{s.expected_a:.1f} A", f"{s.hold_s:.0f} s", f"{s.rest_s:.0f} s",
        ]
        for s in plan.steps
    ]  # fmt: skip


def tables(rig: Rig, curves: Curves, old: Sequence[Sequence[int]]) -> Table:
    """Share of the pulse span at each demand, by the old and the new table of each side, and its current: in brackets
    beyond the last clamp reading."""
    head, by_column = ["demand"], [[f"{10 * n} %" for n in range(11)]]
    for c, before in zip(curves.sides, old, strict=True):
        head += [f"{c.name} now", f"{c.name} new"]
        by_column += [[f"{v / 10:.1f} %" for v in table] for table in (before, c.curve_pm)]
        if c.current_da:
            read = [pm - c.read_pm <= SAME_PM for pm in c.curve_pm]
            head.append(f"{c.name} draws" + ("" if all(read) else " (reckoned)"))
            amps = [f"{v / 10:.1f} A" for v in c.current_da]
            by_column.append([a if r else f"({a})" for a, r in zip(amps, read, strict=True)])
    return head, [list(row) for row in zip(*by_column, strict=True)]


def readings(rig: Rig, record: Record) -> Table:
    """A row a reading."""
    head = ["side", "pulse, us", "thrust, N", "current, A", "sections at rest, V", "sections under load, V"]
    rows = []
    for r in record.run.in_order():
        rows.append([
            rig.sides[r.side].name, str(r.pulse_us), _number(r.thrust_n, ".2f"), _number(r.current_a, ".1f"),
            " / ".join([_number(v, ".2f") for v in r.rest_v]), " / ".join([_number(v, ".2f") for v in r.load_v]),
        ])  # fmt: skip
    return head, rows


def _number(value: float | None, how: str) -> str:
    return "-" if value is None else format(value, how)


def figures(rig: Rig, learned: Learned) -> list[str]:
    """What was fitted, with uncertainties (k = 2 throughout)."""
    lines = []
    by_scale, by_clamp = (p / 200 for p in (learned.instruments.thrust_error_percent,
                                            learned.instruments.current_error_percent))  # fmt: skip
    for s in learned.sides:
        if s.how == MEASURED:
            lines += _model(s, "thrust", "N", s.thrust, by_scale)
        else:
            lines.append(f"{s.name}: {ASSUMPTIONS[s.how]}")
        if s.current:
            lines += _model(s, "current", "A", s.current, by_clamp)
        if s.power:
            assumed = 0.0 if rig.sides[s.side].fan.efficiency else EFFICIENCY_U
            lines += _model(s, "shaft power", "W", s.power, hypot(by_clamp, assumed))
        if s.merits:
            best = s.merits[-1]
            lines.append(
                f"{s.name}: figure of merit {best.merit:.2f} +- {2 * best.u:.2f} at {per_cent(best.span)} of the pulse "
                f"span (share of its shaft power that an ideal duct of {rig.sides[s.side].fan.diameter_mm:g} mm "
                f"would need in air of {learned.air.density_kg_m3:.3f} kg/m3)"
            )
        for f in s.sections:
            where = f"{s.name}, {rig.sides[s.side].section_name(f.section)}"
            line = f"{where}: sags by {f.sag_v:.2f} V at {f.at_us} us, {1000 * f.cell_sag_v:.0f} mV a cell"
            if f.cell_mohm is not None and f.resistance_sd_mohm is not None:
                spread = 2 * hypot(f.resistance_sd_mohm / f.cells, by_clamp * f.cell_mohm)
                line += f"; {f.cell_mohm:.3g} +- {spread:.1g} milliohm a cell over some seconds"
            lines.append(line)
    return lines


def _model(s: SideLearned, what: str, unit: str, f: Fitted, gain_u: float) -> list[str]:
    """`gain_u`: what is alike in all its points, a relative standard uncertainty."""
    law = f.law
    scale_u = hypot(law.scale_sd, gain_u * law.scale)
    text = (
        f"{s.name}: {what} = {law.scale:.4g} (+- {2 * scale_u:.2g}) {unit} x (span - {law.dead:.3f}"
        + (f" (+- {2 * law.dead_sd:.2g})" if law.dead_sd else "")
        + f") ^ {law.exponent:.2f}"
        + (f" (+- {2 * law.exponent_sd:.2g})" if law.exponent_sd else "")
        + f", from {law.points} steps"
    )
    curve = f"; the monotone curve through the points is used, up to {f.apart:.2g} {unit} from it"
    text += "; used" if f.by_law else curve
    if f.below:
        text += f"; {len(f.below)} reading{'s'[: len(f.below) > 1]} below the instrument's resolution not fitted"
    return [text]


def assumptions(record: Record, learned: Learned) -> list[str]:
    """What the figures rest on."""
    i = record.instruments.resolved(record.run.in_order())
    lines = [f"{s.name}: {ASSUMPTIONS[s.how]}" for s in learned.sides]
    if i.scale:
        lines.append(
            f"scale read to {i.step_n:.3g} N; its gain may be off by {i.thrust_error_percent:g} %, alike on "
            "all sides: that moves every thrust alike, and neither the proportion nor the match of the sides"
        )
    if i.clamp:
        lines.append(
            f"clamp meter read to {i.current_step_a:.3g} A; its gain may be off by {i.current_error_percent:g} %, "
            "which moves currents, resistances and the figure of merit"
        )
        lines += [
            f"{s.name}: no current was read above {per_cent(s.current.last_span)} of the pulse span: from there on it "
            "is drawn on by the law that fits the readings, and the box counts charge by that"
            for s in learned.sides
            if s.current and 1000 * (s.to_span - s.current.last_span) > SAME_PM
        ]
        lines.append(
            "shaft power is "
            + ", ".join([f"{per_cent(e)}" for e in sorted(set(learned.efficiency))])
            + " of the string's power (the sheet's efficiency; where it has none, what is common, "
            f"{per_cent(ASSUMED_EFFICIENCY)}, give or take {200 * EFFICIENCY_U:.0f} % of it)"
        )
    if learned.reference_cell_v is not None:
        lines.append(
            f"all values are carried to strings that rest at {learned.reference_cell_v:.3f} V a cell, by the fan "
            "laws; sag stays as it is"
        )
    air = record.air
    unstated = [what for what, v in (("pressure", air.pressure_hpa), ("temperature", air.temperature_c)) if v is None]
    lines.append(
        f"air of {air}, humidity left out"
        + (f"; {' and '.join(unstated)} not stated" if unstated else "")
        + f": density +- {200 * air.density_u:.0f} %, which moves the figure of merit by half of that"
    )
    if other := [n for n in sorted(record.run.readings) if n in record.airs]:
        each = ", ".join([f"{n + 1} ({record.airs[n].density_kg_m3:.3f} kg/m3)" for n in other])
        lines.append(f"steps measured in other air, thrust and current carried to this with density (fan laws): {each}")
    return lines


def answers(record: Record) -> list[tuple[str, bool]]:
    """The checklist's questions and how they were answered."""
    return [(q.text, record.checklist[q.key]) for q in QUESTIONS if q.key in record.checklist]


def proofs(rig: Rig, record: Record) -> list[str]:
    """How each side stops."""
    lines = []
    for p in record.proofs:
        name = rig.sides[p.side].name
        seen = (("stop loop", p.stop_s, p.stop_at_least), ("pulses withheld", p.hold_s, p.hold_at_least))
        times = ", ".join([
            f"{words}: {'more than' if longer else 'within'} {v:.2f} s" for words, v, longer in seen if v is not None
        ])
        verdict = "its stop is proved" if p.proved else f"NOT proved, {p.missing()}"
        lines.append(f"{name}: {verdict} ({times or 'no time'}, by {p.by}, {p.day})")
    return lines


def as_dict(rig: Rig, learned: Learned, curves: Curves) -> dict[str, Any]:
    """For the record and for scripts: numbers only, sides by name; errors None where thrust is assumed."""

    def known(error: float) -> float | None:
        return None if learned.assumed else error

    return {
        "full_thrust_n": curves.full_thrust_n,
        "set_by": curves.sides[curves.set_by].name,
        "apart": known(curves.apart),
        "density_kg_m3": learned.air.density_kg_m3,
        "findings": [asdict(f) for f in learned.findings],
        "sides": [
            {
                "name": s.name,
                "thrust_is": s.how,
                "to_span": s.to_span,
                "thrust": _law(s.thrust),
                "current": _law(s.current),
                "shaft_power": _law(s.power),
                "merit": [asdict(m) for m in s.merits],
                "sections": [asdict(f) for f in s.sections],
                "curve_pm": list(c.curve_pm),
                "current_da": list(c.current_da) if c.current_da else None,
                "current_read_pm": c.read_pm if c.current_da else None,
                "error": known(c.error),
                "low_error": known(c.low_error),
                "starts_pm": c.starts_pm,
            }
            for s, c in zip(learned.sides, curves.sides, strict=True)
        ],
    }


def _law(f: Fitted | None) -> dict[str, Any] | None:
    if f is None:
        return None
    return {**asdict(f.law), "used": "power law" if f.by_law else "monotone curve", "not_fitted": len(f.below)}
