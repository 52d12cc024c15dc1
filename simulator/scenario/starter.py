"""The scenario that ``flatdays new`` writes: every common key explained, and it runs as it is."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Final

VEHICLES: Final = {
    "camper": "My trip",
    "bus": "Our bus",
    "trailer": "Trailer",
    "truck": "Workshop truck",
    "boat": "Boat",
}
"""Kinds of vehicle, and what their scenario is called."""
CHARGES_WHILE_DRIVING: Final = ("camper", "bus", "truck")
UNIT_V: Final = {"lfp": 12.8, "agm": 12, "gel": 12, "flooded": 12}
PLANNED_FRAC: Final = {"lfp": 0.8, "agm": 0.5, "gel": 0.5, "flooded": 0.5}
LARGEST_PANEL_W: Final = 200.0
"""More watts than this are taken as several panels (common practice, no source)."""

PRICE_PER_WH: Final = {"lfp": 0.3, "agm": 0.17, "gel": 0.2, "flooded": 0.12}
PANEL_PRICE_PER_W, PANEL_KG_PER_W, PANEL_M2_PER_W = 0.8, 0.055, 0.0055
"""Invented prices, and the weight and size of a usual panel (common practice, no source), for lines that are comments."""

APPLIANCES: Final = {
    "fridge": ('kind = "fridge"', "power_w = 45", "duty_frac = 0.4              # compressor running 40 % of the time"),
    "freezer": ("power_w = 55", "duty_frac = 0.5"),
    "lights": ('kind = "lights"', "power_w = 5", "quantity = 4", "hours_per_day = 4"),
    "phones": ("current_a = 1.5               # at the bus voltage: 18 W", "hours_per_day = 3"),
    "pump": ("power_w = 60", "uses = { per_day = 10, minutes = 2 }"),
    "laptop": ('bus = "ac"', "power_w = 60", 'clock = ["09:00-12:00", "19:00-20:30"]', 'priority = "comfort"'),
    "router": ("power_w = 8                   # internet by radio", "duty_frac = 1.0               # day and night"),
    "television": ('bus = "ac"', "power_w = 50", 'clock = ["20:00-22:00"]', "standby_w = 0.5", 'priority = "luxury"'),
    "heater fan": ("power_w = 22                  # fan, pump and control of a fuel heater", 'clock = ["17:00-08:00"]'),
    "kettle": ('bus = "ac"', "power_w = 1500", "uses = { per_day = 3, minutes = 4 }", 'priority = "comfort"'),
    "microwave": ('bus = "ac"', "power_w = 1200", "uses = { per_day = 2, minutes = 5 }", 'priority = "comfort"'),
    "induction": ('bus = "ac"', "power_w = 1800", "uses = { per_day = 2, minutes = 20 }", 'priority = "comfort"'),
    "air conditioner": ('bus = "ac"', "power_w = 700", "surge_w = 2000", 'clock = ["13:00-18:00"]', 'priority = "comfort"'),
    "tools": (
        'bus = "ac"',
        "power_w = 120                 # chargers of cordless tools",
        "hours_per_day = 2",
        'days = "weekdays"',
    ),
    "breathing aid": ("power_w = 30", 'clock = ["22:00-07:00"]', "medical = true                # keep a second supply"),
}
"""Usual appliances, to be corrected by what their labels say (common practice, no source)."""
USUAL: Final = ("fridge", "lights", "phones", "pump", "laptop")
AC_W: Final = {
    "laptop": 60,
    "television": 50,
    "kettle": 1500,
    "microwave": 1200,
    "induction": 1800,
    "air conditioner": 2000,
    "tools": 120,
}
"""What the inverter must carry at once for each of them."""


@dataclass(frozen=True)
class Place:
    """A stop of a new scenario; ``remark`` goes behind its coordinates, ``extra`` are further lines."""

    name: str
    latitude_deg: float
    longitude_deg: float
    remark: str = ""
    weather: str = ""
    """Its own weather as TOML; empty: that of all stops."""
    extra: tuple[str, ...] = ()


HOME: Final = (
    Place("Oak clearing", 36.10, -79.95, extra=('shade = "few trees"           # "open", "few trees", "half" or "wooded"',)),
    Place("Lake shore", 36.45, -79.20, extra=('hookup = "every 7th night"    # or true, false',)),
)


@dataclass(frozen=True)
class Plan:
    """What a new scenario is about; everything has a value that runs."""

    vehicle: str = "camper"
    bus_v: int = 12
    chemistry: str = "lfp"
    unit_ah: float = 100.0
    units: int = 2
    panel_w: float = 350.0
    places: tuple[Place, ...] = HOME
    first: date = date(2026, 5, 1)
    days: int = 14
    appliances: tuple[str, ...] = USUAL

    @property
    def in_series(self) -> int:
        """Units in series that make the voltage of the system."""
        return self.bus_v // 12


BEGIN = """\
#:schema ./flatdays.schema.json
# A trip to start from: it runs as it is{where}.
# Change what differs, delete what you do not have. Every key has its unit in its name; a line that starts with # is not read.
# "flatdays check FILE" says what was understood, "flatdays run FILE" on which days the bank runs flat.
# The first line is for editors: "flatdays schema > flatdays.schema.json" beside this file lets them complete and check it.

title = "{title}"

[vehicle]
bus_v = {bus_v}                    # 12, 24 or 48
# heading_deg = 180           # where the nose points when parked, clockwise from north; left out: by chance, the same every run
# cabin = {{ heated = true, awake_c = 20, asleep_c = 16 }}
# standing_draw_w = 5         # gas alarm, controllers and what else nobody lists; 0 takes it out
# budget = 3000               # what may be spent, laden and fits: size and compare hold designs against it
# payload_margin_kg = 300     # with it size needs kg of every part
# roof_m2 = 4.5
# bay_m = [0.8, 0.5, 0.4]     # room for the bank: length, width, height

# Prices and weights: "flatdays size" needs price or unit_price of what it varies; compare and remedies say "not known" where
# none is written. Those below are invented: put your own there, from your offers and the labels, and take the # away.

[bank]
chemistry = "{chemistry}"{pad}# "lfp" (lithium iron phosphate); lead-acid: "agm", "gel" or "flooded"
unit_v = {unit_v:<21g}# one unit, from its label
unit_ah = {unit_ah:g}
in_series = {in_series:<18}# units in series make the bus voltage ...
in_parallel = {in_parallel:<16}# ... and strings in parallel the ampere-hours
usable_frac = {usable_frac:<16g}# the share you plan with
at_floor = "keep"             # "keep": loads run on below it; "off": a disconnect is set there
place = "inside"              # "inside" the cabin, "outside", or in a bay "heated" by the cabin
# start_soc = 1.0             # 1.0 is full
# cutoff_soc = 0.05           # where supply really ends; many more numbers of the data sheet may be given
# capacities = [[1, 66], [5, 89], [20, 100]]   # [hours, Ah] of one unit, for a bank that gives less when drawn fast
# target_soc = 0.9            # charged only up to here
# age_years = 3               # a used bank; or soh_start = 0.9, the share of its charge that it still holds
# unit_price = {unit_price:<15}# your price of one unit
# unit_kg = {unit_kg:<18}# its weight, from the label
# unit_m = [0.33, 0.18, 0.22] # length, width, height of one unit; for the room in the bay
# warranty_years = 5

# [bank.heater]               # warms the cells so that they can be charged in the cold
# power_w = 100               # of the whole bank
# on_below_c = 2
# off_above_c = 8
# from = "surplus"            # "surplus": from sun and chargers only; "bank": from the bank too
"""
ARRAY = """
[[array]]                     # one for each charge controller
name = "roof"
panel = {{ p_w = {p_w:g} }}         # or the data sheet: {{ p_w, v_mp, i_mp, v_oc, i_sc, cells, gamma_pct_per_c ... }}
# panel = {{ p_w = {p_w:g}, price = {panel_price}, kg = {panel_kg}, area_m2 = {panel_m2} }}   # with yours, for the line above
in_series = {in_series}
in_parallel = {in_parallel}
tilt_deg = 0                  # 0 is flat on the roof
# azimuth_deg = 180           # by the compass (180 is south); or bearing_deg = 0, from the nose of the vehicle
mount = "gap"                 # "bonded" (glued to the roof), "gap" (on brackets) or "open" (free-standing)

[array.controller]
kind = "mppt"                 # "mppt" or "pwm"
max_charge_a = {max_charge_a}
# price = 120
"""
INVERTER = """
{off}[inverter]                    # only for appliances with bus = "ac"
{off}rated_w = {rated_w}
# price = 220
# kg = 4
# idle_w = 10                 # what it draws with nothing plugged in
# always_on = false           # left out: on day and night only if an AC appliance runs or waits at night
# sleep_w = 2                 # what it draws asleep, if it has a sleep mode
# cutoff_v = 11.5             # under load; below it the AC side is off until restart_v

# More tables, each with its keys on lines of their own:
#   [switch_off]  luxury_soc = 0.5, comfort_soc = 0.3: what goes first when the bank runs low, by the priority of the appliances
#   [[cable]]     appliance = "water pump", length_m = 6 (one way), mm2 = 4: its loss is told; flatdays does not certify wiring
#   [converter]   efficiency_frac = 0.92 (on a bus of 24 or 48 V, for 12 V appliances; those with volts = "bus" need none)
"""
ALTERNATOR = """
{off}[alternator]                  # charging while driving
{off}charger_a = 30
# price = 180
# kg = 2
"""
AUDIT = """
# [shore]                     # charger on a hookup; see hookup in the stops
# charger_a = 45
# price = 150
# kg = 3

# [generator]                 # starts by itself
# rated_w = 2000
# start_soc = 0.30
# stop_soc = 0.90
# windows = ["08:00-20:00"]   # when it may run
# price = 600
# kg = 21

# What draws on the bank. For each appliance watts (power_w) or, on the DC side, amperes (current_a), of one piece; and one of
#   hours_per_day = 4                      clock = ["06:30-08:00", "22:00-01:00"]      duty_frac = 0.4 (day and night)
#   uses = { per_day = 8, minutes = 3 }    wh_per_day = 480 (as a plug-in meter gives it)
# Also: quantity, standby_w, surge_w, kind (its usual hours: "lights", "cooking", "fridge" ...), days = ["sat", "sun"],
# stops = ["Oak clearing"], only = "off-grid" | "hookup" | "driving", priority = "essential" | "comfort" | "luxury", medical.
# With the weather: follows = "fridge" (more in a warm cabin), "heating", "cooling" (above_c = 27) or "pads" (below_c = 3).
# Measured: profile = "meter.csv" (columns time and watts) in place of watts and hours.
"""
WEATHER = """
[weather]                     # for all stops; a stop may have its own, as in: weather = { file = "lisbon.epw" }
sample = "greensboro"         # or "miami", "sandpoint"; or file = "year.epw"; or clear = true for the best case
"""
ROUTE = """
# What the bank does when it is not on the route, for its years of life ("flatdays life"); left out: the route again, all year.
# [rest_of_year]
# storage = { soc = 0.5, temp_c = 15, on_float = false }

# The route, in order. The arrival at a stop is the departure from the one before; that day is driven from 09:00 on.
# Both may carry a time on the local clock: 2026-05-08T14:30:00.
"""
CHOOSING = """
# Which bank to buy: designs that "flatdays size" tries, what they must meet, and what they may cost.
# [size]
# in_parallel = [{size_parallel}]        # {size_units}, from the first to the last of them
{panels}# flat_days = 3               # at most so many in the worst of the years; or odds = 0.95: the share without one
# max_price = 3000
# max_kg = 120                # with it size needs kg of every part, that of [shore] and [alternator] too

# [costs]                     # for the cost of a year in compare and remedies
# currency = "EUR"
# horizon_years = 10
# fuel_price_per_l = 1.8
# hookup_price_per_night = 25

# Another design of the same trip, for "flatdays compare": what it changes, by the path of the key. [[variant]] may come again.
# [[variant]]
# name = "one string more"
# set = {{ "bank.in_parallel" = {more_parallel} }}
"""
STOP_HINTS = """\
# drive_h = 1.5               # to get here; left out: estimated from the distance
# drive_h_per_day = 0.5       # errands during the stay
# heading_deg = 90
# elevation_m = 150
# zone = "America/New_York"   # left out: it follows from the place
# snow = "none"               # "none", "brushed" or "stays" on the panels
"""


def starter_text(plan: Plan | None = None) -> str:
    """Text of a commented scenario that runs as it is.

    Parameters
    ----------
    plan : Plan, optional
        What it is about; left out: two weeks at two places with a measured year that comes with flatdays.

    Returns
    -------
    str
        TOML.
    """
    plan = Plan() if plan is None else plan
    own_weather = all(place.weather for place in plan.places)
    parts = [
        BEGIN.format(
            where="" if own_weather else ", on a measured weather year that comes with flatdays",
            title=VEHICLES[plan.vehicle],
            bus_v=plan.bus_v,
            chemistry=plan.chemistry,
            pad=" " * (16 - len(plan.chemistry)),
            unit_v=UNIT_V[plan.chemistry],
            unit_ah=plan.unit_ah,
            in_series=plan.in_series,
            in_parallel=plan.units // plan.in_series,
            unit_price=_rounded(plan.unit_ah * UNIT_V[plan.chemistry] * PRICE_PER_WH[plan.chemistry], 5),
            unit_kg=f"{_unit_kg(plan):.3g}",
            usable_frac=PLANNED_FRAC[plan.chemistry],
        ),
        _array(plan),
        INVERTER.format(off="" if any(name in AC_W for name in plan.appliances) else "# ", rated_w=_inverter_w(plan.appliances)),
        ALTERNATOR.format(off="" if plan.vehicle in CHARGES_WHILE_DRIVING else "# "),
        AUDIT.replace("Oak clearing", plan.places[0].name),
        *(_appliance(name, plan.bus_v) for name in plan.appliances),
        "" if own_weather else WEATHER,
        ROUTE,
        *_stops(plan),
        STOP_HINTS,
        _choosing(plan),
    ]
    return "".join(parts)


def _array(plan: Plan) -> str:
    if plan.panel_w <= 0.0:
        return "\n# No panels: add an [[array]] with name, panel = { p_w = 175 }, tilt_deg and [array.controller] for sun.\n"
    # A panel of a usual make has some 18 V; the array must lie above the bank.
    strings = max(1, math.ceil(plan.panel_w / LARGEST_PANEL_W / plan.in_series - 1e-9))
    p_w = round(plan.panel_w / (strings * plan.in_series), 1)
    return ARRAY.format(
        p_w=p_w,
        panel_price=_rounded(p_w * PANEL_PRICE_PER_W, 5),
        panel_kg=f"{p_w * PANEL_KG_PER_W:.2g}",
        panel_m2=f"{p_w * PANEL_M2_PER_W:.2g}",
        in_series=plan.in_series,
        in_parallel=strings,
        max_charge_a=max(10, math.ceil(plan.panel_w / plan.bus_v / 10) * 10),
    )


def _rounded(amount: float, step: int) -> int:
    return max(step, round(amount / step) * step)


def _unit_kg(plan: Plan) -> float:
    from simulator.scenario.presets import load_preset

    return plan.unit_ah * UNIT_V[plan.chemistry] * load_preset("chemistries").number(plan.chemistry, "kg_per_wh")


def _choosing(plan: Plan) -> str:
    """Commented tables for choosing a design; they hold as they are once their prices are there."""
    strings = plan.units // plan.in_series
    return CHOOSING.format(
        size_parallel=f"1, {strings + 2}",
        size_units="units in parallel" if plan.in_series == 1 else "strings in parallel",
        panels='# panels = { "roof" = [1, 4] }\n' if plan.panel_w > 0.0 else "",
        more_parallel=strings + 1,
    )


def _inverter_w(appliances: tuple[str, ...]) -> int:
    """Rating for the largest of them and a quarter more, in steps of 500 W, at least 1000 W (common practice, no source)."""
    most = max((AC_W.get(name, 0) for name in appliances), default=0)
    return max(1000, math.ceil(most * 1.25 / 500) * 500)


def _appliance(name: str, bus_v: int) -> str:
    words = {"phones": "phones and tablet", "pump": "water pump"}.get(name, name)
    lines = APPLIANCES[name]
    if name == "phones" and bus_v != 12:
        # The same 18 W are other amperes at another voltage.
        lines = ("power_w = 18", *lines[1:])
    return "\n".join(["", "[[appliance]]", f'name = "{words}"', *lines, ""])


def _stops(plan: Plan) -> list[str]:
    """A [[stop]] for each place, the days shared out evenly."""
    found = []
    count = len(plan.places)
    # The day of departure counts whole: the last one is the last day of the trip.
    nights = plan.days - 1 if plan.days > count else plan.days
    for number, place in enumerate(plan.places):
        arrive, depart = (plan.first + timedelta(days=nights * part // count) for part in (number, number + 1))
        north, east = (" # north is positive", " # east is positive") if number == 0 else ("", "")
        lines = [
            "",
            "[[stop]]",
            f'name = "{place.name}"{f"    # {place.remark}" if place.remark else ""}',
            f"latitude_deg = {_degrees(place.latitude_deg):<14}{north}".rstrip(),
            f"longitude_deg = {_degrees(place.longitude_deg):<13}{east}".rstrip(),
            f"arrive = {arrive}",
            f"depart = {depart}",
            *([f"weather = {place.weather}"] if place.weather else []),
            *place.extra,
            "",
        ]
        found.append("\n".join(lines))
    return found


def _degrees(value: float) -> str:
    """At least two digits after the point, at most four."""
    text = f"{value:.4f}".rstrip("0")
    return text + "0" * max(0, 2 - len(text.partition(".")[2]))
