"""The scenario that ``flatdays new`` writes: every common key explained, and it runs as it is."""

from __future__ import annotations

STARTER = """\
# A trip to start from: it runs as it is, on a measured weather year that comes with flatdays.
# Change what differs, delete what you do not have. Every key has its unit in its name; a line that starts with # is not read.
# "flatdays check FILE" says what was understood, "flatdays run FILE" on which days the bank runs flat.

title = "My trip"

[vehicle]
bus_v = 12                    # 12, 24 or 48
# heading_deg = 180           # where the nose points when parked, clockwise from north; left out: by chance, the same every run
# cabin = { heated = true, awake_c = 20, asleep_c = 16 }
# standing_draw_w = 5         # gas alarm, controllers and what else nobody lists; 0 takes it out

[bank]
chemistry = "lfp"             # "lfp" (lithium iron phosphate); lead-acid: "agm", "gel" or "flooded"
unit_v = 12.8                 # one unit, from its label
unit_ah = 100
in_series = 1                 # units in series make the bus voltage ...
in_parallel = 2               # ... and strings in parallel the ampere-hours
usable_frac = 0.8             # the share you plan with
at_floor = "keep"             # "keep": loads run on below it; "off": a disconnect is set there
place = "inside"              # "inside" the cabin, "outside", or in a bay "heated" by the cabin
# start_soc = 1.0             # 1.0 is full
# cutoff_soc = 0.05           # where supply really ends; many more numbers of the data sheet may be given
# capacities = [[1, 66], [5, 89], [20, 100]]   # [hours, Ah] of one unit, for a bank that gives less when drawn fast
# target_soc = 0.9            # charged only up to here
# age_years = 3               # a used bank; or soh_start = 0.9, the share of its charge that it still holds

# [bank.heater]               # warms the cells so that they can be charged in the cold
# power_w = 100               # of the whole bank
# on_below_c = 2
# off_above_c = 8
# from = "surplus"            # "surplus": from sun and chargers only; "bank": from the bank too

[[array]]                     # one for each charge controller
name = "roof"
panel = { p_w = 175 }         # or the data sheet: { p_w, v_mp, i_mp, v_oc, i_sc, cells, gamma_pct_per_c ... }
in_series = 1
in_parallel = 2
tilt_deg = 0                  # 0 is flat on the roof
# azimuth_deg = 180           # by the compass (180 is south); or bearing_deg = 0, from the nose of the vehicle
mount = "gap"                 # "bonded" (glued to the roof), "gap" (on brackets) or "open" (free-standing)

[array.controller]
kind = "mppt"                 # "mppt" or "pwm"
max_charge_a = 30

[inverter]                    # only for appliances with bus = "ac"
rated_w = 1000
# idle_w = 10                 # what it draws with nothing plugged in
# always_on = false           # left out: on day and night only if an AC appliance runs or waits at night
# sleep_w = 2                 # what it draws asleep, if it has a sleep mode
# cutoff_v = 11.5             # under load; below it the AC side is off until restart_v

# More tables, each with its keys on lines of their own:
#   [switch_off]  luxury_soc = 0.5, comfort_soc = 0.3: what goes first when the bank runs low, by the priority of the appliances
#   [[cable]]     appliance = "water pump", length_m = 6 (one way), mm2 = 4: its loss is told; flatdays does not certify wiring
#   [converter]   efficiency_frac = 0.92 (on a bus of 24 or 48 V, for 12 V appliances; those with volts = "bus" need none)

[alternator]                  # charging while driving
charger_a = 30

# [shore]                     # charger on a hookup; see hookup in the stops
# charger_a = 45

# [generator]                 # starts by itself
# rated_w = 2000
# start_soc = 0.30
# stop_soc = 0.90
# windows = ["08:00-20:00"]   # when it may run

# What draws on the bank. For each appliance watts (power_w) or, on the DC side, amperes (current_a), of one piece; and one of
#   hours_per_day = 4                      clock = ["06:30-08:00", "22:00-01:00"]      duty_frac = 0.4 (day and night)
#   uses = { per_day = 8, minutes = 3 }    wh_per_day = 480 (as a plug-in meter gives it)
# Also: quantity, standby_w, surge_w, kind (its usual hours: "lights", "cooking", "fridge" ...), days = ["sat", "sun"],
# stops = ["Oak clearing"], only = "off-grid" | "hookup" | "driving", priority = "essential" | "comfort" | "luxury", medical.
# With the weather: follows = "fridge" (more in a warm cabin), "heating", "cooling" (above_c = 27) or "pads" (below_c = 3).
# Measured: profile = "meter.csv" (columns time and watts) in place of watts and hours.

[[appliance]]
name = "fridge"
kind = "fridge"
power_w = 45
duty_frac = 0.4

[[appliance]]
name = "lights"
kind = "lights"
power_w = 5
quantity = 4
hours_per_day = 4

[[appliance]]
name = "phones and tablet"
current_a = 1.5               # at the bus voltage: 18 W
hours_per_day = 3

[[appliance]]
name = "water pump"
power_w = 60
uses = { per_day = 10, minutes = 2 }

[[appliance]]
name = "laptop"
bus = "ac"
power_w = 60
clock = ["09:00-12:00", "19:00-20:30"]
priority = "comfort"

[weather]                     # for all stops; a stop may have its own, as in: weather = { file = "lisbon.epw" }
sample = "greensboro"         # or "miami", "sandpoint"; or file = "year.epw"; or clear = true for the best case

# What the bank does when it is not on the route, for its years of life ("flatdays life"); left out: the route again, all year.
# [rest_of_year]
# storage = { soc = 0.5, temp_c = 15, on_float = false }

# The route, in order. The arrival at a stop is the departure from the one before; that day is driven from 09:00 on.
# Both may carry a time on the local clock: 2026-05-08T14:30:00.

[[stop]]
name = "Oak clearing"
latitude_deg = 36.10          # north is positive
longitude_deg = -79.95        # east is positive
arrive = 2026-05-01
depart = 2026-05-08
shade = "few trees"           # "open", "few trees", "half" or "wooded"

[[stop]]
name = "Lake shore"
latitude_deg = 36.45
longitude_deg = -79.20
arrive = 2026-05-08
depart = 2026-05-15
hookup = "every 7th night"    # or true, false
# drive_h = 1.5               # to get here; left out: estimated from the distance
# drive_h_per_day = 0.5       # errands during the stay
# heading_deg = 90
# elevation_m = 150
# zone = "America/New_York"   # left out: it follows from the place
# snow = "none"               # "none", "brushed" or "stays" on the panels
"""


def starter_text() -> str:
    """Return the text of a commented scenario that runs as it is."""
    return STARTER
