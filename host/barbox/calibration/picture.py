"""One picture of a calibration: for each input what is left between points and line, in the band of its uncertainty.

The same data give the same bytes with the same matplotlib.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib import rc_context
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from barbox.calibration.budget import Result
from barbox.calibration.steps import CELL_LEAST_V
from barbox.files import write_whole

# Colours that people with any colour vision tell apart (M. Okabe, K. Ito, 2008).
_BLUE, _RED = "#0072B2", "#D55E00"
_STYLE: dict[Any, Any] = {"font.family": "DejaVu Sans", "font.size": 9.0, "axes.edgecolor": "#888888"}
_EMPTY_CELL_V = 3.0
_COLUMNS = 2


def draw(results: Sequence[Result], title: str = "") -> bytes:
    """PNG bytes, 1100 pixels wide: a field for each input. Raises ValueError without any."""
    if not results:
        raise ValueError("no result to draw")
    rows = (len(results) + _COLUMNS - 1) // _COLUMNS
    columns = min(_COLUMNS, len(results))
    with rc_context(_STYLE):
        figure = Figure(figsize=(10, 0.7 + 2.9 * rows), dpi=110, layout="constrained")
        FigureCanvasAgg(figure)
        fields: Any = figure.subplots(rows, columns, squeeze=False)
        for field, result in zip(fields.flat, results, strict=False):
            _field(field, result)
        for field in list(fields.flat)[len(results) :]:
            field.axis("off")
        figure.suptitle(title or "Meter less fitted line")
        out = io.BytesIO()
        figure.savefig(out, format="png", metadata={"Software": "barbox"})
    return out.getvalue()


def save(results: Sequence[Result], path: str | Path, title: str = "") -> None:
    """Write the picture to a file. Raises UserError when that is not possible."""
    write_whole(path, draw(results, title))


def _field(ax: Any, result: Result) -> None:
    t = result.target
    volts = np.array([p.volts for p in result.points])
    low = min(max(_EMPTY_CELL_V * t.cells, CELL_LEAST_V), float(volts.min()))
    high = max(result.top_v, float(volts.max()))
    room = 0.04 * (high - low)
    v = np.linspace(low - room, high + room, 60)
    stated = [1000 * result.stated(float(x)).expanded_v for x in v]
    ax.fill_between(v, [-s for s in stated], stated, color=_BLUE, alpha=0.18, linewidth=0,
                    label="a reading of the box, 95 %")  # fmt: skip
    ax.axhline(0, color=_BLUE, linewidth=1.0)
    # Of the point itself: what it does not share with the others.
    bars = [2000 * u for u in result.u_points]
    residuals = 1000 * result.line.residuals
    ax.errorbar(volts, residuals, yerr=bars, fmt="o", color=_RED, markersize=4, capsize=3, linewidth=1.1,
                label="points, with what is new in each (k = 2)")  # fmt: skip
    top = result.stated(result.top_v)
    kind = "gain alone" if result.gain_only else "gain and offset"
    ax.set_title(
        f"input {t.input + 1}, {t.name}: {kind}\nwithin {1000 * top.expanded_v:.0f} mV (95 %, k = {top.factor:.2f}) "
        f"near {result.top_v:.1f} V",
        fontsize=9.0,
    )
    ax.set_xlim(low - room, high + room)
    most = 1.15 * max(*stated, *[abs(r) + b for r, b in zip(residuals, bars, strict=True)])
    ax.set_ylim(-most, most)
    ax.set_xlabel("V at the sense point")
    ax.set_ylabel("meter less line, mV")
    ax.grid(True, color="#DDDDDD", linewidth=0.6)
    ax.spines[["top", "right"]].set_visible(False)
    ax.legend(loc="lower left", fontsize=7.5, frameon=False)
