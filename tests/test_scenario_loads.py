"""What a person may write about appliances, inverter, converter, cables and switch-off, and what is refused."""

import tomllib

import pytest

from simulator.errors import InputError
from simulator.scenario import describe, load_preset, parse_scenario
from simulator.scenario.wires import CAUTION

BASE = """\
[vehicle]
bus_v = {bus_v}
standing_draw_w = 0
{vehicle}
[bank]
chemistry = "{chemistry}"
unit_ah = 100
in_parallel = 2
{tables}
[[appliance]]
name = "lamp"
power_w = 12
hours_per_day = 4
{lamp}
[weather]
clear = true
[[stop]]
name = "Glade"
latitude_deg = 36.0
longitude_deg = -80.0
zone = "America/New_York"
arrive = 2026-06-01
depart = 2026-06-03
"""
OVEN = '[[appliance]]\nname = "oven"\nbus = "ac"\npower_w = 800\nuses = { per_day = 1, minutes = 30 }\n'


def text_of(tables="", *, bus_v=12, chemistry="lfp", vehicle="", lamp=""):
    return BASE.format(tables=tables, bus_v=bus_v, chemistry=chemistry, vehicle=vehicle, lamp=lamp)


def scenario(tables="", path=None, **changes):
    return parse_scenario(text_of(tables, **changes), path)


def mistakes_of(tables="", path="route.toml", **changes):
    with pytest.raises(InputError) as caught:
        scenario(tables, path, **changes)
    for mistake in caught.value.mistakes:
        assert "expected " in mistake and ", got " in mistake and "\n" not in mistake, mistake
    return caught.value.mistakes


def one_mistake(*args, **changes):
    found = mistakes_of(*args, **changes)
    assert len(found) == 1, found
    return found[0]


# --- presets ---


def test_every_number_about_wires_has_unit_source_and_a_valid_range_that_holds_it():
    for table in load_preset("wires").tables.values():
        for key, entry in table.items():
            assert set(entry) == {"value", "unit", "valid", "source"}, key
            assert entry["valid"][0] <= entry["value"] <= entry["valid"][1], key
            assert entry["unit"] and len(entry["source"]) > 5


def test_the_fridge_s_slope_is_the_middle_of_what_was_published():
    """Published: +15 to +53 % from 20 to 33 C. With e = 1 + k (T - 25): k = (g - 1) / (8 + 5 g) for a growth g."""
    for value, growth in zip(
        (*load_preset("appliances").valid("fridge", "energy_per_c"), load_preset("appliances").number("fridge", "energy_per_c")),
        (1.15, 1.53, 1.34),
        strict=True,
    ):
        assert value == pytest.approx((growth - 1.0) / (8.0 + 5.0 * growth), abs=1e-4)


# --- inverter ---


@pytest.mark.parametrize(
    ("chemistry", "bus_v", "cutoff_v", "restart_v"),
    [("lfp", 12, 11.5, 13.0), ("agm", 12, 10.5, 12.5), ("flooded", 24, 21.0, 25.0), ("lfp", 48, 46.0, 52.0)],
)
def test_the_inverter_switches_at_the_volts_of_its_bank(chemistry, bus_v, cutoff_v, restart_v):
    """Common practice, no source: off at 10.5 to 11 V (lead) or 11.5 to 12 V (lithium), back at 12.5 or 13 V, at 12 V."""
    found = scenario(f"[inverter]\nrated_w = 1000\n{OVEN}", chemistry=chemistry, bus_v=bus_v)
    assert (found.inverter.cutoff_v, found.inverter.restart_v) == (cutoff_v, restart_v)
    assert any(f"off below {cutoff_v:g} V under load, back at {restart_v:g} V" in line for line in found.defaults_used)
    written = scenario(f"[inverter]\nrated_w = 1000\ncutoff_v = {cutoff_v - 0.2}\nrestart_v = {restart_v}\n{OVEN}", bus_v=bus_v)
    assert written.inverter.cutoff_v == cutoff_v - 0.2
    assert not any(line.startswith("Inverter off") for line in written.defaults_used)


def test_an_inverter_that_never_switches_off():
    found = scenario(f"[inverter]\nrated_w = 1000\ncutoff_v = 0\n{OVEN}").inverter
    assert (found.cutoff_v, found.restart_v) == (0.0, 0.0)


def test_sleep_keeps_it_on():
    found = scenario(f"[inverter]\nrated_w = 1000\nsleep_w = 2\n{OVEN}")
    assert (found.inverter.always_on, found.inverter.sleep_w) == (True, 2.0)
    assert any("asleep 2 W" in line for line in describe(found))
    off = scenario(f"[inverter]\nrated_w = 1000\nsleep_w = 2\nalways_on = false\n{OVEN}")
    assert any("never sleeps" in note for note in off.notes)


def test_surge_and_rating_are_noted():
    drill = '[[appliance]]\nname = "drill"\nbus = "ac"\npower_w = 600\nsurge_w = 2500\nhours_per_day = 1\n'
    found = scenario(f"[inverter]\nrated_w = 700\n{OVEN}{drill}")
    assert any('"oven", power_w' in note and "overload" in note for note in found.notes)
    assert any('"drill", surge_w' in note and "inverter's surge of 1400 W" in note for note in found.notes)


# --- converter ---


def test_twelve_volt_appliances_of_a_higher_bus_hang_on_a_converter():
    found = scenario(bus_v=24)
    assert (found.converter.efficiency_frac, found.converter.idle_w) == (0.92, 1.5)
    assert found.appliances[0].via_converter
    assert any("DC-DC converter from the 24 V bus, 92% efficient" in line for line in found.defaults_used)
    assert any("feeds lamp" in line for line in describe(found))
    assert scenario(bus_v=24, lamp='volts = "bus"').converter is None
    assert scenario(bus_v=12).converter is None
    stated = scenario("[converter]\nefficiency_frac = 0.9\nidle_w = 3", bus_v=48)
    assert (stated.converter.efficiency_frac, stated.converter.idle_w) == (0.9, 3.0)
    assert not any("DC-DC converter" in line for line in stated.defaults_used)


def test_amperes_are_at_the_volts_of_the_appliance():
    pump = '[[appliance]]\nname = "pump"\ncurrent_a = 5\nhours_per_day = 1\n'
    at_bus = scenario(pump, bus_v=24)
    assert (at_bus.appliances[0].power_w, at_bus.appliances[0].via_converter) == (120.0, False)
    assert any("its amperes are at the 24 V bus" in line for line in at_bus.defaults_used)
    behind = scenario(pump + "volts = 12\n", bus_v=24).appliances[0]
    assert (behind.power_w, behind.via_converter) == (60.0, True)


def test_the_standing_draw_is_behind_the_converter_and_a_winch_is_not():
    winch = '[[appliance]]\nname = "winch"\nkind = "winch"\nuses = { per_day = 1, minutes = 5 }\n'
    found = parse_scenario(text_of(winch, bus_v=24).replace("standing_draw_w = 0", "standing_draw_w = 6"))
    assert [it.via_converter for it in found.appliances] == [False, True, True]


def test_a_converter_cannot_give_more_than_it_takes():
    found = one_mistake("[converter]\nefficiency_frac = 92", bus_v=24)
    assert "converter, efficiency_frac" in found and "For 92 % write 0.92." in found
    assert "nothing gives more than it takes" in one_mistake("[converter]\nefficiency_frac = 1.05", bus_v=24)
    assert "a number above 0 up to 100" in one_mistake("[converter]\nefficiency_frac = 0", bus_v=24)


def test_a_converter_on_a_bus_of_twelve_volts_is_refused():
    assert "set bus_v = 24 or 48" in one_mistake("[converter]\nidle_w = 1")


# --- cables ---

CABLE = '[[cable]]\nname = "run"\nappliance = "lamp"\nlength_m = 5\nmm2 = 2.5\n'


def test_a_cable():
    (found,) = scenario(CABLE).cables
    assert (found.appliances, found.feeds, found.volts, found.temp_c) == (frozenset({1}), "appliances", 12.0, 30.0)
    assert found.resistance_ohm == pytest.approx(2 * 5 * 0.017241 * 1.0393 / 2.5)
    same = scenario(CABLE.replace("length_m = 5", f"length_ft = {5 / 0.3048}").replace("mm2 = 2.5", "awg = 12\ntemp_c = 30"))
    assert same.cables[0].resistance_ohm == pytest.approx(found.resistance_ohm * 2.5 / 3.309, rel=1e-3)
    assert [scenario(CABLE.replace("mm2 = 2.5", f"awg = {awg}")).cables[0].mm2 for awg in ('"1/0"', "0")] == [
        pytest.approx(53.48, abs=0.01)
    ] * 2
    assert any('Cable "run" to lamp: 5 m each way of 2.5 mm2' in line for line in describe(scenario(CABLE)))


def test_cables_of_inverter_and_converter():
    leads = '[[cable]]\nappliance = "inverter"\nlength_m = 1\nmm2 = 70\n'
    found = scenario(f"[inverter]\nrated_w = 1000\n{leads}{OVEN}").cables[0]
    assert (found.feeds, found.appliances) == ("inverter", frozenset())
    found = scenario(leads.replace("inverter", "converter"), bus_v=24).cables[0]
    assert (found.feeds, found.volts) == ("converter", 24.0)
    (behind,) = scenario(CABLE, bus_v=24).cables
    assert behind.volts == 12.0


def test_a_winch_at_the_end_of_a_thin_cable_is_noted_three_times():
    """300 A over 6 m of 25 mm2 (4 AWG's row: 160 A); two units of 100 A may give 200 A."""
    winch = '[[appliance]]\nname = "winch"\nkind = "winch"\ncurrent_a = 300\nuses = { per_day = 1, minutes = 4 }\n'
    run = '[[cable]]\nappliance = "winch"\nlength_m = 6\nmm2 = 25\n'
    notes = scenario(run + winch).notes
    drop_v = 300 * 2 * 6 * 0.017241 * 1.0393 / 25
    assert any(f"at 300 A {drop_v:.2f} V are lost on it, {drop_v / 12:.1%} of 12 V" in note for note in notes)
    assert any("more than the 160 A of 4 AWG" in note and CAUTION in note for note in notes)
    assert any('"winch"' in note and "more than the 200 A that the bank may give" in note for note in notes)
    thick = run.replace("mm2 = 25", "mm2 = 240").replace("length_m = 6", "length_m = 1")
    assert not any("cable" in note for note in scenario(thick + winch.replace("300", "150")).notes)


def test_a_thin_cable_is_beyond_the_table():
    assert any("thinner than the table" in note for note in scenario(CABLE.replace("2.5", "0.5")).notes)


BAD_CABLES = {
    "zero area": (("mm2 = 2.5", "mm2 = 0"), ['cable "run", mm2', "an area above 0 mm2", "printed on the insulation"]),
    "zero length": (("length_m = 5", "length_m = 0"), ["a length above 0"]),
    "no area": (("mm2 = 2.5\n", ""), ["either mm2 or awg, got neither"]),
    "two areas": (("mm2 = 2.5", "mm2 = 2.5\nawg = 14"), ["either mm2 or awg, got both"]),
    "no length": (("length_m = 5\n", ""), ["either length_m or length_ft, got neither", "One way"]),
    "unknown gauge": (("mm2 = 2.5", 'awg = "5/0"'), ["a wire gauge from 40 to 1"]),
    "unknown appliance": (('"lamp"', '"lump"'), ['got "lump". Did you mean "lamp"?']),
    "feeds nothing": (('appliance = "lamp"\n', ""), ["either appliance or appliances, got neither"]),
    "no inverter": (('"lamp"', '"inverter"'), ["expected an [inverter] to feed, got none"]),
    "negative area": (("mm2 = 2.5", "mm2 = -1"), ["from 0 to 1000 mm2"]),
}


@pytest.mark.parametrize("name", BAD_CABLES)
def test_bad_cables(name):
    (old, new), words = BAD_CABLES[name]
    assert old in CABLE
    found = one_mistake(CABLE.replace(old, new)).replace("cable 1 ", "cable ")
    for word in words:
        assert word in found


def test_more_bad_cables():
    assert "the AC appliance" in one_mistake(f"[inverter]\nrated_w = 1000\n{OVEN}" + CABLE.replace('"lamp"', '"oven"'))
    assert "one cable for each appliance" in one_mistake(CABLE + CABLE.replace('"run"', '"other"'))
    direct = '[[appliance]]\nname = "motor"\npower_w = 50\nvolts = "bus"\nhours_per_day = 1\n'
    both = CABLE.replace('appliance = "lamp"', 'appliances = ["lamp", "motor"]')
    assert "appliances of one voltage" in one_mistake(both + direct, bus_v=24)
    assert len(mistakes_of(CABLE.replace("5", "0").replace("2.0", "0"))) == 2


def test_a_cable_to_an_appliance_that_cannot_be_read_is_no_second_mistake():
    assert "power_w" in one_mistake(CABLE + '[[appliance]]\nname = "odd"\nhours_per_day = 1\n')
    assert "power_w" in one_mistake(CABLE.replace("lamp", "odd") + '[[appliance]]\nname = "odd"\nhours_per_day = 1\n')


# --- switch-off ---

COMFORT = '[[appliance]]\nname = "fan"\npower_w = 20\nhours_per_day = 4\npriority = "comfort"\n'
LUXURY = '[[appliance]]\nname = "tv"\npower_w = 40\nhours_per_day = 3\npriority = "luxury"\n'


def test_switch_off():
    found = scenario("[switch_off]\ncomfort_soc = 0.3\nluxury_soc = 0.5\nmargin_soc = 0.15\n" + COMFORT + LUXURY)
    assert found.switch_off.shed_soc == (-1.0, 0.3, 0.5)
    assert found.switch_off.restore_soc == pytest.approx((-1.0, 0.45, 0.65))
    assert not any("switch_off" in note for note in found.notes)
    words = describe(found)
    assert any("Luxury is switched off at 50% of charge and comes back at 65%" in line for line in words)
    assert scenario().switch_off is None


def test_luxury_goes_at_the_latest_with_comfort():
    found = scenario("[switch_off]\ncomfort_soc = 0.3\n" + COMFORT + LUXURY)
    assert found.switch_off.shed_soc == (-1.0, 0.3, 0.3)
    assert found.switch_off.restore_soc == pytest.approx((-1.0, 0.4, 0.4))
    assert any("comes back 10% of charge higher" in line for line in found.defaults_used)
    assert scenario("[switch_off]\nluxury_soc = 0.3\n" + LUXURY).switch_off.shed_soc == (-1.0, -1.0, 0.3)


def test_priorities_upside_down_are_refused():
    found = one_mistake("[switch_off]\ncomfort_soc = 0.6\nluxury_soc = 0.5\n" + COMFORT + LUXURY)
    assert "switch_off, comfort_soc" in found and "comfort is switched off after luxury" in found and "Swap the two." in found


def test_bad_switch_off():
    assert "neither" in one_mistake("[switch_off]\nmargin_soc = 0.2\n" + LUXURY)
    assert "cut-off of 0.05" in one_mistake("[switch_off]\nluxury_soc = 0.05\n" + LUXURY)
    assert "so that it comes back" in one_mistake("[switch_off]\nluxury_soc = 0.95\n" + LUXURY)
    assert any("no appliance is luxury" in note for note in scenario("[switch_off]\nluxury_soc = 0.5\n").notes)


# --- what follows the weather, profiles, medical, windows ---


def test_what_follows_the_weather():
    found = scenario(lamp='follows = "fridge"\nkind = "fridge"').appliances[0]
    assert (found.follows, found.hours_per_day) == ("fridge", 4.0)
    fan = '[[appliance]]\nname = "fan"\nkind = "heater_fan"\nfollows = "heating"\n'
    found = scenario(fan, vehicle='kind = "trailer"')
    assert (found.appliances[0].heat_w, found.appliances[0].duty_frac, found.appliances[0].power_w) == (7000.0, 1.0, 96.0)
    assert (found.vehicle.cabin_heat_loss_w_per_c, found.vehicle.cabin_time_constant_h) == (130.0, 4.0)
    assert any("The cabin loses 130 W/K" in line for line in found.defaults_used)
    stated = scenario(fan + "heat_w = 4000\n", vehicle="cabin = { heat_loss_w_per_c = 60, time_constant_h = 3 }")
    assert stated.vehicle.cabin_heat_loss_w_per_c == 60.0
    assert not any("The cabin loses" in line for line in stated.defaults_used)
    cold = scenario(fan, vehicle="cabin = { heated = false }")
    assert any("never runs" in note for note in cold.notes)
    pads = scenario('[[appliance]]\nname = "pads"\nkind = "pads"\nfollows = "pads"\n').appliances[0]
    assert (pads.below_c, pads.duty_frac) == (3.0, 1.0)
    cooler = scenario('[[appliance]]\nname = "c"\npower_w = 50\nhours_per_day = 5\nfollows = "cooling"\nabove_c = 25\n')
    assert (cooler.appliances[0].above_c, cooler.appliances[0].hours_per_day) == (25.0, 5.0)


def test_bad_followers():
    assert "The cold says how long it runs." in one_mistake(lamp='follows = "heating"')
    assert 'above_c only with follows = "cooling", got none' in one_mistake(lamp="above_c = 20")
    assert 'heat_w only with follows = "heating", got "fridge"' in one_mistake(lamp='follows = "fridge"\nheat_w = 20')
    assert 'Did you mean "fridge"?' in one_mistake(lamp='follows = "frige"')


def measured(more=""):
    return f'[[appliance]]\nname = "meter"\nprofile = "meter.csv"\n{more}'


def test_a_profile_stands_for_watts_and_hours(tmp_path):
    (tmp_path / "meter.csv").write_text("time,watts\n00:00,5\n12:00,10\n", encoding="utf-8")
    found = scenario(measured('bus = "ac"\ndays = ["sat"]\n[inverter]\nrated_w = 500\n'), tmp_path / "route.toml").appliances[0]
    assert found.profile == tmp_path / "meter.csv"
    assert (found.power_w, found.hours_per_day, found.duty_frac) == (0.0, None, None)
    told = describe(scenario(measured(), tmp_path / "route.toml"))
    assert any("meter: DC, as measured in meter.csv" in line for line in told)
    beside = one_mistake(measured("power_w = 5\nhours_per_day = 2\n"), tmp_path / "route.toml")
    assert "no hours_per_day and power_w beside a profile" in beside


def test_a_profile_that_is_not_there(tmp_path):
    found = one_mistake(measured(), tmp_path / "route.toml")
    assert 'appliance 1 "meter", profile' in found and "which is not" in found and "folder of the scenario" in found
    (tmp_path / "meter.csv").write_text("", encoding="utf-8")
    assert "which is empty" in one_mistake(measured(), tmp_path / "route.toml")


def test_a_medical_device_is_cautioned():
    (note,) = [note for note in scenario(lamp="medical = true").notes if "medical" in note]
    assert "never rely on one bank alone" in note


def test_windows_of_one_appliance_that_overlap_are_refused():
    text = text_of().replace("hours_per_day = 4", 'clock = ["07:00-09:00", "08:30-10:00"]')
    with pytest.raises(InputError, match=r'windows that do not overlap, got "07:00-09:00, 08:30-10:00". Join them'):
        parse_scenario(text)


def test_all_mistakes_at_once():
    tables = (
        "[converter]\nefficiency_frac = 92\n[switch_off]\ncomfort_soc = 0.6\nluxury_soc = 0.5\n"
        '[[cable]]\nappliance = "lump"\nlength_m = 5\nmm2 = 0\n' + COMFORT + LUXURY + measured()
    )
    assert tomllib.loads(text_of(tables, bus_v=24))
    found = mistakes_of(tables, bus_v=24)
    assert len(found) == 5, found
