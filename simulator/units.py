"""Named constants: the only home of 24, 3600 and 273.15 (and of the few others that everybody shares)."""

from __future__ import annotations

from typing import Final

HOURS_PER_DAY: Final = 24
MINUTES_PER_HOUR: Final = 60
SECONDS_PER_HOUR: Final = 3600
DAYS_PER_YEAR: Final = 365.25
"""Mean length of a year in the Julian calendar [days]; "per year" figures use it."""

WH_PER_KWH: Final = 1000.0
ZERO_CELSIUS_K: Final = 273.15
"""Zero degrees Celsius [K], by the definition of the Celsius scale (BIPM, SI brochure, 9th ed. 2019)."""

EARTH_RADIUS_KM: Final = 6371.0088
"""Mean radius of the earth R1 [km] (WGS 84; H. Moritz 2000, Geodetic Reference System 1980, J. Geodesy 74)."""

FULL_TURN_DEG: Final = 360.0
