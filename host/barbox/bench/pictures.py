"""Pictures of a bench run, as SVG: thrust and current against pulse and against the lever, before and after."""

from __future__ import annotations

import io
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from matplotlib import rc_context
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure

from barbox.bench.curve import SAME_PM, Curves, spans, thrust_n
from barbox.bench.learn import MEASURED, Fitted, Learned, SideLearned
from barbox.rig import Rig

# Colours that people with any colour vision tell apart (M. Okabe, K. Ito, 2008); markers and dashes differ as well.
SIDE_STYLE = (("#0072B2", "o", "-"), ("#D55E00", "s", "--"), ("#009E73", "^", "-."), ("#CC79A7", "D", ":"))
_INK, _GREY = "#222222", "#888888"
_RECKONED = " (from a cross on, current is reckoned)"
# `svg.hashsalt` makes the ids in the file, and so the file, the same each time.
_STYLE: dict[Any, Any] = {
    "font.family": "DejaVu Sans",
    "font.size": 9.5,
    "axes.edgecolor": _GREY,
    "svg.hashsalt": "bench",
    "svg.fonttype": "path",
}


def _picture(fill: Callable[[Any, Any], None]) -> str:
    with rc_context(_STYLE):
        figure = Figure(figsize=(11, 4.2), layout="constrained")
        FigureCanvasSVG(figure)
        axes = figure.subplots(1, 2)
        fill(*axes)
        for ax in axes:
            ax.grid(True, color="#DDDDDD", linewidth=0.6)
            ax.spines[["top", "right"]].set_visible(False)
        out = io.BytesIO()
        figure.savefig(out, format="svg", metadata={"Date": None, "Creator": "barbox"})
    text = out.getvalue().decode()
    return text[text.index("<svg") :]


def against_pulse(learned: Learned) -> str:
    """Readings with their uncertainty, and what is made of them: thrust to the left, current to the right."""

    def fill(left: Any, right: Any) -> None:
        beyond = False
        for s in learned.sides:
            colour, _, dashes = SIDE_STYLE[s.side]
            span = np.linspace(0.0, s.to_span, 300)
            words = s.name if s.how == MEASURED else f"{s.name}, assumed"
            left.plot(100 * span, s.thrust.at(span), dashes, color=colour, linewidth=1.3, label=words)
            if s.how == MEASURED:
                _points(left, s, s.thrust)
            if s.current:
                beyond |= _current(right, 100 * span, span, s, linewidth=1.3, label=s.name)
                _points(right, s, s.current)
        left.set_ylabel("thrust, N")
        left.set_title("Thrust against pulse", loc="left", color=_INK)
        right.set_ylabel("current, A")
        right.set_title("Current against pulse", loc="left", color=_INK)
        for ax in (left, right):
            ax.set_xlabel("pulse span, %" + (_RECKONED if ax is right and beyond else ""))
            ax.set_xlim(0, 103)
            ax.set_ylim(bottom=0)
        left.legend(loc="upper left", frameon=False)
        if not any(s.current for s in learned.sides):
            _nothing(right, "no clamp meter:\ncurrent was not measured")

    return _picture(fill)


def _points(ax: Any, s: SideLearned, what: Fitted) -> None:
    colour, marker, _ = SIDE_STYLE[s.side]
    x, y, u = (np.array([getattr(p, k) for p in what.points]) for k in ("span", "value", "u"))
    ax.errorbar(100 * x, y, 2 * u, fmt=marker, color=colour, markersize=4.5, capsize=2, linewidth=1.0)


def _current(ax: Any, x: Any, span: Any, s: SideLearned, **style: Any) -> bool:
    """Draw current over `x`, whose pulse spans are `span`, both rising; True when some of it is beyond the last clamp
    reading: from a cross on, and dotted."""
    assert s.current
    colour, _, dashes = SIDE_STYLE[s.side]
    amps = s.current.drawn_on(span)
    read = int(np.count_nonzero(1000 * (span - s.current.last_span) <= SAME_PM))
    ax.plot(x[:read], amps[:read], dashes, color=colour, **style)
    if read == len(x):
        return False
    style["label"] = None
    start = max(read - 1, 0)
    ax.plot(x[start:], amps[start:], ":", color=colour, marker="x", markevery=[0], markersize=7, **style)
    return True


def against_lever(rig: Rig, learned: Learned, curves: Curves, old: Sequence[Sequence[int]]) -> str:
    """Thrust against what the lever asks for: with the table that was on the box, and with the new one."""

    def fill(left: Any, right: Any) -> None:
        demand = np.arange(1001) / 10.0
        scale = max(float(np.max(thrust_n(rig, s, t))) for s, t in zip(learned.sides, old, strict=True))
        top = 1.06 * max(scale, curves.full_thrust_n)
        thrust = "Assumed thrust" if learned.assumed else "Thrust"
        for ax, title, tables in (
            (left, f"{thrust} against lever, before", old),
            (right, f"{thrust} against lever, after", [c.curve_pm for c in curves.sides]),
        ):
            ax.plot([0, 100], [0, curves.full_thrust_n], color=_GREY, linewidth=3, alpha=0.45, label="in proportion")
            for s, table in zip(learned.sides, tables, strict=True):
                colour, _, dashes = SIDE_STYLE[s.side]
                span = spans(rig, s.side, table)
                tried = span <= s.to_span + 1e-9
                pull = thrust_n(rig, s, table)
                ax.plot(demand[tried], pull[tried], dashes, color=colour, linewidth=1.5, label=s.name)
                if not tried.all():
                    last = int(np.flatnonzero(tried)[-1])
                    ax.plot([demand[last]], [pull[last]], "x", color=colour, markersize=7)
            ax.set_title(title, loc="left", color=_INK)
            ax.set_xlabel("lever, % (a cross: no thrust is known above)" if ax is left else "lever, %")
            ax.set_ylabel("thrust, N")
            ax.set_xlim(0, 102)
            ax.set_ylim(0, top)
            ax.legend(loc="upper left", frameon=False)

    return _picture(fill)


def current_and_error(rig: Rig, learned: Learned, curves: Curves, old: Sequence[Sequence[int]]) -> str:
    """Current against the lever, before (thin) and after; and how far thrust is from being in proportion."""

    def fill(left: Any, right: Any) -> None:
        demand = np.arange(1001) / 10.0
        beyond = False
        for s, c, before in zip(learned.sides, curves.sides, old, strict=True):
            colour, _, dashes = SIDE_STYLE[s.side]
            if s.current:
                for table, width, words in ((before, 0.9, "before"), (c.curve_pm, 1.8, "after")):
                    span = spans(rig, s.side, table)
                    tried = span <= s.to_span + 1e-9
                    beyond |= _current(left, demand[tried], span[tried], s, linewidth=width,
                                       alpha=0.6 if width < 1 else 1, label=f"{s.name}, {words}")  # fmt: skip
            if learned.assumed:
                continue
            off = 100 * (thrust_n(rig, s, c.curve_pm) / curves.full_thrust_n) - demand
            sure = 100 * c.error_u
            right.fill_between(demand[100:], off[100:] - sure, off[100:] + sure, color=colour, alpha=0.10, linewidth=0)
            right.plot(demand, off, dashes, color=colour, linewidth=1.5, label=s.name)
        left.set_title("Current against lever", loc="left", color=_INK)
        left.set_ylabel("current, A")
        left.set_ylim(bottom=0)
        if any(s.current for s in learned.sides):
            left.legend(loc="upper left", frameon=False)
        else:
            _nothing(left, "no clamp meter:\ncurrent was not measured")
        right.set_title("After: thrust less demand, % of full thrust", loc="left", color=_INK)
        right.set_ylabel("% of full thrust")
        right.set_ylim(-5, 5)
        if learned.assumed:
            _nothing(right, "no scale:\nthrust was not measured")
        else:
            right.axvspan(0, 10, color="#EEEEEE", linewidth=0)
            right.axhline(0, color=_GREY, linewidth=0.8)
            right.annotate("below 10 %: through the dead band", (11, -4.5), fontsize=8.5, color="#555555")
            right.legend(loc="upper right", ncols=2, frameon=False)
        for ax in (left, right):
            ax.set_xlabel("lever, %" + (_RECKONED if ax is left and beyond else ""))
            ax.set_xlim(0, 102)

    return _picture(fill)


def merit(learned: Learned) -> str:
    """Share of an ideal duct against thrust; sag of each section against current."""

    def fill(left: Any, right: Any) -> None:
        top = 1.0
        for s in learned.sides:
            colour, marker, dashes = SIDE_STYLE[s.side]
            if s.merits:
                x = [100 * m.span for m in s.merits]
                y, u = [m.merit for m in s.merits], [2 * m.u for m in s.merits]
                left.errorbar(x, y, u, fmt=marker, linestyle=dashes, color=colour, markersize=4.5, capsize=2,
                              linewidth=1.0, label=s.name)  # fmt: skip
                top = max(top, *y)
            for f in s.sections:
                if f.cell_mohm is None or f.resistance_sd_mohm is None:
                    continue
                right.errorbar([f"{s.name}\n{_short(f.section)}"], [f.cell_mohm], [2 * f.resistance_sd_mohm / f.cells],
                               fmt=marker, color=colour, markersize=6, capsize=4)  # fmt: skip
        left.axhline(1.0, color=_INK, linewidth=1.0)
        left.annotate("ideal duct: no fan is above it", (2, 1.0), (0, 4), textcoords="offset points", fontsize=8)
        left.set_ylim(0, 1.15 * top)
        left.set_xlim(0, 103)
        left.set_xlabel("pulse span, %")
        left.set_title("Figure of merit", loc="left", color=_INK)
        if any(s.merits for s in learned.sides):
            left.legend(loc="lower right", frameon=False)
        else:
            _nothing(left, "needs scale and clamp meter")
        right.set_title("Resistance of a mean cell, milliohm", loc="left", color=_INK)
        if any(f.cell_mohm is not None for s in learned.sides for f in s.sections):
            most = max(f.cell_mohm for s in learned.sides for f in s.sections if f.cell_mohm is not None)
            right.set_ylim(0, 1.3 * most)
            right.margins(x=0.2)
        else:
            _nothing(right, "needs a clamp meter")

    return _picture(fill)


def _short(section: int) -> str:
    return f"section {section + 1}"


def _nothing(ax: Any, words: str) -> None:
    ax.text(0.5, 0.5, words, transform=ax.transAxes, ha="center", va="center", color=_GREY)
