"""One picture of a ride: demand against lever and limit, voltages a cell by section, states, and what happened.

The same data give the same bytes with the same matplotlib.
"""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib import rc_context
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.patches import Patch
from matplotlib.ticker import FuncFormatter, MaxNLocator

from barbox.files import write_whole
from barbox.rides.account import clock
from barbox.rides.figures import summarise
from barbox.rides.timeline import Ride, Timeline, timeline
from shared_proto import states

# Colours that people with any colour vision tell apart (M. Okabe, K. Ito, 2008); styles differ as well.
_BLUE, _ORANGE, _GREEN, _RED, _SKY, _PURPLE = "#0072B2", "#E69F00", "#009E73", "#D55E00", "#56B4E9", "#CC79A7"
_STATE_COLOURS = ("#BBBBBB", _SKY, _GREEN, _RED, _ORANGE, _PURPLE)
_SECTION_LINES = ((_BLUE, "-"), (_RED, "-"), (_GREEN, "--"), (_PURPLE, "--"))
_INK = "#222222"
_CHARACTER = 0.0066  # width of a small letter, as a share of the time axis
_LABEL_APART = 0.055  # at least this share of the voltage axis between two labels
_LABEL_ROWS = 3  # labels of events that would run into each other move up
_STYLE: dict[Any, Any] = {"font.family": "DejaVu Sans", "font.size": 9.0, "axes.edgecolor": "#888888"}


def draw(ride: Ride, title: str = "") -> bytes:
    """The picture as PNG bytes, 1320 pixels wide. A ride without records gives an empty frame that says so."""
    line = timeline(ride)
    with rc_context(_STYLE):
        high = 4.9 + 1.9 * len(line.side_names) + 1.5 * _has_use(line)
        figure = Figure(figsize=(12, high), dpi=110, layout="constrained")
        FigureCanvasAgg(figure)
        if not len(line.status):
            figure.text(0.5, 0.5, "no record in this ride", ha="center")
        else:
            _fill(figure, line, title)
        out = io.BytesIO()
        figure.savefig(out, format="png", metadata={"Software": "barbox"})
    return out.getvalue()


def save(ride: Ride, path: str | Path, title: str = "") -> None:
    """Write the picture to a file. Raises UserError when that is not possible."""
    write_whole(path, draw(ride, title))


def _fill(figure: Figure, line: Timeline, title: str) -> None:
    sides = [n for n in range(len(line.side_names)) if any(s.side == n for s in line.sections)]
    ratios = [0.22, 2.2] + [1.9] * len(sides) + [1.5] * _has_use(line)
    axes: list[Any] = list(
        figure.subplots(len(ratios), 1, sharex=True, gridspec_kw={"height_ratios": ratios}, squeeze=False)[
            :, 0
        ]
    )
    found = summarise(line)
    _states(axes[0], line)
    _demand(axes[1], line)
    low_v, high_v = _span(line)
    for ax, side in zip(axes[2 : 2 + len(sides)], sides, strict=True):
        _voltages(ax, line, side, low_v, high_v)
    if _has_use(line):
        _use(axes[-1], line)
    for ax in axes[1:]:
        ax.grid(True, color="#DDDDDD", linewidth=0.6)
        ax.spines[["top", "right"]].set_visible(False)
        for c in found["cutbacks"]:
            ax.axvspan(c["first_s"], c["last_s"], color=_ORANGE, alpha=0.16, linewidth=0)
        for g in found["gaps"]:
            end_s = g["t_s"] + g["length_s"]
            ax.axvspan(g["t_s"], end_s, facecolor="none", edgecolor="#AAAAAA", hatch="///", linewidth=0)
    _marks(axes, line, found)
    bottom = axes[-1]
    bottom.set_xlim(0, max(line.duration_s, 0.1))
    bottom.xaxis.set_major_locator(MaxNLocator(nbins=12, steps=[1, 1.5, 3, 6, 10], integer=True))
    bottom.xaxis.set_major_formatter(FuncFormatter(lambda t, _: clock(t) if t >= 0 else ""))
    bottom.set_xlabel("time since the recording began (minutes:seconds)")
    figure.suptitle(title or "ride", x=0.01, ha="left", fontsize=12, color=_INK)


def _broken(line: Timeline, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """(t, y) with a hole in each gap, so that no line bridges it."""
    at = line.gap_at + 1
    return np.insert(line.t_s, at, np.nan), np.insert(y.astype(float), at, np.nan)


def _state_colour(n: int) -> str:
    return _STATE_COLOURS[n % len(_STATE_COLOURS)]


def _states(ax: Any, line: Timeline) -> None:
    state = line.status["state"]
    for n in np.unique(state).tolist():
        spans = line.stretches(state == n)
        ends = [line.t_s[min(last + 1, len(state) - 1)] for _, last in spans]
        colour = _state_colour(n)
        bars = [(line.t_s[first], end - line.t_s[first]) for (first, _), end in zip(spans, ends, strict=True)]
        ax.broken_barh(bars, (0, 1), color=colour, linewidth=0)
        name = states.name(states.STATES, n)
        for start, width in bars:
            if width > _CHARACTER * len(name) * line.duration_s:
                ax.text(start + width / 2, 0.45, name, ha="center", va="center", fontsize=8, color="black")
    shown = [
        Patch(color=_state_colour(n), label=states.name(states.STATES, n)) for n in np.unique(state).tolist()
    ]
    ax.figure.legend(
        handles=shown, loc="upper right", ncols=len(shown), frameon=False, fontsize=8, handlelength=1.0
    )
    ax.set_ylim(0, 1)
    ax.set_yticks([0.5], ["state"])
    ax.tick_params(length=0)
    ax.spines[:].set_visible(False)


def _demand(ax: Any, line: Timeline) -> None:
    status = line.status
    t, lever = _broken(line, status["lever_pm"] / 10)
    ax.fill_between(t, 0, lever, color="#C9C9C9", linewidth=0, label="lever asks for")
    held = ~np.isin(status["limit"], (states.LIMIT_NONE, states.LIMIT_ARMING, states.LIMIT_RAMP))
    held &= status["limit_pm"] < 1000  # cutback that only slows the ramp limits nothing yet
    limit = np.where(held, status["limit_pm"] / 10, np.nan)
    ax.plot(
        *_broken(line, limit),
        color=_RED,
        linewidth=3.2,
        alpha=0.8,
        label="limit in force",
        solid_capstyle="butt",
    )
    ax.plot(*_broken(line, status["demand_pm"] / 10), color=_INK, linewidth=1.2, label="thrust given")
    for first, last in line.stretches(held, 3.0):
        if line.t_s[last] - line.t_s[first] > 0.02 * line.duration_s:
            words = _LIMIT_SHORT.get(int(status["limit"][first]), "limit")
            top = float(np.nanmax(limit[first : last + 1]))
            ax.annotate(words, ((line.t_s[first] + line.t_s[last]) / 2, top), (0, 6), textcoords="offset points",
                        ha="center", fontsize=8, color="#A03C00",
                        bbox={"facecolor": "white", "alpha": 0.75, "edgecolor": "none", "pad": 0.8})  # fmt: skip
    ax.set_ylim(0, 108)
    ax.set_ylabel("% of full thrust")
    ax.legend(loc="upper left", ncols=3, frameon=False, fontsize=8, borderaxespad=0.1)


_LIMIT_SHORT = {
    states.LIMIT_CUTBACK: "cutback",
    states.LIMIT_SENSE: "sensing lost",
    states.LIMIT_UNPROVEN: "stop not proved",
    states.LIMIT_SINGLE_TRACK: "single lever track",
}


def _span(line: Timeline) -> tuple[float, float]:
    """Voltage axis: all that was seen, and the floor."""
    seen = [s.cell_v[np.isfinite(s.cell_v)] for s in line.sections]
    known = np.concatenate(seen) if seen else np.zeros(0)
    floor_v = line.settings.get("cell_floor_mv") / 1000
    if not len(known):
        return floor_v - 0.1, 4.3
    return min(float(known.min()), floor_v) - 0.12, max(float(known.max()), floor_v + 0.3) + 0.06


def _voltage_lines(line: Timeline, side: int) -> list[tuple[float, str, str]]:
    """(V a cell, words, style) of the warnings, of the floor, and of where cutback begins for the longest section."""
    get = line.settings.get
    floor_v = get("cell_floor_mv") / 1000
    cells = max(s.cells for s in line.sections if s.side == side)
    cutback_v = floor_v + (get("cutback_band_mv") + get("spread_mv") * (cells - 1)) / 1000
    return sorted(
        [
            (get("cell_warn_mv") / 1000, "low, at rest", ":"),
            (get("cell_low_mv") / 1000, "very low, at rest", "--"),
            (cutback_v, "cutback", "-."),
            (floor_v, "floor", "-"),
        ]
    )


def _voltages(ax: Any, line: Timeline, side: int, bottom_v: float, top_v: float) -> None:
    for k, section in enumerate([s for s in line.sections if s.side == side]):
        colour, style = _SECTION_LINES[k % len(_SECTION_LINES)]
        ax.plot(*_broken(line, np.where(section.merged, np.nan, section.cell_v)), style, color=colour, linewidth=1.1,
                label=f"{section.name} ({section.cells} cells)")  # fmt: skip
        if section.merged.any():
            ax.plot(*_broken(line, np.where(section.merged, section.cell_v, np.nan)), ":", color=_INK, linewidth=1.4,
                    label="mean of both, tap lost")  # fmt: skip
    rest_v = np.where(line.use.weakest == side, line.use.rest_cell_v, np.nan)
    if np.isfinite(rest_v).any():
        ax.plot(*_broken(line, rest_v), color=_SKY, linewidth=1.6, alpha=0.9, label="weakest, as at rest")
    label_v = -np.inf
    for volts, words, style in _voltage_lines(line, side):
        ax.axhline(volts, color="#777777", linestyle=style, linewidth=0.9)
        label_v = max(volts, label_v + _LABEL_APART * (top_v - bottom_v))
        ax.annotate(words, (1.0, label_v), (4, 0), xycoords=("axes fraction", "data"), textcoords="offset points",
                    va="center", fontsize=8, color="#555555")  # fmt: skip
    ax.set_ylim(bottom_v, top_v)
    ax.set_ylabel(f"{line.side_names[side]}\nV a cell")
    ax.legend(loc="lower left", ncols=3, frameon=False, fontsize=8, borderaxespad=0.1)


def _has_use(line: Timeline) -> bool:
    use = line.use
    return any(bool(np.isfinite(v).any()) for v in (use.current_a, use.charge_percent, use.speed_km_h))


def _use(ax: Any, line: Timeline) -> None:
    """Current of each side and speed to the left, charge left to the right."""
    use = line.use
    shown = []
    for n, name in enumerate(line.side_names):
        colour, _ = _SECTION_LINES[n % len(_SECTION_LINES)]
        if np.isfinite(use.current_a[:, n]).any():
            shown += ax.plot(*_broken(line, use.current_a[:, n]), color=colour, linewidth=1.0, label=f"{name}, A")
    if np.isfinite(use.speed_km_h).any():
        shown += ax.plot(*_broken(line, use.speed_km_h), color=_INK, linewidth=1.2, label="speed, km/h")
    # Room above the lines for the legend.
    ax.set_ylim(0, 1.3 * max(ax.get_ylim()[1], 1.0))
    ax.set_ylabel("A, km/h" if np.isfinite(use.speed_km_h).any() else "A")
    percent = ax.twinx()
    for n, name in enumerate(line.side_names):
        colour, _ = _SECTION_LINES[n % len(_SECTION_LINES)]
        if np.isfinite(use.charge_percent[:, n]).any():
            t, left = _broken(line, use.charge_percent[:, n])
            shown += percent.plot(t, left, "--", color=colour, linewidth=1.4, label=f"{name}, % of charge left")
    percent.set_ylim(0, 130)
    percent.set_yticks([0, 25, 50, 75, 100])
    percent.set_ylabel("% left")
    percent.spines[["top", "left"]].set_visible(False)
    ax.legend(handles=shown, loc="upper right", ncols=len(shown), frameon=False, fontsize=8, borderaxespad=0.1)


def _happened(found: dict[str, Any]) -> list[tuple[float, str]]:
    marks = [(r["t_s"], "arming refused") for r in found["arming_refused"]]
    for w in found["warnings"]:
        if w["section"]:
            marks.append(
                (w["first_s"], f"{w['name'].lower().replace('_', ' ')}: {w['section'].partition(',')[0]}")
            )
    marks += [(f["t_s"], f"{f['side']} {f['point']} {f['fault'].lower()}") for f in found["sense_faults"]]
    marks += [(s["t_s"], s["words"].partition(":")[0]) for s in found["stops"]]
    return sorted(marks)


def _marks(axes: list[Any], line: Timeline, found: dict[str, Any]) -> None:
    """A thin line through all panels and a short label above the states for each thing that happened."""
    taken: list[list[tuple[float, float]]] = [[] for _ in range(_LABEL_ROWS)]
    for t, words in _happened(found):
        for ax in axes:
            ax.axvline(t, color=_INK, linewidth=0.7, alpha=0.6)
        width = _CHARACTER * (len(words) + 2) * line.duration_s
        late = t + width > line.duration_s
        start = t - width if late else t
        row = next((n for n in range(_LABEL_ROWS) if _free(taken[n], start, width)), _LABEL_ROWS - 1)
        taken[row].append((start, start + width))
        axes[0].annotate(
            words, (t, 1.0), (0, 3 + 11 * row), textcoords="offset points", annotation_clip=False,
            ha="right" if late else "left", fontsize=8, color=_INK,
        )  # fmt: skip


def _free(taken: list[tuple[float, float]], start: float, width: float) -> bool:
    return all(start >= end or start + width <= begin for begin, end in taken)
