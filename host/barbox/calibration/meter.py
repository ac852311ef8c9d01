"""What a meter's data sheet says of its accuracy, and what a person types from its display.

Accuracy is written as data sheets do, with the range and its last digit: `0.5%+2d@60V/0.01` is half a per cent of
the reading plus two digits of 0.01 V on the 60 V range. Decimal point or comma.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from math import sqrt

from barbox.errors import UserError

_NUMBER = r"\d+(?:[.,]\d+)?"
_RANGE = re.compile(
    rf"(?:±|\+/-)?\s*\(?\s*(?P<percent>{_NUMBER})\s*%\s*(?:(?:of\s+)?(?:rdg\.?|reading)\s*)?"
    rf"\+\s*(?P<digits>{_NUMBER})\s*(?:d|dgts?\.?|digits?|counts?)\s*\)?\s*"
    rf"@\s*(?P<full>{_NUMBER})\s*V\s*/\s*(?P<step>{_NUMBER})\s*(?P<unit>m?V)?",
    re.IGNORECASE,
)
_READING = re.compile(r"(?P<number>[+-]?\d+(?:[.,]\d*)?)\s*(?P<unit>mV|V)?", re.IGNORECASE)
EXAMPLE = "0.5%+2d@60V/0.01"
_HOW = f"write it as {EXAMPLE}: per cent of the reading, digits, range, and what its last digit stands for in V"


def _decimal(text: str) -> Decimal:
    return Decimal(text.replace(",", "."))


@dataclass(frozen=True)
class Range:
    """One range: limits of error are `percent` of the reading and `digits` of `step_v`, up to `full_v`."""

    percent: float
    digits: float
    full_v: float
    step_v: float

    def __str__(self) -> str:
        return f"{self.percent:g}%+{self.digits:g}d@{self.full_v:g}V/{self.step_v:g}"

    @property
    def gain_u(self) -> float:
        """Relative standard uncertainty of its gain, the same for every reading on this range.

        A limit without more knowledge is a rectangular distribution: half-width over the square root of 3 (JCGM
        100:2008, 4.3.7).
        """
        return self.percent / 100 / sqrt(3)

    @property
    def zero_u_v(self) -> float:
        """Standard uncertainty of its zero, the same for every reading on this range: the digits, less the half
        digit that rounding takes of them."""
        return max(0.0, self.digits - 0.5) * self.step_v / sqrt(3)

    @property
    def rounding_u_v(self) -> float:
        """Standard uncertainty from its last digit, anew with each reading: half a digit, rectangular."""
        return 0.5 * self.step_v / sqrt(3)

    def limit_v(self, volts: float) -> float:
        """The data sheet's limit of error at `volts`."""
        return abs(volts) * self.percent / 100 + self.digits * self.step_v

    def expanded_v(self, volts: float) -> float:
        """Expanded uncertainty (k = 2) of one reading of `volts`."""
        return 2 * sqrt((self.gain_u * volts) ** 2 + self.zero_u_v**2 + self.rounding_u_v**2)


def parse_range(text: str) -> Range:
    """A range from its text. Raises UserError."""
    found = _RANGE.fullmatch(text.strip())
    if found is None:
        raise UserError(f'meter "{text}": {_HOW}')
    full_v, step_v = float(_decimal(found["full"])), float(_decimal(found["step"]))
    if (found["unit"] or "V").lower() == "mv":
        step_v /= 1000
    out = Range(float(_decimal(found["percent"])), float(_decimal(found["digits"])), full_v, step_v)
    if not 0 < out.step_v < out.full_v:
        raise UserError(f'meter "{text}": the last digit must be above 0 and below the range; {_HOW}')
    if out.percent > 5 or out.digits > 50:
        raise UserError(f'meter "{text}": 5 % and 50 digits are the most that make sense here; {_HOW}')
    return out


@dataclass(frozen=True)
class Meter:
    """A meter by its ranges, the smallest first."""

    ranges: tuple[Range, ...]

    @classmethod
    def parse(cls, texts: Sequence[str]) -> Meter:
        """From one text a range. Raises UserError."""
        return cls(tuple(sorted([parse_range(t) for t in texts], key=lambda r: r.full_v)))

    def likely_range(self, reading: Reading) -> Range:
        """The smallest range that holds the reading, or the largest there is."""
        return next((r for r in self.ranges if abs(reading.volts) <= r.full_v * (1 + 1e-9)), self.ranges[-1])

    def range_of(self, reading: Reading) -> Range:
        """The range that shows such a reading: the smallest that holds it and has as many decimals.

        Raises UserError when none does.
        """
        fit = [r for r in self.ranges if abs(reading.volts) <= r.full_v * (1 + 1e-9)]
        if not fit:
            raise UserError(
                f"{reading.text}: the meter's largest range ends at {self.ranges[-1].full_v:g} V; state the range "
                f"that was used with --meter, as in {EXAMPLE}"
            )
        for r in fit:
            if reading.last_v >= r.step_v * (1 - 1e-9):
                return r
        raise UserError(
            f"{reading.text}: has more decimals than the meter shows on that range, whose last digit is "
            f"{fit[-1].step_v:g} V; type what it shows, or state its range with --meter"
        )


@dataclass(frozen=True)
class Reading:
    """A typed reading: `volts`, the text, and the volts of its last decimal."""

    volts: float
    text: str
    last_v: float


def parse_reading(text: str) -> Reading:
    """ "41.93", "41,93 V", "41930 mV"; V when no unit is given. Raises UserError for anything else."""
    found = _READING.fullmatch(text.strip())
    if found is None:
        raise UserError(f'"{text.strip()}" is not a reading; type a number in V or mV, such as 41.93 or 41930 mV')
    try:
        number = _decimal(found["number"].rstrip(".,"))
    except InvalidOperation:  # pragma: no cover - the pattern lets only numbers pass
        raise UserError(f'"{text}" is not a number') from None
    scale = Decimal("0.001") if (found["unit"] or "V").lower() == "mv" else Decimal(1)
    digits = number.as_tuple()
    exponent = digits.exponent
    assert isinstance(exponent, int)
    if exponent == 0 and number:  # the noughts at the end of 41930 mV may be none of the meter's digits
        exponent = len(digits.digits) - len("".join(map(str, digits.digits)).rstrip("0"))
    last = Decimal(1).scaleb(exponent)
    return Reading(float(number * scale), " ".join(text.split()), float(last * scale))
