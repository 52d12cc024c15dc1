"""Metric or US customary units where a person reads; files for programs are always metric.

Hand a :class:`Measures` (``METRIC`` or ``US``) to whatever writes lines::

    def lines(found, measures: Measures = METRIC) -> list[str]:
        return [f"It weighs {measures.mass(found.kg)}."]

Watts, watt-hours, amperes and volts are the same in both.
"""

from __future__ import annotations

import os
import re
from dataclasses import dataclass
from typing import Final

from simulator.errors import InputError
from simulator.units import SECONDS_PER_HOUR

KG_PER_POUND: Final = 0.45359237
M_PER_FOOT: Final = 0.3048
M_PER_INCH: Final = 0.0254
M_PER_MILE: Final = 1609.344
L_PER_GALLON: Final = 3.785411784
L_PER_CUBIC_FOOT: Final = 28.316846592
"""All exact: NIST Special Publication 811 (2008), appendix B; the gallon is that of the US (231 cubic inches)."""
F_PER_K: Final = 1.8
FREEZING_F: Final = 32.0
WORDS: Final = ("metric", "us")
VARIABLE: Final = "FLATDAYS_UNITS"


def figure(value: float, digits: int | None = None) -> str:
    """A number with digits a person can use: three that matter, or ``digits`` after the point; never minus nought.

    >>> figure(12.345), figure(1234.5), figure(0.04567), figure(3.0), figure(-0.001, 1)
    ('12.3', '1,234', '0.0457', '3', '0')
    """
    if digits is None:
        size = abs(value)
        digits = 0 if size >= 99.95 else 1 if size >= 9.995 else 2 if size >= 0.9995 else 3 if size >= 0.09995 else 4
    text = f"{value:,.{digits}f}"
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


@dataclass(frozen=True)
class Measures:
    """Writes quantities with their unit; every method takes metric numbers.

    Parameters
    ----------
    name : ``metric`` or ``us``.
    """

    name: str = "metric"

    @property
    def us(self) -> bool:
        """Whether the units are those customary in the United States."""
        return self.name == "us"

    def _either(self, metric: tuple[float, str], us: tuple[float, str], digits: int | None) -> str:
        value, unit = us if self.us else metric
        return f"{figure(value, digits)} {unit}"

    def mass(self, kg: float, digits: int | None = None) -> str:
        """Kilograms, or pounds."""
        return self._either((kg, "kg"), (kg / KG_PER_POUND, "lb"), digits)

    def temp(self, c: float, digits: int = 0) -> str:
        """A temperature, in degrees C or F."""
        return self._either((c, "C"), (c * F_PER_K + FREEZING_F, "F"), digits)

    def litres(self, litres: float, digits: int | None = None) -> str:
        """Litres of fuel or water, or US gallons."""
        return self._either((litres, "L"), (litres / L_PER_GALLON, "gal"), digits)

    def length(self, m: float, digits: int | None = None) -> str:
        """What stands in or on a vehicle: metres, or feet; below a metre centimetres, or inches."""
        if abs(m) < 0.9995:
            return self._either((m * 100.0, "cm"), (m / M_PER_INCH, "in"), digits)
        return self._either((m, "m"), (m / M_PER_FOOT, "ft"), digits)

    def thickness(self, mm: float, digits: int | None = None) -> str:
        """Snow, rain, cable: millimetres, or inches."""
        return self._either((mm, "mm"), (mm / 1000.0 / M_PER_INCH, "in"), digits)

    def height(self, m: float) -> str:
        """Height above the sea: whole metres, or feet."""
        return self._either((m, "m"), (m / M_PER_FOOT, "ft"), 0)

    def distance(self, km: float, digits: int | None = None) -> str:
        """A way on the road: kilometres, or miles."""
        return self._either((km, "km"), (km * 1000.0 / M_PER_MILE, "mi"), digits)

    def area(self, m2: float, digits: int | None = None) -> str:
        """Roof and panels: square metres, or square feet."""
        return self._either((m2, "m2"), (m2 / M_PER_FOOT**2, "sq ft"), digits)

    def volume(self, litres: float, digits: int | None = None) -> str:
        """Room that a bank takes: litres, or cubic feet."""
        return self._either((litres, "L"), (litres / L_PER_CUBIC_FOOT, "cu ft"), digits)

    def speed(self, m_s: float, digits: int | None = None) -> str:
        """Wind: metres a second, or miles an hour."""
        return self._either((m_s, "m/s"), (m_s * SECONDS_PER_HOUR / M_PER_MILE, "mph"), digits)

    def sentence(self, text: str) -> str:
        """A finished metric sentence in these units, where every number with a unit can be told for what it is.

        What stands in quotes (names, values as written) is left alone, and so is C as a rate of charge.

        >>> US.sentence('"Camp 5 km" lies 112 km away; no charging below 0 C.')
        '"Camp 5 km" lies 70 mi away; no charging below 32 F.'
        """
        if not self.us:
            return text
        pieces = _QUOTED.split(text)
        return "".join(piece if place % 2 else _converted(piece) for place, piece in enumerate(pieces))


_QUOTED = re.compile(r'("[^"\n]*")')
_RATE = re.compile(r"A a unit|charge limit", re.IGNORECASE)
"""Beside these words C is a rate of charge, not a temperature."""
_NUMBER = r"-?\d[\d,]*(?:\.\d+)?"
_QUANTITY = re.compile(
    rf"(?<![\w.,/])({_NUMBER})(?:( to | and |-|\.\.| or )({_NUMBER}))? (km/h|km|kg|m/s|mm|cm|m2|m|L/h|L|C|K)(?![\w/])"
)
_LINEAR: Final[dict[str, tuple[float, str]]] = {
    "km": (1000.0 / M_PER_MILE, "mi"),
    "km/h": (1000.0 / M_PER_MILE, "mph"),
    "m/s": (SECONDS_PER_HOUR / M_PER_MILE, "mph"),
    "kg": (1.0 / KG_PER_POUND, "lb"),
    "mm": (0.001 / M_PER_INCH, "in"),
    "cm": (0.01 / M_PER_INCH, "in"),
    "m": (1.0 / M_PER_FOOT, "ft"),
    "m2": (1.0 / M_PER_FOOT**2, "sq ft"),
    "L/h": (1.0 / L_PER_GALLON, "gal/h"),
    "L": (1.0 / L_PER_GALLON, "gal"),
    "K": (F_PER_K, "degrees F"),
}


def _converted(text: str) -> str:
    rate = _RATE.search(text) is not None

    def swap(found: re.Match[str]) -> str:
        first, between, second, unit = found.groups()
        if unit == "C" and rate:
            return found.group(0)
        last = "F" if unit == "C" else _LINEAR[unit][1]
        numbers = [_swapped(number, unit) for number in (first, second) if number is not None]
        return f"{(between or '').join(numbers)} {last}"

    return _QUANTITY.sub(swap, text)


def _swapped(number: str, unit: str) -> str:
    """One number as written, with as many digits as it had, and one more where few are left."""
    decimals = len(number.partition(".")[2])
    value = float(number.replace(",", ""))
    if unit == "C":
        return figure(value * F_PER_K + FREEZING_F, max(decimals, 1))
    converted = value * _LINEAR[unit][0]
    return figure(converted, decimals + (1 if abs(converted) < 9.95 else 0))


METRIC: Final = Measures("metric")
US: Final = Measures("us")


def measures_named(name: str | None = None) -> Measures:
    """Measures by name; left out: those of the environment variable FLATDAYS_UNITS, or metric.

    Raises
    ------
    InputError
        There are none of that name.
    """
    where, wanted = (
        ("--units", name) if name is not None else (VARIABLE, os.environ.get(VARIABLE, "").strip().lower() or "metric")
    )
    if wanted not in WORDS:
        raise InputError(f'{where}: expected "metric" or "us", got "{wanted}"')
    return US if wanted == "us" else METRIC
