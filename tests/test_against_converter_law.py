"""The inverter against the published three-parameter law, through the hours of a whole audit.

Authority: D. U. Sauer, H. Schmidt (1994), 9. Internationales Sonnenforum, 550-557; the same law as M. Jantsch, H. Schmidt,
J. Schmid (1992), 11th EU PVSEC, 1589-1593. With p = output / rating: efficiency = p / (p + p_self + v p + r p^2); its peak lies
at p = sqrt(p_self / r) and is 1 / (1 + v + 2 sqrt(p_self r)). The first parameter set is from a public copy of the law, the two
others are from memory (a good and an ordinary older unit).
"""

from datetime import UTC, date, datetime, timedelta
from math import sqrt

import numpy as np
import pytest

from simulator.loads import hourly_load_w, inverter_draw_w
from simulator.scenario.parts import Appliance, Inverter, Scenario, Stop, Vehicle
from simulator.timeline import build_timeline
from tests.outside_checks import apart, reached

RATED_W = 1500.0
LOADS_FRAC = (0.02, 0.05, 0.10, 0.20, 0.30, 0.50, 1.00)
PUBLISHED = {
    (0.002671, 0.009737, 0.031432): (0.8742, 0.9392, 0.9619, 0.9715, 0.9727, 0.9701, 0.9580),
    (0.01, 0.02, 0.05): (0.6575, 0.8180, 0.8889, 0.9259, 0.9360, 0.9390, 0.9259),
    (0.02, 0.025, 0.08): (0.4934, 0.6998, 0.8110, 0.8764, 0.8963, 0.9050, 0.8889),
}
PEAKS = {
    (0.002671, 0.009737, 0.031432): (0.292, 0.9727),
    (0.01, 0.02, 0.05): (0.447, 0.9392),
    (0.02, 0.025, 0.08): (0.500, 0.9050),
}


def efficiency(parameters, load_frac, split=1, always_on=False):
    """AC energy over energy at the bus of a day at a constant share of the rating, split over priorities."""
    begin = datetime(2024, 1, 1, tzinfo=UTC)
    stop = Stop(
        1, "here", None, 0.0, 0.0, None, "UTC", date(2024, 1, 1), date(2024, 1, 1), begin, begin + timedelta(days=1), None
    )
    inverter = Inverter(RATED_W, 2 * RATED_W, *parameters, always_on=always_on)
    watts = load_frac * RATED_W / split
    audit = tuple(Appliance(n, "x", None, "other", "ac", watts, 0.0, watts, n - 1, duty_frac=1.0) for n in range(1, split + 1))
    scenario = Scenario("t", 1, None, Vehicle(), None, (), inverter, audit, (stop,))
    timeline = build_timeline(scenario)
    load = hourly_load_w(scenario, timeline, np.zeros(timeline.hours))
    assert load.ac_w == pytest.approx(load_frac * RATED_W)
    return load.ac_w.sum() / load.dc_w[-1].sum()


@pytest.mark.parametrize("split", [1, 3])
@pytest.mark.parametrize("parameters", PUBLISHED)
def test_efficiency_at_seven_loads(parameters, split):
    for load_frac, published in zip(LOADS_FRAC, PUBLISHED[parameters], strict=True):
        assert efficiency(parameters, load_frac, split) == pytest.approx(published, abs=6e-5)
        reached(
            "Inverter efficiency at seven loads",
            "Sauer & Schmidt (1994)",
            "6e-5, the printed digits",
            apart(efficiency(parameters, load_frac, split), published),
        )


@pytest.mark.parametrize("parameters", PEAKS)
def test_peak_lies_where_the_law_says(parameters):
    p_self, v, r = parameters
    at_frac, peak = PEAKS[parameters]
    assert sqrt(p_self / r) == pytest.approx(at_frac, abs=6e-4)
    assert efficiency(parameters, sqrt(p_self / r)) == pytest.approx(1 / (1 + v + 2 * sqrt(p_self * r)), rel=1e-12)
    assert efficiency(parameters, sqrt(p_self / r)) == pytest.approx(peak, abs=6e-5)
    scan = [efficiency(parameters, load_frac) for load_frac in (0.9 * at_frac, at_frac, 1.1 * at_frac)]
    assert max(scan) == scan[1]


@pytest.mark.parametrize("parameters", PUBLISHED)
def test_three_points_of_the_curve_give_its_parameters_back(parameters):
    """Three-point fit at 10, 50 and 100 % load (from memory; confirmed by algebra)."""
    at_10, at_50, at_100 = (efficiency(parameters, load_frac) for load_frac in (0.1, 0.5, 1.0))
    p_self = (1 / 9) / at_100 - (1 / 4) / at_50 + (5 / 36) / at_10
    v = -(4 / 3) / at_100 + (33 / 12) / at_50 - (5 / 12) / at_10 - 1
    r = (20 / 9) / at_100 - (5 / 2) / at_50 + (5 / 18) / at_10
    assert (p_self, v, r) == pytest.approx(parameters, rel=1e-9)


def test_the_constant_term_is_the_idle_draw_and_is_counted_once():
    inverter = Inverter(RATED_W, 2 * RATED_W, 0.01, 0.02, 0.05, always_on=True)
    ac_w = np.array([0.0, 150.0])
    idle_w, loss_w = inverter_draw_w(inverter, ac_w, np.zeros(2, dtype=bool))
    assert idle_w.tolist() == [15.0, 15.0]
    assert loss_w == pytest.approx([0.0, RATED_W * (0.02 * 0.1 + 0.05 * 0.01)])
    asleep_w, _ = inverter_draw_w(
        Inverter(RATED_W, 2 * RATED_W, 0.01, 0.02, 0.05, always_on=False), ac_w, np.zeros(2, dtype=bool)
    )
    assert asleep_w.tolist() == [0.0, 15.0]
