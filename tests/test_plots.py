"""Pictures: what is drawn is what the run says, the same bytes every time, and readable in grey."""

from __future__ import annotations

import io
import re
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import matplotlib as mpl
import numpy as np
import pytest
from PIL import Image

from simulator.battery import kernel as k
from simulator.cli import main
from simulator.engine import simulate
from simulator.errors import InputError
from simulator.report import plots
from simulator.report.plots import figure_bytes, hour_moments, life_plots, odds_plots, run_plots, write_plots
from simulator.scenario import read_scenario
from simulator.studies.life import live
from simulator.studies.odds import odds

SCENARIOS = Path(__file__).resolve().parents[1] / "scenarios"


@pytest.fixture(scope="module")
def bloom():
    return simulate(read_scenario(SCENARIOS / "bloom-route.toml"))


@pytest.fixture(scope="module")
def cold():
    return simulate(read_scenario(SCENARIOS / "winter-survey-greensboro.toml"))


def words(svg):
    """All text of an SVG."""
    return " ".join(element.text or "" for element in ElementTree.fromstring(svg).iter("{http://www.w3.org/2000/svg}text"))


def test_charge_is_the_charge_of_every_hour_on_local_days(bloom):
    axes = run_plots(bloom)["charge"].axes[0]
    line = next(line for line in axes.lines if line.get_label() == "charge of the bank")
    x, y = line.get_xdata(), line.get_ydata()
    assert y[1:] == pytest.approx(100.0 * bloom.hours[:, k.SOC_END])
    assert (x[0], x[-1]) == (0.0, pytest.approx(bloom.timeline.days))
    assert np.all(np.floor(hour_moments(bloom.timeline)) == bloom.timeline.local_day)
    flat = list(np.flatnonzero(bloom.flat[0]))
    drawn = [bar for bar in axes.collections if bar.get_label() == "flat day" or bar.get_hatch() == "xx"]
    assert sorted(float(bar.get_paths()[0].vertices[:, 0].min()) for bar in drawn) == flat


def test_stop_names_and_days_are_in_the_picture(bloom):
    said = words(figure_bytes(run_plots(bloom)["charge"], "svg"))
    for stop in bloom.scenario.stops:
        assert f"{stop.number} {stop.name}" in said or stop.name in said
    assert "20 February 2026 to 20 May 2026" in said
    assert "2 Mar" in said
    assert "driving" in said


def test_what_the_cold_and_a_hookup_did_is_marked(cold):
    labels = [label for label, _, _, _ in plots._strips(cold)]
    assert "too cold to charge" in labels
    assert "too cold to charge" in words(figure_bytes(run_plots(cold)["charge"], "svg"))
    boat = simulate(read_scenario(SCENARIOS / "channel-autumn.toml"))
    label, mask, _, _ = plots._strips(boat)[0]
    assert label == "on a hookup"
    spans = plots._spans(hour_moments(boat.timeline), mask)
    assert sum(width for _, width in spans) == pytest.approx(boat.timeline.hookup.sum() / 24.0)


def test_sun_is_offered_used_and_spilled_of_every_day(bloom):
    axes = run_plots(bloom)["sun"].axes[0]
    steps = {patch.get_label(): patch.get_data() for patch in axes.patches}
    base = bloom.days[0]
    assert steps["used"].values == pytest.approx(base[:, k.DAY_SUN_USED_WH])
    assert steps["spilled"].values == pytest.approx(base[:, k.DAY_SUN_OFFERED_WH])
    assert steps["spilled"].baseline == pytest.approx(base[:, k.DAY_SUN_USED_WH])
    assert steps["load"].values == pytest.approx(base[:, k.DAY_LOAD_WH])


def test_the_bars_of_the_energy_balance(bloom):
    """What came in equals what went, but for what was stored: the ledger as drawn closes."""
    figure = run_plots(bloom)["energy"]
    axes = figure.axes[0]
    names = [label.get_text() for label in axes.get_yticklabels()]
    bars = dict(zip(names, (bar.get_width() for bar in axes.patches), strict=True))
    kinds = {text: kind for _, text, kind in plots.LEDGER}
    came = sum(width for text, width in bars.items() if kinds.get(text) == "in")
    went = sum(width for text, width in bars.items() if kinds.get(text) in ("used", "spilled", "lost"))
    stored = bloom.ledger["stored_more_wh"] / 1000.0
    assert came == pytest.approx(went + stored, abs=0.01)


@pytest.mark.parametrize(("name", "kind"), [("charge", "svg"), ("energy", "svg"), ("sun", "png")])
def test_the_same_answer_gives_the_same_bytes(bloom, name, kind):
    first, again = (run_plots(bloom)[name] for _ in range(2))
    made = figure_bytes(first, kind)
    assert made == figure_bytes(again, kind)
    assert not re.search(rb"20[0-9]{2}-[0-9]{2}-[0-9]{2}T", made)
    assert str(SCENARIOS.parent).encode() not in made


def test_what_differs_in_colour_differs_in_grey_too(bloom):
    """Hatching and line styles tell apart what a grey printer makes alike."""
    figures = run_plots(bloom)
    charge = figures["charge"].axes[0]
    styles = [line.get_linestyle() for line in charge.lines if not line.get_label().startswith("_")]
    assert len(set(map(str, styles))) == len(styles) == 3
    looks = {kind: (hatch, colour) for kind, (_, colour, hatch) in plots.KINDS.items()}
    grey = {kind: np.array(Image.new("RGB", (1, 1), colour).convert("L"))[0, 0] for kind, (_, colour) in looks.items()}
    for one in looks:
        for other in looks:
            if one < other:
                assert looks[one][0] != looks[other][0] or abs(int(grey[one]) - int(grey[other])) > 40, (one, other)


def test_a_picture_is_neither_blank_nor_cut(bloom):
    for name, figure in run_plots(bloom).items():
        picture = np.asarray(Image.open(io.BytesIO(figure_bytes(figure, "png"))).convert("L"))
        assert picture.shape[1] == 1200
        assert (picture < 128).mean() > 0.005, name
        # Nothing touches the rim.
        assert min(picture[0].min(), picture[-1].min(), picture[:, 0].min(), picture[:, -1].min()) > 250, name


def test_odd_names_and_long_names_do_no_harm(bloom):
    odd = replace(bloom.scenario.stops[0], name="$x^2$ <script> & 東京 " + "very long " * 12)
    scenario = replace(bloom.scenario, title="$\\frac{a}{0}$ <b>", stops=(odd, *bloom.scenario.stops[1:]))
    for name, figure in run_plots(replace(bloom, scenario=scenario)).items():
        svg = figure_bytes(figure, "svg").decode()
        ElementTree.fromstring(svg)
        assert "<script>" not in svg, name
        assert "$\\frac{a}{0}$ <b>" in words(svg), name


def test_settings_of_the_person_are_left_alone(bloom):
    before = dict(mpl.rcParams)
    figure_bytes(run_plots(bloom)["sun"], "png")
    assert dict(mpl.rcParams) == before


def test_one_day_and_many_stops(bloom):
    short = simulate(read_scenario(SCENARIOS / "worksheet.toml"))
    for figure in run_plots(short).values():
        assert figure_bytes(figure, "png")


def test_pictures_of_odds_and_of_a_life():
    scenario = read_scenario(SCENARIOS / "bloom-route.toml")
    found = odds(scenario, years=6)
    figures = odds_plots(found)
    bars = figures["odds-years"].axes[0].patches
    assert [bar.get_height() for bar in bars] == list(np.bincount(found.flat_days))
    weeks = figures["odds-weeks"].axes[0].patches[0].get_data()
    assert weeks.values[0] == 100.0 * found.flat[0][:, :7].any(axis=1).mean()
    assert weeks.edges[-1] == found.timeline.days
    served = live(scenario)
    line = life_plots(served)["life"].axes[0].lines[0]
    assert line.get_ydata()[:-1] == pytest.approx([100.0 * year.soh for year in served.years])
    for figure in (*figures.values(), *life_plots(served).values()):
        ElementTree.fromstring(figure_bytes(figure, "svg"))


def test_the_option_writes_png_and_svg_or_nothing(tmp_path, capsys):
    folder = tmp_path / "deep" / "plots"
    assert main(["run", str(SCENARIOS / "worksheet.toml"), "--plots", str(folder)]) == 0
    names = sorted(path.name for path in folder.iterdir())
    assert names == ["charge.png", "charge.svg", "energy.png", "energy.svg", "sun.png", "sun.svg"]
    assert "Drawn in" in capsys.readouterr().out
    file = tmp_path / "file"
    file.write_text("mine")
    assert main(["run", str(SCENARIOS / "worksheet.toml"), "--plots", str(file)]) == 2
    assert "is a file" in capsys.readouterr().err
    with pytest.raises(InputError):
        write_plots(file, {})
