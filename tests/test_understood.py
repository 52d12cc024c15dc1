"""What `check` says it has understood: every part of a scenario in a sentence a traveller can hold against what was meant."""

from __future__ import annotations

import pytest

from simulator.scenario import describe, parse_scenario

PARTS = {
    "title": 'title = "All of it"',
    "vehicle": "[vehicle]\nstanding_draw_w = 0\nbus_v = 24",
    "bank": """
[bank]
chemistry = "lfp"
unit_v = 12.8
unit_ah = 100
in_series = 2
in_parallel = 2
at_floor = "off"
usable_frac = 0.8
place = "heated"
age_years = 2
soh_start = 0.93
heater = { power_w = 60, on_below_c = 2, off_above_c = 8, from = "bank" }
""",
    "array": """
[[array]]
name = "roof"
panel = { p_w = 100 }
in_series = 3
fixed = true
tilt_deg = 10
bearing_deg = 90
controller = { kind = "mppt", max_charge_a = 20 }
[[array]]
name = "suitcase"
panel = { p_w = 120 }
in_series = 2
stops = ["Meadow"]
deployed_from_days = 1
controller = { kind = "mppt" }
""",
    "chargers": """
[shore]
charger_a = 30
pedestal_a = 16
pedestal_v = 230
[alternator]
charger_a = 20
alternator_max_a = 60
[generator]
rated_w = 2000
charger_a = 40
start_soc = 0.3
stop_soc = 0.8
windows = ["09:00-12:30"]
quiet = ["11:00-11:30"]
fuel_l_per_h_quarter = 0.45
fuel_l_per_h_full = 1.0
[[source]]
name = "wheel"
kind = "hydro"
watts = 40
efficiency_frac = 0.9
clock = ["06:00-18:00"]
days = ["sat", "sun"]
stops = ["Meadow"]
[[source]]
name = "sail"
kind = "wind"
watts = 15
hours_per_day = 5
only = "standing"
[[source]]
name = "trickle"
watts = 5
""",
    "load": """
[[appliance]]
name = "lamp"
power_w = 10
uses = { per_day = 3, minutes = 20 }
priority = "luxury"
[[appliance]]
name = "pump"
power_w = 24
clock = ["22:00-06:30"]
days = "mon"
stops = ["Glade"]
[[appliance]]
name = "modem"
power_w = 6
duty_frac = 1
volts = "bus"
[[appliance]]
name = "fan"
power_w = 8
duty_frac = 0.25
only = "hookup"
[[appliance]]
name = "kettle"
bus = "ac"
power_w = 900
standby_w = 1
hours_per_day = 0.2
priority = "comfort"
[[appliance]]
name = "meter"
wh_per_day = 48
[inverter]
rated_w = 1500
always_on = true
sleep_w = 2
cutoff_v = 21
restart_v = 25
[switch_off]
comfort_soc = 0.3
luxury_soc = 0.5
""",
    "rest": "[rest_of_year]\nstorage = { soc = 0.5, temp_c = 12 }",
    "weather": "[weather]\nclear = true",
    "stops": """
[[stop]]
name = "Glade"
latitude_deg = 45.0
longitude_deg = 7.0
elevation_m = 300
arrive = 2026-03-01
depart = 2026-03-01
hookup = true
[[stop]]
name = "Meadow"
latitude_deg = 45.2
longitude_deg = 7.1
elevation_m = 300
arrive = 2026-03-01
depart = 2026-03-05
hookup = "every 2nd night"
drive_h = 1.5
[[stop]]
name = "Shed"
latitude_deg = 45.3
longitude_deg = 7.1
elevation_m = 300
arrive = 2026-03-05
depart = 2026-03-20
hookup = "every 13th night"
""",
}


def rich(**changes):
    return parse_scenario("\n".join((PARTS | changes).values()))


def said(**changes):
    return [line.removeprefix("  - ") for line in describe(rich(**changes))]


def section(lines, heading):
    """The sentences under one heading."""
    start = lines.index(heading) + 1
    return lines[start : lines.index("", start)] if "" in lines[start:] else lines[start:]


def test_the_bank_in_words():
    assert section(said(), "Bank") == [
        "2 in series x 2 in parallel of 12.8 V 100 Ah LFP: 200 Ah at 25.6 V, 5.12 kWh, 56 kg",
        "Planned use 80%, 4.10 kWh; starts at 100%",
        "At the planning line of 20% a disconnect is set there; back at 25%",
        "Takes up to 100 A; no charging below 0 C, again from 3 C; it sits in a heated bay",
        "Bought used, 2 years old, holding 93% of its rated charge",
        "Heater 60 W, on below 2 C, off above 8 C, from the bank too",
    ]
    plain = 'chemistry = "agm"\nunit_v = 12\nunit_ah = 100\nin_series = 2\nplace = "outside"\n'
    lead = section(said(bank=f"[bank]\n{plain}owned = true\nheater = {{ power_w = 100 }}", load=LAMP), "Bank")
    assert "loads run on below that, until 0%; back at 15%" in lead[2]
    assert lead[3].endswith("it sits outside")
    assert "again from" not in lead[3]
    assert lead[4] == "Owned already, holding 100% of its rated charge"
    assert lead[5].endswith("from surplus only")
    assert len(section(said(bank=f"[bank]\n{plain}", load=LAMP), "Bank")) == 4
    sheet = section(said(bank=f"[bank]\n{plain}capacities = [[5, 89], [20, 100]]", load=LAMP), "Bank")
    assert "By its sheet one unit gives 89 Ah in 5 h, 100 Ah in 20 h; its two wells are fitted to that" in sheet


LAMP = '[[appliance]]\nname = "lamp"\npower_w = 10\nhours_per_day = 2\nvolts = "bus"\n'


def test_what_charges_in_words():
    assert section(said(), "Charging") == [
        '"roof": 3 in series x 1 in parallel of 100 W, 300 W, tilted 10 degrees, bearing 90 degrees from the nose and fixed, '
        "MPPT controller of 20 A",
        '"suitcase": 2 in series x 1 in parallel of 120 W, 240 W, tilted 30 degrees, towards the noon sun, put out at Meadow, '
        "at stays of 1 night and more, MPPT controller",
        "Hookup: charger of 30 A, on a pedestal of 16 A at 230 V",
        "Driving: charger of 20 A, the alternator spares 60 A",
        "Generator 2000 W: 40 A from 30% to 80%, within 09:00-12:30, quiet 11:00-11:30; 0.45 L/h at a quarter load, 1 at full",
        "wheel (hydro): 40 W through a charger of 90%, 06:00-18:00, on sat and sun, at Meadow",
        "sail (wind): 15 W, 5 h a day, spread evenly, only standing",
        "trickle: 5 W, at all hours",
    ]
    bare = (
        PARTS["stops"]
        .replace("hookup = true\n", "")
        .replace('hookup = "every 2nd night"\n', "")
        .replace('hookup = "every 13th night"\n', "")
    )
    assert section(said(array="", chargers="", stops=bare), "Charging") == ["Nothing charges this bank"]
    flat = '[[array]]\nname = "roof"\npanel = { p_w = 100 }\nin_series = 3\nin_parallel = 2\ncontroller = { kind = "mppt" }\n'
    assert section(said(array=flat), "Charging")[0] == (
        '"roof": 3 in series x 2 in parallel of 100 W, 600 W, flat, MPPT controller'
    )
    turned = flat.replace("controller", "tilt_deg = 20\nazimuth_deg = 190\ncontroller")
    assert "tilted 20 degrees, azimuth 190 degrees, MPPT" in section(said(array=turned), "Charging")[0]


def test_a_source_as_measured_in_a_file(tmp_path):
    (tmp_path / "wind.csv").write_text(
        "time,watts\n" + "".join(f"{hour:02d}:00,{10 + hour}\n" for hour in range(24)), encoding="utf-8"
    )
    source = '[[source]]\nname = "wind"\nkind = "wind"\nprofile = "wind.csv"\nonly = "hookup"\n'
    found = parse_scenario("\n".join((PARTS | {"chargers": source}).values()), path=tmp_path / "trip.toml")
    assert "  - wind: as measured in wind.csv, only on a hookup" in describe(found)


def test_the_load_in_words():
    assert section(said(), "Load") == [
        "lamp: 10 W DC, 3 x 20 min a day in 07:00-23:00, 10 Wh on a day of use (luxury)",
        "pump: 24 W DC, 22:00-06:30, 204 Wh on a day of use (on mon; at Glade)",
        "modem: 6 W DC, day and night, 144 Wh on a day of use",
        "fan: 8 W DC, 25% of the time, 48 Wh on a day of use (only on a hookup)",
        "kettle: 900 W AC, 0.2 h a day in 07:00-23:00, 180 Wh on a day of use (standby 1 W; comfort)",
        "meter: DC, as metered, in 07:00-23:00, 48 Wh on a day of use",
        "Inverter 1500 W, idle 15 W, always on, asleep 2 W; off below 21 V, back at 25 V",
        "DC-DC converter to 12 V, 92% efficient, idle 1.5 W; feeds lamp, pump, fan and meter",
        "Luxury is switched off at 50% of charge and comes back at 60%",
        "Comfort is switched off at 30% of charge and comes back at 40%",
    ]
    cabled = (
        LAMP
        + "[[appliance]]\nname = 'drill'\nbus = 'ac'\npower_w = 500\nhours_per_day = 0.1\n"
        + "[inverter]\nrated_w = 1000\ncutoff_v = 0\nalways_on = false\n[converter]\nidle_w = 2\nefficiency_frac = 0.9\n"
        + '[[cable]]\nname = "thin"\nlength_m = 4\nmm2 = 2.5\nappliance = "lamp"\n'
        + '[[cable]]\nname = "thick"\nlength_m = 1.5\nmm2 = 35\nappliance = "inverter"\n[switch_off]\nluxury_soc = 0.4\n'
    )
    lines = section(said(load=cabled), "Load")
    assert "Inverter 1000 W, idle 10 W, on while something runs on it" in lines
    assert "DC-DC converter to 12 V, 90% efficient, idle 2 W; feeds nothing" in lines
    # Copper at 20 C has 1.724e-8 Ohm m (IEC 60028); 8 m of 2.5 mm2 and 3 m of 35 mm2, a little warmer.
    thin, thick = (line for line in lines if line.startswith("Cable"))
    assert thin.startswith('Cable "thin" to lamp: 4 m each way of 2.5 mm2, ')
    assert float(thin.split(", ")[1].split()[0]) == pytest.approx(1.724e-8 * 8 / 2.5e-6 * 1000, rel=0.15)
    assert thick.startswith('Cable "thick" to the inverter: 1.5 m each way of 35 mm2, ')
    assert [line for line in lines if "switched off" in line] == ["Luxury is switched off at 40% of charge and comes back at 50%"]


FOLLOWING = """
[[appliance]]
name = "{name}"
power_w = 40
{how}
follows = "{follows}"
{more}
volts = "bus"
"""


@pytest.mark.parametrize(
    ("follows", "how", "more", "words"),
    [
        ("fridge", "duty_frac = 0.4", "", "40% of the time, 384 Wh on a day of use (more in a warm cabin, less in a cold one)"),
        ("heating", "", "heat_w = 2000", "day and night at most (as long as the cabin needs its 2000 W of heat)"),
        ("cooling", "hours_per_day = 6", "above_c = 27", "6 h a day in 07:00-23:00 (only while the cabin would be above 27 C)"),
        ("pads", 'clock = ["20:00-24:00"]', "below_c = 4", "20:00-24:00 (only while it is below 4 C outside)"),
    ],
)
def test_what_follows_the_weather_in_words(follows, how, more, words):
    lines = section(said(load=FOLLOWING.format(name="thing", how=how, follows=follows, more=more)), "Load")
    assert any(line.startswith("thing: 40 W DC, ") and line.endswith(words) for line in lines), lines


def test_the_route_in_words():
    assert section(said(), "Route") == [
        "1. Glade (45.00, 7.00; Europe/Rome): 2026-03-01 00:00 to 2026-03-01 09:00, 1 calendar day, on a hookup; clear sky",
        "drive of 1.5 h, about 31 km",
        "2. Meadow (45.20, 7.10; Europe/Rome): 2026-03-01 10:30 to 2026-03-05 09:00, 5 calendar days, "
        "on a hookup every 2nd night (2 of 4 nights); clear sky",
        "drive of 0.2 h, about 14 km (estimated)",
        "3. Shed (45.30, 7.10; Europe/Paris): 2026-03-05 09:12 to 2026-03-21 00:00, 16 calendar days, "
        "on a hookup every 13th night (1 of 15 nights); clear sky",
    ]
    assert section(said(), "Rest of the year") == ["Stored at 50% charge and 12 C, disconnected"]
    afloat = said(rest="[rest_of_year]\nstorage = { soc = 0.9, temp_c = 5, on_float = true }")
    assert section(afloat, "Rest of the year") == ["Stored at 90% charge and 5 C, on float"]
    assert "Rest of the year" not in said(rest="")


@pytest.mark.parametrize(
    ("nights", "word"), [(1, "1st"), (2, "2nd"), (3, "3rd"), (4, "4th"), (11, "11th"), (12, "12th"), (13, "13th"), (21, "21st")]
)
def test_ordinals(nights, word):
    stops = PARTS["stops"].replace("every 13th night", f"every {nights}th night")
    expected = "on a hookup" if nights == 1 else f"on a hookup every {word} night"
    assert f"days, {expected}" in section(said(stops=stops), "Route")[-1]


KT = "kt = [0.3, 0.35, 0.4, 0.45, 0.5, 0.52, 0.55, 0.52, 0.47, 0.4, 0.33, 0.28]"
MEAN = "temp_mean_c = [1, 2, 5, 9, 13, 17, 19, 18, 15, 10, 5, 2]"


@pytest.mark.parametrize(
    ("weather", "words"),
    [
        ("clear = true", "clear sky"),
        ('sample = "miami"', "sample miami"),
        ("years = [2005, 2024]", "past years 2005 to 2024"),
        (f"normals = {{ {KT}, {MEAN} }}", "drawn from normals as written"),
    ],
)
def test_the_weather_in_words(weather, words):
    assert section(said(weather=f"[weather]\n{weather}"), "Route")[0].endswith(f"calendar day, on a hookup; {words}")


def test_a_weather_file_and_a_stop_off_the_road_in_words(tmp_path):
    (tmp_path / "year.epw").write_text("LOCATION,\n", encoding="utf-8")
    stops = PARTS["stops"].replace('hookup = "every 13th night"', 'storage = "disconnected"\nhorizon = [[0, 5], [90, 12]]')
    parts = PARTS | {"stops": stops, "weather": '[weather]\nfile = "year.epw"'}
    lines = describe(parse_scenario("\n".join(parts.values()), path=tmp_path / "trip.toml"))
    (shed,) = [line for line in lines if line.startswith("  - 3. Shed")]
    assert shed.endswith("; file year.epw, horizon up to 12 degrees; off the road, the bank disconnected")
    floating = said(stops=stops.replace('"disconnected"', '"float"'))
    assert section(floating, "Route")[-1].endswith("; off the road, the bank on float")
