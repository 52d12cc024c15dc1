"""Weather and an array in, watts at the bus terminals of its controller out.

``sky``: where the sun stands, and the light that falls on a tilted plane. ``panel``: the single-diode curve behind a
data sheet. ``array``: light to cells to controller. ``snow``: what lies on it. ``surroundings``: how it stands, and what
stands around it. Spectrum and the wind of driving are left out on purpose.
"""

from simulator.solar.array import (
    array_azimuth_deg,
    cold_open_circuit_v,
    hourly_cell_c,
    hourly_sun_w,
    panel_notes,
    read_mounts,
)
from simulator.solar.panel import DiodeFit, best_point, fit_panel, panel_current_a
from simulator.solar.sky import PlaneLight, Sky, SkyLine, SunPosition, hourly_plane_light, hourly_sky, hourly_sun_position
from simulator.solar.snow import hourly_snow_cover
from simulator.solar.surroundings import (
    Stand,
    Trees,
    horizon_elevation_deg,
    hourly_stand,
    hourly_stand_w,
    hourly_trees,
    is_shaded,
    sky_view_frac,
)

__all__ = [
    "DiodeFit",
    "PlaneLight",
    "Sky",
    "SkyLine",
    "Stand",
    "SunPosition",
    "Trees",
    "array_azimuth_deg",
    "best_point",
    "cold_open_circuit_v",
    "fit_panel",
    "horizon_elevation_deg",
    "hourly_cell_c",
    "hourly_plane_light",
    "hourly_sky",
    "hourly_snow_cover",
    "hourly_stand",
    "hourly_stand_w",
    "hourly_sun_position",
    "hourly_sun_w",
    "hourly_trees",
    "is_shaded",
    "panel_current_a",
    "panel_notes",
    "read_mounts",
    "sky_view_frac",
]
