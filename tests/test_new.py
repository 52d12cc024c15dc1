"""``flatdays new``: whatever is answered, what is written can be read, checked and run, and nothing is ever overwritten."""

from __future__ import annotations

import io
import shlex
from datetime import date

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simulator.cli import main
from simulator.cli.new import QUESTIONS
from simulator.scenario import describe, parse_scenario, read_scenario, starter_text
from simulator.scenario.starter import AC_W, APPLIANCES, UNIT_V, VEHICLES, Place, Plan


class Terminal(io.StringIO):
    def isatty(self):
        return True


PLANS = st.builds(
    Plan,
    vehicle=st.sampled_from(list(VEHICLES)),
    bus_v=st.sampled_from([12, 24, 48]),
    chemistry=st.sampled_from(list(UNIT_V)),
    unit_ah=st.sampled_from([50.0, 100.0, 280.0]),
    units=st.sampled_from([4, 8, 12]),
    panel_w=st.sampled_from([0.0, 80.0, 350.0, 1234.0]),
    places=st.lists(
        st.sampled_from(
            [
                Place("Fen", 52.5, 0.3, weather="{ clear = true, temp_c = 10 }"),
                Place("Moor", 52.9, -1.6, remark="Moor (GeoNames)"),
                Place("Beach", 51.1, 1.4),
            ]
        ),
        min_size=1,
        max_size=3,
        unique=True,
    ).map(tuple),
    first=st.dates(date(1990, 1, 1), date(2080, 1, 1)),
    days=st.integers(3, 90),
    appliances=st.lists(st.sampled_from(list(APPLIANCES)), min_size=1, unique=True).map(tuple),
)


@settings(max_examples=60)
@given(PLANS)
def test_any_plan_makes_a_scenario_that_is_what_was_asked_for(plan):
    text = starter_text(plan)
    found = parse_scenario(text)
    bank = found.bank
    assert (bank.chemistry, bank.unit_ah, bank.in_series * bank.in_parallel) == (plan.chemistry, plan.unit_ah, plan.units)
    assert found.vehicle.bus_v == plan.bus_v
    watts = sum(array.in_series * array.in_parallel * array.panel.p_w for array in found.arrays)
    assert watts == pytest.approx(plan.panel_w, abs=0.05 * 100)
    assert [stop.name for stop in found.stops] == [place.name for place in plan.places]
    assert found.stops[0].arrive == plan.first
    assert (found.stops[-1].depart - plan.first).days == plan.days - (plan.days > len(plan.places))
    assert (found.inverter is not None) == any(name in AC_W for name in plan.appliances)
    if found.inverter is not None:
        assert found.inverter.rated_w >= max(AC_W.get(name, 0) for name in plan.appliances)
    assert len(found.appliances) == len(plan.appliances) + 1
    assert all(len(line) <= 132 for line in text.splitlines())
    assert describe(found)


def test_the_command_of_the_help_text_checks_and_runs(tmp_path, capsys):
    file = tmp_path / "winter.toml"
    flags = shlex.split('--bank lfp --units 3 --panel-w 400 --at "48.1,7.9" --from 2026-12-01 --days 14')
    assert main(["new", str(file), *flags]) == 0
    assert main(["check", str(file)]) == 0
    assert main(["run", str(file)]) == 0
    printed = capsys.readouterr().out
    assert "3 x 100 Ah LFP" in printed
    assert "another climate, for a first look only" in file.read_text(encoding="utf-8")
    found = read_scenario(file)
    assert (found.stops[0].latitude_deg, found.stops[0].longitude_deg) == (48.1, 7.9)
    assert (found.stops[0].arrive, found.stops[0].depart) == (date(2026, 12, 1), date(2026, 12, 14))


def test_far_from_every_table_the_sky_is_clear_and_that_is_said(tmp_path, capsys):
    file = tmp_path / "south.toml"
    assert main(["new", str(file), "--yes", "--at", "-45.0,170.5"]) == 0
    capsys.readouterr()
    text = file.read_text(encoding="utf-8")
    assert "the best case only" in text
    assert "flatdays fetch" in text
    assert read_scenario(file).stops[0].weather.clear


def test_without_flags_or_terminal_it_is_the_plain_starter(tmp_path, capsys):
    file = tmp_path / "plain.toml"
    assert main(["new", str(file)]) == 0
    assert file.read_text(encoding="utf-8") == starter_text()
    assert capsys.readouterr().out.splitlines()[0] == f"Written: {file}"


def test_nothing_is_overwritten_and_all_mistakes_come_at_once(tmp_path, capsys):
    file = tmp_path / "trip.toml"
    file.write_text("mine", encoding="utf-8")
    assert main(["new", str(file), "--units", "3"]) == 2
    assert "was left as it is" in capsys.readouterr().err
    assert file.read_text(encoding="utf-8") == "mine"
    other = tmp_path / "other.toml"
    flags = ["--bank", "agmm", "--units", "0", "--panel-w", "much", "--at", "95,3", "--from", "soon", "--days", "-1"]
    assert (
        main(
            ["new", str(other), *flags, "--bus-v", "6", "--vehicle", "tank", "--appliances", "fridge, ketle", "--unit-ah", "nan"]
        )
        == 2
    )
    lines = capsys.readouterr().err.splitlines()
    assert [line.split(":")[0] for line in lines] == [question.flag for question in QUESTIONS]
    assert 'got "agmm"; did you mean "agm"' in lines[1]
    assert 'got "ketle"; did you mean "kettle"' in lines[-1]
    assert not other.exists()


@pytest.mark.parametrize(
    ("flags", "words"),
    [
        (["--bus-v", "24", "--units", "3"], "--units: expected a multiple of 2, since so many in series make 24 V, got 3"),
        (["--at", "50,8", "--at", "51,8", "--days", "1"], "--days: expected at least a day for each of 2 places, got 1"),
        (["--at", "50"], '--at: expected a latitude and a longitude such as "48.1,7.9", or a town'),
    ],
)
def test_answers_that_do_not_fit_together(flags, words, tmp_path, capsys):
    assert main(["new", str(tmp_path / "trip.toml"), *flags]) == 2
    assert words in capsys.readouterr().err
    assert not (tmp_path / "trip.toml").exists()


def ask(answers, monkeypatch, *arguments):
    out = Terminal()
    monkeypatch.setattr("sys.stdin", Terminal(answers))
    monkeypatch.setattr("sys.stdout", out)
    status = main(["new", *arguments])
    return status, out.getvalue()


def test_on_a_terminal_it_asks_and_an_empty_answer_takes_what_stands_in_brackets(tmp_path, monkeypatch):
    file = tmp_path / "asked.toml"
    status, said = ask("boat\nagm\n\n120\n3\n0\n51.47, 0.35; 51.6,0.9\n2026-09-20\n\nfridge, kettle\n", monkeypatch, str(file))
    assert status == 0
    assert said.count("?") >= 9
    assert "[camper]" in said
    found = read_scenario(file)
    assert (found.title, found.bank.chemistry, found.bank.unit_ah, found.bank.in_parallel) == ("Boat", "agm", 120.0, 3)
    assert found.arrays == ()
    assert [appliance.name for appliance in found.appliances[:2]] == ["fridge", "kettle"]
    assert [stop.name for stop in found.stops] == ["Stop 1", "Stop 2"]
    assert found.alternator is None


def test_a_slip_is_asked_again_and_a_flag_is_not_asked_for(tmp_path, monkeypatch):
    file = tmp_path / "slip.toml"
    status, said = ask("submarine\nbus\n" + "\n" * 8, monkeypatch, str(file), "--bank", "gel")
    assert status == 0
    assert "Expected camper, bus, trailer, truck or boat" in said
    assert "Battery:" not in said
    assert read_scenario(file).bank.chemistry == "gel"


def test_an_end_of_input_stops_and_writes_nothing(tmp_path, monkeypatch, capsys):
    file = tmp_path / "stopped.toml"
    status, _ = ask("camper\n", monkeypatch, str(file))
    assert status == 130
    assert not file.exists()


def test_yes_asks_nothing_on_a_terminal(tmp_path, monkeypatch):
    file = tmp_path / "yes.toml"
    status, said = ask("", monkeypatch, str(file), "--yes")
    assert status == 0
    assert "?" not in said
    assert file.read_text(encoding="utf-8") == starter_text()


def test_prices_and_weights_stand_there_as_comments_that_hold(tmp_path, capsys):
    """With the # taken away from them the three commands that count money have what they need."""
    text = starter_text()
    wanted = ("unit_price", "unit_kg", "unit_m", "price", "budget", "roof_m2", "bay_m", "max_price", "flat_days", "panels")
    lines: list[str] = []
    of_table = True
    for written in text.splitlines():
        line, bare = written, written.removeprefix("# ")
        key = bare.split("=")[0].strip()
        if line.startswith("["):
            of_table = True
        elif line.startswith("# [") and bare.split("#")[0].strip() in ("[size]", "[costs]", "[[variant]]"):
            of_table = True
            line = bare
        elif line.startswith("# ["):
            of_table = False
        elif line.startswith("# panel = {"):
            lines[-1] = bare
            continue
        inside = lines and any(word in "".join(lines) for word in ("[size]",))
        keys = (*wanted, "in_parallel", "currency", "fuel_price_per_l", "name", "set") if inside else wanted
        lines.append(bare if of_table and line.startswith("# ") and key in keys and "=" in bare else line)
    file = tmp_path / "priced.toml"
    file.write_text("\n".join(lines), encoding="utf-8")
    assert main(["check", str(file)]) == 0
    found = read_scenario(file)
    assert found.bank.unit_price and found.arrays[0].panel.price and found.size and found.costs.currency == "EUR"
    capsys.readouterr()
    assert main(["size", str(file), "--years", "2", "--in-parallel", "1-2", "--panels", "roof=1-2"]) == 0
    assert "The cheapest design" in capsys.readouterr().out


def test_units_that_do_not_make_the_voltage_are_asked_again_and_nothing_is_lost(tmp_path, monkeypatch):
    file = tmp_path / "bus.toml"
    status, said = ask("bus\nagm\n24\n110\n5\n6\n" + "\n" * 6, monkeypatch, str(file))
    assert status == 0
    assert "Expected a multiple of 2, since so many in series make 24 V, got 5." in said and "--units" not in said
    bank = read_scenario(file).bank
    assert (bank.chemistry, bank.in_series, bank.in_parallel) == ("agm", 2, 3)


def test_the_usual_answers_fit_what_was_given(tmp_path, monkeypatch):
    file = tmp_path / "high.toml"
    assert main(["new", str(file), "--yes", "--bus-v", "48"]) == 0
    assert read_scenario(file).bank.in_series == 4
    asked = tmp_path / "asked.toml"
    status, said = ask("\n" * 9, monkeypatch, str(asked), "--bus-v", "48")
    assert status == 0 and "How many of them? [4]" in said
    many = tmp_path / "many.toml"
    assert main(["new", str(many), "--yes", *(part for east in range(16) for part in ("--at", f"40.0,{east}.5"))]) == 0
    assert len(read_scenario(many).stops) == 16
