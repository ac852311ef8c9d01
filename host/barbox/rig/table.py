"""One table of a TOML file, read key by key; whatever does not fit is one sentence with the path of the key."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Sequence
from datetime import date, datetime
from math import isfinite
from typing import Any, NoReturn

from barbox.errors import UserError

_KINDS = {str: "text", bool: "true or false", int: "a number", float: "a number", list: "a list", dict: "a table"}


def nearest(word: str, known: Iterable[str]) -> str:
    """The known word that was probably meant, or ""."""
    found = difflib.get_close_matches(word, list(known), 1, 0.6)
    return found[0] if found else ""


def _kind(value: object) -> str:
    return _KINDS.get(type(value), "a date" if isinstance(value, date) else "something else")


class Table:
    """Keys of one table. `path` as in "side[1].fan" (lists count from 1), "" for the whole file.

    Raises UserError at once for a key that is not among `known`: a slip of the pen must not become a default.
    """

    def __init__(self, source: str, path: str, data: dict[str, Any], known: Iterable[str]) -> None:
        self.source = source
        self.path = path
        self.data = data
        known = list(known)
        for key in data:
            if key not in known:
                meant = nearest(key, known)
                hint = f"did you mean `{meant}`?" if meant else f"known here: {', '.join(known)}"
                self.fail(key, f"is not a key of a rig sheet; {hint}")

    def at(self, key: str) -> str:
        """The path of a key."""
        return f"{self.path}.{key}" if self.path else key

    def fail(self, key: str, what: str) -> NoReturn:
        """Raise UserError: file, path of the key ("" for the table itself), what is wrong and what to do."""
        raise UserError(f"{self.source}: {self.at(key) if key else self.path} {what}")

    def has(self, key: str) -> bool:
        """Whether the sheet gives this key."""
        return key in self.data

    def _get(self, key: str, example: str) -> Any:
        if key not in self.data:
            self.fail(key, f"is missing: add it, such as `{example}`")
        return self.data[key]

    def number(self, key: str, low: float, high: float, unit: str = "", *, default: float | None = None) -> float:
        """A number in low..high."""
        if default is not None and key not in self.data:
            return default
        value = self._get(key, f"{key} = {low:g}")
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            self.fail(key, f"is {_kind(value)}: write a number in {_span(low, high, unit)}, without quotes")
        if not isfinite(value) or not low <= value <= high:
            self.fail(key, f"is {value:g}: write a number in {_span(low, high, unit)}")
        return float(value)

    def maybe(self, key: str, low: float, high: float, unit: str = "") -> float | None:
        """A number in low..high, or None where the sheet is silent."""
        return self.number(key, low, high, unit) if key in self.data else None

    def whole(self, key: str, low: int, high: int, unit: str = "", *, default: int | None = None) -> int:
        """A whole number in low..high."""
        value = self.number(key, low, high, unit, default=default)
        if value != int(value):
            self.fail(key, f"is {value:g}: write a whole number in {_span(low, high, unit)}")
        return int(value)

    def choice(self, key: str, choices: Sequence[str | bool], *, default: str | bool) -> str | bool:
        """One of `choices`: words, or true and false."""
        value = self.data.get(key, default)
        if type(value) is not type(default) or value not in choices:
            wanted = " or ".join([_toml(c) for c in choices])
            got = _toml(value) if isinstance(value, (str, bool)) else _kind(value)
            self.fail(key, f"is {got}: write {wanted}")
        return value

    def text(self, key: str, example: str) -> str:
        """A text."""
        value = self._get(key, f'{key} = "{example}"')
        if not isinstance(value, str):
            self.fail(key, f'is {_kind(value)}: write text in quotes, such as "{example}"')
        return value

    def day(self, key: str) -> date:
        """A date, as TOML's own or as text."""
        value = self._get(key, f"{key} = 2026-05-01")
        if isinstance(value, datetime):
            return value.date()
        if isinstance(value, date):
            return value
        try:
            return date.fromisoformat(value)
        except (TypeError, ValueError):
            self.fail(key, "is not a date: write year, month and day, such as 2026-05-01")

    def numbers(self, key: str, count: int, low: int, high: int, unit: str) -> tuple[int, ...]:
        """A list of `count` whole numbers in low..high."""
        return self._numbers(key, count, low, high, unit, int)

    def decimals(self, key: str, count: int, low: float, high: float, unit: str) -> tuple[float, ...]:
        """A list of `count` numbers in low..high."""
        return tuple([float(v) for v in self._numbers(key, count, low, high, unit, (int, float))])

    def _numbers(self, key: str, count: int, low: float, high: float, unit: str, kinds: Any) -> tuple[Any, ...]:
        value = self.data[key]
        if not isinstance(value, list) or len(value) != count:
            got = f"has {len(value)} entries" if isinstance(value, list) else f"is {_kind(value)}"
            self.fail(key, f"{got}: write a list of {count} numbers in {_span(low, high, unit)}")
        for n, one in enumerate(value):
            if isinstance(one, bool) or not isinstance(one, kinds) or not low <= one <= high:
                number = "whole number" if kinds is int else "number"
                self.fail(f"{key}[{n + 1}]", f"is {one!r}: write a {number} in {_span(low, high, unit)}")
        return tuple(value)

    def table(self, key: str, known: Iterable[str], *, needed: bool = False) -> Table:
        """A table inside this one; empty where the sheet leaves it out and it is not `needed`."""
        if key not in self.data and needed:
            self.fail(key, f"is missing: add the table [{self.at(key)}]")
        value = self.data.get(key, {})
        if not isinstance(value, dict):
            self.fail(key, f"is {_kind(value)}: it must be a table of {', '.join(known)}")
        return Table(self.source, self.at(key), value, known)

    def tables(self, key: str, known: Iterable[str], how: str) -> list[Table]:
        """A list of at least one table; `how` says how it is written."""
        value = self.data.get(key)
        if value is None or value == []:
            self.fail(key, f"is missing: add at least one {how}")
        if not isinstance(value, list) or not all(isinstance(v, dict) for v in value):
            self.fail(key, f"is {_kind(value)}: write each one as {how}")
        return [Table(self.source, f"{self.at(key)}[{n + 1}]", v, known) for n, v in enumerate(value)]


def _toml(value: str | bool) -> str:
    return f'"{value}"' if isinstance(value, str) else str(value).lower()


def _span(low: float, high: float, unit: str) -> str:
    return f"{low:g}..{high:g}{' ' + unit if unit else ''}"
