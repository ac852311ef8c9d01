"""What looks wrong in what was learned, each in a sentence."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot
from typing import TYPE_CHECKING

import numpy as np

from barbox.bench.units import per_cent
from barbox.rig import Rig

if TYPE_CHECKING:
    from barbox.bench.learn import Point, SideLearned

WEAK = 0.15
"""A side that gives this much less than the best one is not a matter of tuning (common practice, no source)."""

_POOR_MERIT = 0.30
_WHY_WEAK = {
    "thrust": "the weaker one sets the full thrust of all",
    "sag": "a fan that draws less pulls less",
}
_SURE = 2.0  # standard uncertainties
_WORSE_SECTION = 1.3
_EXPONENTS = (1.2, 3.0)  # a fan on an ESC lies between; its speed goes with the pulse, its thrust with the square
_OFF_THE_REST = 0.025  # of the highest thrust
_BEYOND = 2.5  # of that is let pass at the last step, to which the others have to be drawn on
_ENOUGH_FOR_AN_END = 5  # others, or the dead band is not fitted and a law is not drawn on well
_AS_WELL = 2.0  # misfits that differ by less do not tell two steps apart


@dataclass(frozen=True)
class Finding:
    """`kind`: a short name for scripts; `side`: from 0, None for the rig; `text`: what was seen and what to look at."""

    kind: str
    side: int | None
    text: str


def look(rig: Rig, sides: Sequence[SideLearned], efficiency: Sequence[float]) -> list[Finding]:
    """All that looks wrong."""
    found: list[Finding] = []
    for s in sides:
        found += _falling(s)
        found += _beyond_the_bound(rig, s, efficiency[s.side])
        found += _shape(s)
    found += _weak(rig, sides)
    found += _sections(rig, sides)
    return found


def _falling(s: SideLearned) -> list[Finding]:
    if s.how != "measured":
        return []
    points = s.thrust.points
    # Below the resolution above a point is no dead band.
    gone = next((span for span in s.thrust.below if span > points[0].span), None)
    if gone is not None:
        return [Finding("falls", s.side,
                        f"{s.name}: no thrust at {per_cent(gone)} of the pulse span, where less pulse gave "
                        f"{points[0].value:.1f} N: that reading is left out; measure the step again")]  # fmt: skip
    for a, b in zip(points, points[1:], strict=False):
        if b.span > a.span and a.value - b.value > _SURE * hypot(a.u, b.u):
            return [Finding("falls", s.side,
                            f"{s.name}: thrust falls from {a.value:.1f} N at {per_cent(a.span)} of the pulse span to "
                            f"{b.value:.1f} N at {per_cent(b.span)}: measure both again; then look at the ESC's end "
                            "points, its temperature and the string's sag")]  # fmt: skip
    return []


def _beyond_the_bound(rig: Rig, s: SideLearned, efficiency: float) -> list[Finding]:
    # Against the electrical power, which holds whatever the efficiency is.
    over = [m for m in s.merits if efficiency * (m.merit - _SURE * m.u_read) > 1.0]
    if over:
        m = max(over, key=lambda m: m.merit)
        return [Finding("bound", s.side,
                        f"{s.name}: at {per_cent(m.span)} of the pulse span it seems to give more thrust than an ideal "
                        f"duct of {rig.sides[s.side].fan.diameter_mm:g} mm could from the power it draws "
                        f"({m.merit * efficiency:.2f} times): a wrong unit, a clamp on the wrong lead or out of "
                        "range, or another diameter")]  # fmt: skip
    best = max(s.merits, key=lambda m: m.span, default=None)
    if best and best.merit + _SURE * best.u_read < _POOR_MERIT:
        return [Finding("merit", s.side,
                        f"{s.name}: its thrust is what an ideal duct gives for {per_cent(best.merit)} of its power: "
                        "look for a blocked inlet or outlet, a rotor on the wrong way round, a rope that does not pull "
                        "straight, and the units")]  # fmt: skip
    return []


def _shape(s: SideLearned) -> list[Finding]:
    if s.how != "measured":
        return []
    found = []
    law = s.thrust.law
    n = len(s.thrust.points)
    leans_on = "square law" if n < 3 else "power law without a dead band"
    if n < 5:
        found.append(Finding("few", s.side,
                             f"{s.name}: thrust was measured at {n} step{'s'[: n > 1]} only: the curve leans on the "
                             f"{leans_on}; measure five or more"))  # fmt: skip
    elif not _EXPONENTS[0] <= law.exponent <= _EXPONENTS[1]:
        found.append(Finding("exponent", s.side,
                             f"{s.name}: thrust goes with the pulse to the power of {law.exponent:.2f}, where "
                             f"{_EXPONENTS[0]:g} to {_EXPONENTS[1]:g} is usual: let the ESC learn its end points "
                             "again"))  # fmt: skip
    found += _stands_out(s)
    return found


@dataclass(frozen=True)
class _LeftOut:
    """A point, how well the others lie on a law without it, what they make likely there, and how far off the point is,
    as a share of what is let pass."""

    point: Point
    misfit: float
    likely: float
    off: float


def _left_out(s: SideLearned, k: int) -> _LeftOut:
    from barbox.bench.fit import Monotone
    from barbox.bench.learn import fitted

    points = s.thrust.points
    p, others = points[k], [*points[:k], *points[k + 1 :]]
    f = fitted(others, sag=s.thrust.sag)
    guesses = [float(f.by_law_at(p.span))]
    if 0 < k < len(points) - 1:
        x, y, u = zip(*[(q.span, q.value, q.u) for q in others], strict=True)
        guesses.append(float(Monotone(x, y, u, f.law).at(p.span)))
    else:
        # Straight on from the two nearest, in the root that is all but straight for a fan.
        near = others[:2] if k == 0 else others[-2:]
        a, b = [(q.span, q.value ** (1.0 / f.law.exponent)) for q in near]
        root = a[1] + (b[1] - a[1]) / (b[0] - a[0]) * (p.span - a[0]) if b[0] > a[0] else a[1]
        guesses.append(max(root, 0.0) ** f.law.exponent)
    likely = min(guesses, key=lambda g: abs(p.value - g))
    passes = max(_OFF_THE_REST * max(q.value for q in points), 4.0 * p.u)
    if k == len(points) - 1:
        passes *= _BEYOND
    return _LeftOut(p, f.law.misfit, likely, abs(p.value - likely) / passes)


def _stands_out(s: SideLearned) -> list[Finding]:
    """The step without which the others lie best on one law, if it is plainly off what they make likely. A bad reading
    bends whatever is drawn through it, so that its neighbours seem off: hence each is left out in turn."""
    points = s.thrust.points
    if s.thrust.law.misfit <= 1.0:
        return []  # they scatter as stated
    ends = len(points) > _ENOUGH_FOR_AN_END
    judged = range(len(points)) if ends else range(1, len(points) - 1)
    ranked = sorted([_left_out(s, k) for k in judged], key=lambda out: out.misfit)
    if not ranked or ranked[0].off <= 1.0:
        return []
    first = ranked[0]
    likely = [out for out in ranked[:2] if out.off > 1.0 and out.misfit <= _AS_WELL * first.misfit]
    said = " or ".join([
        f"{out.point.value:.1f} N at {per_cent(out.point.span)} of the pulse span, where the others make "
        f"{out.likely:.1f} N likely"
        for out in likely
    ])
    which = "that step" if len(likely) == 1 else "both steps"
    return [Finding("stands out", s.side, f"{s.name}: {said}: measure {which} again")]


def _weak(rig: Rig, sides: Sequence[SideLearned]) -> list[Finding]:
    if len(sides) < 2:
        return []
    span = min(s.to_span for s in sides)
    if all(s.how == "measured" for s in sides):
        what, values = "thrust", [float(s.thrust.at(span)) / rig.sides[s.side].fan.full_thrust_n for s in sides]
    else:
        # Of packs that are alike; the sag of the whole string at the highest step, a cell.
        what, values = "sag", [sum([k.sag_v for k in s.sections]) / rig.sides[s.side].cells for s in sides]
    best = max(values)
    found = []
    for s, value in zip(sides, values, strict=True):
        if best > 0 and value < (1.0 - WEAK) * best:
            why = _WHY_WEAK[what]
            found.append(Finding("weak", s.side,
                                 f"{s.name}: {per_cent(1 - value / best)} less {what} than the best side "
                                 f"at {per_cent(span)} of the pulse span: look at its fan, ESC end points "
                                 f"and pack before trimming it away ({why})"))  # fmt: skip
    return found


def _sections(rig: Rig, sides: Sequence[SideLearned]) -> list[Finding]:
    known = [f for s in sides for f in s.sections if f.cell_mohm is not None and f.points > 2]
    if len(known) < 2:
        return []
    middle = float(np.median([f.cell_mohm for f in known]))  # type: ignore[misc]
    found = []
    for f in known:
        assert f.cell_mohm is not None and f.resistance_sd_mohm is not None
        if f.cell_mohm - _SURE * f.resistance_sd_mohm / f.cells > _WORSE_SECTION * middle:
            where = f"{rig.sides[f.side].name}, {rig.sides[f.side].section_name(f.section)}"
            found.append(Finding("resistance", f.side,
                                 f"{where}: {f.cell_mohm:.1f} milliohm a cell, the middle one has {middle:.1f}: an "
                                 "aged pack, a cold one, or a contact that gets warm"))  # fmt: skip
    return found
