"""Years of the archive on disk: one file per cell and calendar year, whole and with its checksum, or not there.

An ``.npz`` archive (numbers and JSON, nothing that could be executed), in the cache folder of
:mod:`simulator.weather.cache`. Unlike the entries kept there, these cost somebody a download, so that what is wrong with
one is told apart: not there, or there and damaged.
"""

from __future__ import annotations

import contextlib
import json
import os
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np

from simulator.weather import cache
from simulator.weather.past import FIRST_YEAR, ArchiveYear, Cell, hours_of, year_from
from simulator.weather.station import COLUMNS, SECONDS_PER_HOUR, Floats
