"""Weather by one contract, whatever it comes from.

Columns ``ghi dni dhi temp_air wind_speed`` (W/m2, W/m2, W/m2, deg C, m/s); index in UTC, hourly, a label is the start of
its hour and a value the mean over it. ``formats`` knows how each kind of file labels its rows, ``checks`` what is asked
of a file before it is believed, ``files`` puts them together with a ``cache``; ``station`` lays a year on the calendar;
``sky`` has the sun and the sky without clouds. Nothing here imports pvlib before it is needed: a file that has been
read before needs none.
"""

from simulator.weather.files import SAMPLES, look_at_weather_file, read_sample, read_weather_file
from simulator.weather.sky import hourly_clear_weather, look_up_elevation_m
from simulator.weather.station import COLUMNS, StationYear, distance_km, distance_notes, hourly_weather

__all__ = [
    "COLUMNS",
    "SAMPLES",
    "StationYear",
    "distance_km",
    "distance_notes",
    "hourly_clear_weather",
    "hourly_weather",
    "look_at_weather_file",
    "look_up_elevation_m",
    "read_sample",
    "read_weather_file",
]
