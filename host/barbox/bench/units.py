"""A typed quantity to a number in one unit: "12,3 N", "1.25 kgf", "48". What will not do is one sentence."""

from __future__ import annotations

import re

from barbox.errors import UserError

POUND_FORCE_N = 4.4482216152605
"""Exact: the international pound times standard gravity (NIST SP 811)."""

THRUST_N = {"N": 1.0, "kgf": 9.80665, "gf": 0.00980665, "lbf": POUND_FORCE_N, "ozf": POUND_FORCE_N / 16}
"""Newtons of one unit of force (NIST SP 811, exact)."""

CURRENT_A = {"A": 1.0, "mA": 0.001}

# What a scale's display calls a force.
_ALSO = {"kg": "kgf", "kp": "kgf", "g": "gf", "lb": "lbf", "lbs": "lbf", "oz": "ozf", "newton": "N", "amp": "A"}
_KNOWN = {
    **dict.fromkeys(("V", "mV"), "voltage"),
    **dict.fromkeys(("W", "kW"), "power"),
    **dict.fromkeys(CURRENT_A, "current"),
    **dict.fromkeys(THRUST_N, "force"),
}
_TYPED = re.compile(r"([+-]?)(\d+(?:[.,]\d*)?|[.,]\d+)\s*([^\W\d_]+|%)?")


def unit_named(word: str, units: dict[str, float]) -> str | None:
    """The unit that `word` means, in any case of letters, or None."""
    if word in units:
        return word
    for known in (*units, *_ALSO):
        if word.lower() == known.lower():
            found = _ALSO.get(known, known)
            return found if found in units else None
    return None


def parse(text: str, units: dict[str, float], unit: str | None) -> tuple[float, str]:
    """(value in the base unit of `units`, the unit it was typed in). `unit` is that of the run: a bare number has it.

    Raises UserError, one sentence: not a number, below 0, a unit of something else, no unit at all.
    """
    typed = text.strip()
    example = f"12.3 {unit or next(iter(units))}"
    match = _TYPED.fullmatch(typed)
    if not match:
        raise UserError(f'"{typed}" is not a number: write it as in {example}, with a point or a comma, not both')
    sign, digits, word = match.groups()
    value = float(digits.replace(",", "."))
    if sign == "-" and value:
        raise UserError(f'"{typed}" is below 0: pull the right way round, set the instrument to zero, and read again')
    if word is None:
        if unit is None:
            raise UserError(f'"{typed}" has no unit: write it once, as in {example}; known: {", ".join(units)}')
        return value * units[unit], unit
    named = unit_named(word, units)
    if named is None:
        what = _KNOWN.get(word)
        why = f"is a {what}" if what else f'has a unit that is not known here, "{word}"'
        raise UserError(f'"{typed}" {why}: write {", ".join(units)}')
    return value * units[named], named


def shown_step(digits: str) -> float | None:
    """The smallest step of a display that shows these digits, by their decimals: 0.01 of "12.30", 1 of "12". None of
    a bare 0, which may stand for any."""
    whole, _, decimals = digits.replace(",", ".").partition(".")
    return None if not decimals and not whole.strip("+-0 ") else 10.0 ** -len(decimals)


def per_cent(share: float) -> str:
    """ "15 %" of 0.15."""
    return f"{100 * share:.0f} %"
