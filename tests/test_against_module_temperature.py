"""Cell temperature by mount.

D. L. King, W. E. Boyson, J. A. Kratochvil (2004), Photovoltaic Array Performance Model, SAND2004-3535, table 1.
"""

import numpy as np
import pvlib
import pytest

from simulator.solar import hourly_cell_c, read_mounts
from tests.outside_checks import apart, reached

# Table 1 of the report, mount by mount: a, b, deltaT.
TABLE_1 = {"bonded": (-2.81, -0.0455, 0.0), "gap": (-2.98, -0.0471, 1.0), "open": (-3.56, -0.0750, 3.0)}


@pytest.mark.parametrize("mount", TABLE_1)
def test_constants_are_those_of_the_report(mount):
    values = read_mounts()[mount]
    assert (values.a, values.b, values.deltat_c) == TABLE_1[mount]


# 1000 W/m2, 20 C, 1 m/s; worked from the report's constants: T = G exp(a + b v) + T_air + G / 1000 deltaT.
@pytest.mark.parametrize(("mount", "cell_c"), [("bonded", 77.5), ("gap", 69.5), ("open", 49.4)])
def test_full_sun_on_a_mild_day(mount, cell_c):
    found = hourly_cell_c(mount, np.array([1000.0]), np.array([20.0]), np.array([1.0]))
    assert found[0] == pytest.approx(cell_c, abs=0.05)
    reached("Cells in full sun by mount", "King et al. (2004), table 1", "0.05 C", apart(found[0], cell_c))


def test_free_standing_modules_against_their_rated_temperature():
    """Rated (NOCT) at 800 W/m2, 20 C, 1 m/s: median of the CEC list that pvlib ships; the report claims +-5 K."""
    modules = pvlib.pvsystem.retrieve_sam("CECMod").T
    crystalline = modules[modules["Technology"].isin(["Mono-c-Si", "Multi-c-Si"])]
    rated_c = float(crystalline["T_NOCT"].astype(float).median())
    found = hourly_cell_c("open", np.array([800.0]), np.array([20.0]), np.array([1.0]))
    assert found[0] == pytest.approx(rated_c, abs=5.0)
    reached("Cells of a free module at rated conditions", "CEC list of modules, median NOCT", "5 C", apart(found[0], rated_c))


def test_the_less_air_the_hotter_and_wind_cools():
    light, air, wind = np.linspace(50.0, 1200.0, 24), np.full(24, 25.0), np.full(24, 2.0)
    bonded, gap, free = (hourly_cell_c(mount, light, air, wind) for mount in ("bonded", "gap", "open"))
    assert (bonded > gap).all()
    assert (gap > free).all()
    assert (hourly_cell_c("gap", light, air, wind + 5.0) < gap).all()


def test_cells_are_as_cold_as_the_air_at_night():
    for mount in read_mounts():
        assert hourly_cell_c(mount, np.zeros(1), np.array([-12.5]), np.array([3.0]))[0] == -12.5
