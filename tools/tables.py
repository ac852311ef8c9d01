"""Write the tables of the documents from the tables of the code, between `<!-- begin NAME -->` and `<!-- end NAME -->`.

`python tools/tables.py` rewrites the documents; a test compares. What is between the marks is never edited by hand.
"""

from __future__ import annotations

import re
import runpy
import tokenize
from collections.abc import Callable, Iterable
from pathlib import Path

from barbox import proto, settings_text
from barbox.cli.main import COMMANDS
from shared_proto import settings, states

ROOT = Path(__file__).resolve().parents[1]
DOCUMENTS = (
    "README.md",
    "DEVELOPERS.md",
    *sorted(p.relative_to(ROOT).as_posix() for p in (ROOT / "hardware_notes").glob("*.md")),
)

_BLOCK = re.compile(r"(<!-- begin (\w+) -->\n).*?(<!-- end \2 -->)", re.DOTALL)
_PIN = re.compile(r"_(PINS?|SDA|SCL|MOSI|MISO|SCK|CS|DC)$")


def table(head: Iterable[str], rows: Iterable[Iterable[object]]) -> str:
    """A Markdown table."""
    head = list(head)
    lines = [head, ["---"] * len(head), *rows]
    return "".join("| " + " | ".join([str(cell).replace("|", "\\|") for cell in row]) + " |\n" for row in lines)


def commands() -> str:
    """The commands of the host."""
    return table(
        ("command", "does", "where"),
        [
            (f"`barbox {name}`", help, "Linux, macOS" if needs_board else "Linux, macOS, Windows")
            for name, (_, needs_board, help) in COMMANDS.items()
        ],
    )


def _comments(path: Path) -> dict[str, str]:
    """Constant -> comment at the end of its line."""
    found, name = {}, ""
    with path.open("rb") as f:
        for token in tokenize.tokenize(f.readline):
            if token.type == tokenize.NAME and token.start[1] == 0:
                name = token.string
            elif token.type == tokenize.COMMENT and token.start[1] > 0:
                found[name] = token.string.lstrip("# ")
    return found


def _pins(board: str) -> str:
    path = ROOT / "firmware" / "boards" / f"{board}.py"
    constants = {k: v for k, v in runpy.run_path(str(path)).items() if k.isupper()}
    comments = _comments(path)
    rows = []
    for name, value in constants.items():
        if _PIN.search(name):
            numbers = value if isinstance(value, tuple) else (value,)
            pins = ", ".join(["none" if n is None else f"GP{n}" for n in numbers])
            rows.append((f"`{name}`", pins, comments.get(name, "")))
    return table(("in the board file", "GPIO", "wired to"), rows)


def pins_pico_w() -> str:
    """Pins of the default board."""
    return _pins("pico_w")


def pins_pico() -> str:
    """Pins of the second board."""
    return _pins("pico")


def _default(value: object) -> str:
    if isinstance(value, tuple):
        if len(set(value)) == 1:
            return _default(value[0])
        return ", ".join([_default(v) for v in value])
    return settings_text.as_text(value) or "empty"


def setting_tables() -> str:
    """The settings, a table a group."""
    titles = {"": "Of the box", "side": "Of each side, `side1` to", "sense": "Of each sense input, `sense1` to"}
    out = []
    for group, count in settings.GROUPS.items():
        out.append(f"### {titles[group]}{f' `{group}{count}`' if group else ''}\n\n")
        rows = [
            (f"`{s.name}`", settings_text.limits(s), s.unit, _default(s.default), s.help)
            for s in settings.SETTINGS
            if s.group == group
        ]
        out.append(table(("setting", "may be", "unit", "default", "meaning"), rows) + "\n")
    return "".join(out)


def setting_hazards() -> str:
    """What each setting can do when it is wrong."""
    names = {"": "", "side": "side*n*.", "sense": "sense*n*."}
    shown = "`tests/hazards/test_hazards_settings.py::test_a_setting_that_a_host_sets_wrong`"
    taken = {
        settings.HARMLESS: "over any link",
        settings.GUARDS: "by cable, after a yes",
        settings.THRUST: "by cable, after a yes",
        settings.BOX: "from no host",
    }
    waits = {"idle_us", "full_us"}
    rows = [
        (
            f"{names[s.group]}`{s.name}`",
            settings.DANGERS[s.danger],
            s.wrong,
            taken[s.danger],
            "the next power-on" if s.name in waits else "at once",
            shown,
        )
        for s in settings.SETTINGS
    ]
    head = ("setting", "it is", "set wrong by a host", "taken", "in force", "shown by")
    return table(head, rows)


def message_tables() -> str:
    """The messages, a table a message."""
    return proto.markdown()


def state_tables() -> str:
    """States, causes and the other numbered words."""
    tables = (
        ("States", states.STATES, ("meaning",)),
        ("Causes of HELD", states.CAUSES, ("meaning", "what clears it, before the lever at rest and the arm button")),
        ("What arming waits for", states.WAITS, ("meaning",)),
        ("Limits", states.LIMITS, ("meaning",)),
        ("Warnings (bit numbers)", states.WARNINGS, ("meaning",)),
        ("Faults of a sense input", states.SENSE_FAULTS, ("meaning",)),
        ("Events", states.EVENTS, ("`a`", "`b`")),
        ("Refusals", states.REFUSALS, ("meaning",)),
        ("Why the box started", states.RESETS, ("meaning",)),
    )
    out = []
    for title, rows, heads in tables:
        numbered = [(n, f"`{row[0]}`", *row[1 : 1 + len(heads)]) for n, row in enumerate(rows)]
        out.append(f"### {title}\n\n" + table(("number", "name", *heads), numbered) + "\n")
    return "".join(out)


def cost_table() -> str:
    """What the simulated board charges."""
    text = (ROOT / "host" / "barbox" / "sim" / "hal" / "_costs.py").read_text(encoding="utf-8")
    rows = re.findall(r'^    "(\w+)": (\d+),(?:  # (.*))?$', text, re.MULTILINE)
    return table(("entry", "charged", "what it is"), [(f"`{k}`", value, note) for k, value, note in rows])


def example_test() -> str:
    """The system test that DEVELOPERS.md shows."""
    return "```python\n" + (ROOT / "tests" / "board" / "test_example.py").read_text() + "```\n"


TABLES: dict[str, Callable[[], str]] = {
    f.__name__: f
    for f in (
        commands,
        pins_pico_w,
        pins_pico,
        setting_tables,
        setting_hazards,
        message_tables,
        state_tables,
        cost_table,
        example_test,
    )
}


def fill(text: str) -> str:
    """`text` with every marked block made anew. Raises KeyError for a block that no function makes."""
    return _BLOCK.sub(lambda m: f"{m[1]}\n{TABLES[m[2]]().strip()}\n\n{m[3]}", text)


def main() -> None:
    """Rewrite the documents that changed."""
    for name in DOCUMENTS:
        path = ROOT / name
        old = path.read_text(encoding="utf-8")
        new = fill(old)
        if new != old:
            path.write_text(new, encoding="utf-8")
            print(f"{name} rewritten")


if __name__ == "__main__":
    main()
