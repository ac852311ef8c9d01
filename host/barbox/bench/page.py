"""The page of a bench run: one HTML file with its pictures inside, that needs nothing else."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from barbox.bench import pictures, summary
from barbox.bench.curve import Curves
from barbox.bench.learn import Learned
from barbox.bench.record import Record, began
from barbox.rig import Rig

_STYLE = """
body { font: 15px/1.5 system-ui, sans-serif; color: #222; max-width: 1080px; margin: 2em auto; padding: 0 1em; }
h1 { font-size: 1.5em; margin-bottom: 0; } h2 { font-size: 1.15em; margin-top: 2em; }
table { border-collapse: collapse; font-variant-numeric: tabular-nums; }
td, th { padding: 0.2em 0.8em; text-align: right; border-bottom: 1px solid #ddd; }
td:first-child, th:first-child { text-align: left; padding-left: 0; }
.sub { color: #666; margin-top: 0; }
.wrong { border-left: 4px solid #D55E00; padding: 0.1em 1em; background: #fdf3ec; }
.note { border-left: 4px solid #0072B2; padding: 0.1em 1em; background: #eef5fa; }
svg { width: 100%; height: auto; } .wide { overflow-x: auto; }
"""


def page(rig: Rig, record: Record, learned: Learned, curves: Curves) -> bytes:
    """The page's bytes."""
    old = record.old_curve_pm
    said = [f.text for f in learned.findings]
    when = began(record) + (", simulated: nothing of this was measured on a fan" if record.simulated else "")
    body = [
        f"<h1>{escape(rig.name)} on the bench</h1>",
        f'<p class="sub">{when}</p>',
        _list(summary.headline(rig, learned, curves)),
        _box("wrong", "What looks wrong", said) if said else "",
        "<h2>Thrust against the lever</h2>",
        pictures.against_lever(rig, learned, curves, old),
        pictures.current_and_error(rig, learned, curves, old),
        _table(*summary.tables(rig, curves, old)),
        "<h2>What was measured</h2>",
        pictures.against_pulse(learned),
        _table(*summary.readings(rig, record)),
        "<h2>What follows</h2>",
        pictures.merit(learned),
        _list(summary.figures(rig, learned)),
        _box("note", "What this rests on", summary.assumptions(record, learned)),
        "<h2>Before the first pulse</h2>",
        _list([f"{'yes' if yes else 'NO'}: {text}" for text, yes in summary.answers(record)]),
        _list(summary.proofs(rig, record)),
    ]
    title = f"<title>{escape(rig.name)} on the bench</title>"
    head = f'<!doctype html>\n<html lang="en"><head><meta charset="utf-8">{title}'
    head += f'<meta name="viewport" content="width=device-width"><style>{_STYLE}</style></head><body>\n'
    return (head + "\n".join([b for b in body if b]) + "\n</body></html>\n").encode()


def _list(lines: Sequence[str]) -> str:
    return "<ul>" + "".join([f"<li>{escape(line)}</li>" for line in lines]) + "</ul>" if lines else ""


def _box(kind: str, title: str, lines: Sequence[str]) -> str:
    return f'<div class="{kind}"><h2>{title}</h2>{_list(lines)}</div>'


def _table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    cells = "".join([f"<th>{escape(h)}</th>" for h in head])
    lines = ["<tr>" + "".join([f"<td>{escape(c)}</td>" for c in row]) + "</tr>" for row in rows]
    return f'<div class="wide"><table><tr>{cells}</tr>{"".join(lines)}</table></div>'
