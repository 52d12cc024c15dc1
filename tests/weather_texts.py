"""One measured year, the one of Greensboro that comes with pvlib, in the formats of weather files: made to be spoilt."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import pandas as pd
import pvlib

DATA = Path(pvlib.__file__).parent / "data"
EPW_HEADER = """LOCATION,Greensboro,NC,USA,made up,0,36.1,-79.95,-5,273
DESIGN CONDITIONS,0
TYPICAL/EXTREME PERIODS,0
GROUND TEMPERATURES,0
HOLIDAYS/DAYLIGHT SAVINGS,No,0,0,0
COMMENTS 1,-
COMMENTS 2,-
DATA PERIODS,1,1,Data,Sunday, 1/ 1,12/31"""
NSRDB_HEADER = """Source,Location ID,City,State,Country,Latitude,Longitude,Time Zone,Elevation,Local Time Zone
NSRDB,1,-,-,-,36.1,-79.95,-5,273,-5
Year,Month,Day,Hour,Minute,DHI,DNI,GHI,Temperature,Wind Speed"""


@cache
def weather_texts() -> dict[str, bytes]:
    """By format: ``epw``, ``nsrdb``, ``tmy3``, and Miami's ``tmy2``."""
    frame, _ = pvlib.iotools.read_tmy3(DATA / "723170TYA.CSV", coerce_year=2001, map_variables=True)
    epw, nsrdb = [EPW_HEADER], [NSRDB_HEADER]
    for at, row in zip(pd.date_range("2001-01-01", periods=8760, freq="h"), frame.itertuples(), strict=True):
        light, wind = f"{row.ghi:g},{row.dni:g},{row.dhi:g}", f"0,0,0,0,180,{row.wind_speed:g}"
        epw.append(f"1989,{at.month},{at.day},{at.hour + 1},60,?9,{row.temp_air:g},0,50,98000,0,0,300,{light},{wind}")
        air = f"{row.temp_air:g},{row.wind_speed:g}"
        nsrdb.append(f"2019,{at.month},{at.day},{at.hour},30,{row.dhi:g},{row.dni:g},{row.ghi:g},{air}")
    return {
        "epw": "\n".join([*epw, ""]).encode(),
        "nsrdb": "\n".join([*nsrdb, ""]).encode(),
        "tmy3": (DATA / "723170TYA.CSV").read_bytes(),
        "tmy2": (DATA / "12839.tm2").read_bytes(),
    }
