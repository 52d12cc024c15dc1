"""Pictures as PNG and SVG, for a report or a wall: charge, sun and energy of a run, the weeks of the odds, the years of a life.

They are read in grey as well as in colour: what differs in colour differs in its line or its hatching too. The same answer
gives the same bytes.
"""

from __future__ import annotations

import io
import warnings
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import date
from itertools import pairwise
from pathlib import Path
from textwrap import fill, shorten
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import numpy.typing as npt

from simulator.battery import kernel as k
from simulator.outcome import Outcome
from simulator.record import write_files
from simulator.report.axis import calendar_marks
from simulator.report.measures import METRIC, Measures
from simulator.timeline import Timeline
from simulator.units import HOURS_PER_DAY, WH_PER_KWH

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.axis import Axis
    from matplotlib.figure import Figure

    from simulator.studies.life import Life
    from simulator.studies.odds import Odds

FloatArray = npt.NDArray[np.float64]

INK, SOFT, RULE, PAPER = "#22302f", "#566461", "#d9d5c9", "#ffffff"
CHARGE, SUN, SPILLED, FLAT, COLD, HOOKUP, DRIVING, GENERATOR = (
    "#1f6468",
    "#c98a1e",
    "#f4e6c4",
    "#96301f",
    "#34569c",
    "#8fae70",
    "#b7a3cc",
    "#6d7674",
)
WIDTH_IN, HEIGHT_IN = 10.0, 5.0
PNG_DPI = 120
MOST_TICKS = 14
NARROW_STOP = 0.055
"""A stop's share of the width below which only its number is written above the picture."""
STYLE: Any = {
    "svg.hashsalt": "flatdays",
    "svg.fonttype": "none",
    "text.parse_math": False,
    "font.family": "DejaVu Sans",
    "font.size": 10.0,
    "axes.edgecolor": SOFT,
    "axes.labelcolor": INK,
    "text.color": INK,
    "xtick.color": INK,
    "ytick.color": INK,
    "hatch.linewidth": 0.7,
    "axes.unicode_minus": False,
}
LEDGER: Final = (
    ("solar_offered_wh", "sun on offer", "in"),
    ("shore_wh", "hookup", "in"),
    ("driving_wh", "engine while driving", "in"),
    ("generator_wh", "generator", "in"),
    ("load_served_wh", "appliances", "used"),
    ("standby_wh", "the bank's electronics", "used"),
    ("heater_wh", "the bank's heater", "used"),
    ("spilled_controller_wh", "held back by the controller", "spilled"),
    ("spilled_full_wh", "spilled: the bank was full", "spilled"),
    ("spilled_acceptance_wh", "spilled: nearly full, slow to take it", "spilled"),
    ("spilled_charge_limit_wh", "spilled: above the charge limit", "spilled"),
    ("spilled_cold_wh", "refused in the cold", "spilled"),
    ("spilled_hot_wh", "refused in the heat", "spilled"),
    ("loss_resistance_wh", "lost in the bank's resistance", "lost"),
    ("loss_charging_wh", "lost in charging", "lost"),
    ("loss_self_discharge_wh", "lost by itself", "lost"),
    ("missed_dark_wh", "not served: the bank was empty", "missed"),
    ("missed_switched_off_wh", "not served: switched off before", "missed"),
    ("missed_overload_wh", "not served: too much at once", "missed"),
)
"""Terms of the ledger, in words, and which kind of bar they are."""
KINDS: Final[dict[str, tuple[str, str, str]]] = {
    "in": ("came in", SUN, ""),
    "used": ("used", CHARGE, ""),
    "spilled": ("spilled", SPILLED, "///"),
    "lost": ("lost", "#c9cfcd", "..."),
    "missed": ("not served", FLAT, "xxx"),
    "stored": ("stored more, or less, at the end", "#ffffff", "---"),
}


@contextmanager
def _style() -> Iterator[None]:
    """Our settings, for as long as something is drawn or written; matplotlib's own stay as they were."""
    import matplotlib as mpl

    with mpl.rc_context(STYLE), warnings.catch_warnings():
        # A stop may have letters that the font does not: they become boxes, which is no reason to stop.
        warnings.filterwarnings("ignore", message="Glyph .* missing from", category=UserWarning)
        yield


def _figure(height_in: float = HEIGHT_IN) -> Figure:
    from matplotlib.figure import Figure

    return Figure(figsize=(WIDTH_IN, height_in), facecolor=PAPER, layout="constrained")


def _moved(right_pt: int, up_pt: int) -> dict[str, Any]:
    """A note a little beside the point it belongs to."""
    return {"xytext": (right_pt, up_pt), "textcoords": "offset points"}


def _plain(axes: Axes) -> None:
    axes.spines[["top", "right"]].set_visible(False)
    axes.set_axisbelow(True)
    axes.grid(axis="y", color=RULE, linewidth=0.8)


def _whole_numbers(axis: Axis) -> None:
    from matplotlib.ticker import MaxNLocator

    axis.set_major_locator(MaxNLocator("auto", integer=True))


# ---- a run ----


def run_plots(outcome: Outcome, measures: Measures = METRIC) -> dict[str, Figure]:
    """Charge across the season, sun of every day, and where the energy went.

    Parameters
    ----------
    outcome : what a run found.
    measures : kept for pictures with a temperature or a weight in them; these three have none.

    Returns
    -------
    dict of str to matplotlib.figure.Figure
        By name; :func:`write_plots` writes each as PNG and SVG.
    """
    with _style():
        return {"charge": _charge(outcome), "sun": _sun(outcome), "energy": _energy(outcome)}


def _days_axis(axes: Axes, clock: Timeline) -> None:
    """Local days along the axis, a label each where there is room."""
    marks = calendar_marks(clock.dates)
    step = -(-len(marks) // MOST_TICKS)
    axes.set_xticks([day for day, _ in marks[::step]], [text for _, text in marks[::step]])
    axes.set_xlim(0.0, float(clock.days))
    first, last = clock.dates[0], clock.dates[-1]
    axes.set_xlabel(f"local days, {_span(first, last)}")


def _span(first: date, last: date) -> str:
    return f"{first.day} {first:%B %Y} to {last.day} {last:%B %Y}"


def _stays(clock: Timeline) -> list[tuple[int, float, float]]:
    """Stop, first and last moment of each stay [days of the trip]."""
    moment = hour_moments(clock)
    edges = np.flatnonzero(np.diff(clock.stop, prepend=-1, append=-1))
    return [
        (int(clock.stop[first]), float(moment[first]), float(moment[last - 1]) + 1.0 / HOURS_PER_DAY)
        for first, last in pairwise(edges)
    ]


def hour_moments(clock: Timeline) -> FloatArray:
    """(hours,): start of each hour on the axis of local days; an hour that the clock shows twice stands at its first place."""
    return np.asarray(clock.local_day + clock.local_hour / HOURS_PER_DAY, dtype=np.float64)


def _name_stops(axes: Axes, outcome: Outcome) -> None:
    """Names of the stops above the picture, a line where one ends; numbers where a name has no room."""
    clock, stops = outcome.timeline, outcome.scenario.stops
    only_numbers = []
    for place, first, last in _stays(clock):
        share = (last - first) / clock.days
        number, name = stops[place].number, stops[place].name
        if first > 0.0:
            axes.axvline(first, color=SOFT, linewidth=0.9, linestyle=(0, (1, 2)))
        letters = max(3, int(share * 105))
        label = f"{number}" if share < NARROW_STOP else shorten(f"{number} {name}", letters, placeholder="...")
        if label in (f"{number}", "...") or label.endswith("..."):
            only_numbers.append(f"{number} {name}")
            label = label if label != "..." else f"{number}"
        axes.annotate(
            label,
            ((first + last) / 2.0, 1.0),
            xycoords=("data", "axes fraction"),
            **_moved(0, 4),
            ha="center",
            va="bottom",
            fontsize=9,
        )
    if only_numbers:
        axes.set_xlabel(axes.get_xlabel() + "\n" + fill("stops: " + "; ".join(only_numbers), 130))


def _charge(outcome: Outcome) -> Figure:
    clock, bank = outcome.timeline, outcome.scenario.bank
    strips = _strips(outcome)
    figure = _figure(HEIGHT_IN + 0.28 * len(strips))
    axes = figure.subplots()
    _plain(axes)
    moment = hour_moments(clock)
    soc_pct = 100.0 * outcome.hours[:, k.SOC_END]
    for number, day in enumerate(np.flatnonzero(outcome.flat[0])):
        axes.broken_barh(
            [(float(day), 1.0)],
            (0.0, 102.0),
            facecolor="#f3d5cd",
            edgecolor=FLAT,
            hatch="xx",
            linewidth=0.0,
            label="flat day" if number == 0 else None,
            zorder=0,
        )
    axes.plot(
        np.append(0.0, moment + 1.0 / HOURS_PER_DAY),
        np.append(100.0 * outcome.start_soc, soc_pct),
        color=CHARGE,
        linewidth=1.2 if clock.days <= 120 else 0.7,
        label="charge of the bank",
    )
    planning, cutoff = 100.0 * (1.0 - bank.usable_frac), 100.0 * bank.cutoff_soc
    axes.axhline(planning, color=INK, linewidth=1.2, linestyle="--", label=f"planning line, {planning:.0f}%")
    axes.axhline(cutoff, color=FLAT, linewidth=1.4, linestyle=":", label=f"supply ends, {cutoff:.0f}%")
    for row, (label, mask, colour, hatch) in enumerate(strips):
        middle = -6.0 - 7.0 * row
        spans = _spans(moment, mask)
        axes.broken_barh(spans, (middle - 2.6, 5.2), facecolor=colour, edgecolor=INK, hatch=hatch, linewidth=0.3)
        axes.annotate(
            label,
            (1.0, middle),
            xycoords=("axes fraction", "data"),
            **_moved(4, 0),
            va="center",
            fontsize=9,
        )
    axes.set_ylim(-3.0 - 7.0 * len(strips) if strips else 0.0, 102.0)
    axes.set_yticks(range(0, 101, 20), [f"{level}%" for level in range(0, 101, 20)])
    axes.set_ylabel("state of charge")
    _days_axis(axes, clock)
    _name_stops(axes, outcome)
    figure.suptitle(f"{outcome.scenario.title}: charge of the bank", fontsize=12)
    figure.legend(loc="outside lower center", ncols=4, frameon=False, fontsize=9)
    return figure


def _strips(outcome: Outcome) -> list[tuple[str, npt.NDArray[np.bool_], str, str]]:
    """What else went on, hour by hour: label, hours, colour and hatching; only what did occur."""
    clock, hours = outcome.timeline, outcome.hours
    told = [
        ("too cold to charge", hours[:, k.LOCKED_H] > 0.0, COLD, ""),
        ("on a hookup", clock.hookup, HOOKUP, "///"),
        ("driving", clock.driving_frac > 0.0, DRIVING, "..."),
        ("generator", hours[:, k.GENERATOR_H] > 0.0, GENERATOR, "xxx"),
    ]
    return [(label, np.asarray(mask, dtype=np.bool_), colour, hatch) for label, mask, colour, hatch in told if mask.any()]


def _spans(moment: FloatArray, mask: npt.NDArray[np.bool_]) -> list[tuple[float, float]]:
    """(start, width) of the runs of True [days]."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8)))
    return [
        (float(moment[first]), max(float(moment[last - 1] - moment[first]), 0.0) + 1.0 / HOURS_PER_DAY)
        for first, last in zip(edges[::2], edges[1::2], strict=True)
    ]


def _sun(outcome: Outcome) -> Figure:
    clock = outcome.timeline
    base = outcome.days[0]
    figure = _figure()
    axes = figure.subplots()
    _plain(axes)
    edges = np.arange(clock.days + 1, dtype=np.float64)
    unit, name = _energy_unit(max(base[:, k.DAY_SUN_OFFERED_WH].max(initial=0.0), base[:, k.DAY_LOAD_WH].max(initial=0.0)))
    used, offered, load = (base[:, column] / unit for column in (k.DAY_SUN_USED_WH, k.DAY_SUN_OFFERED_WH, k.DAY_LOAD_WH))
    axes.stairs(
        offered, edges, baseline=used, fill=True, facecolor=SPILLED, edgecolor=SUN, hatch="///", linewidth=0.4, label="spilled"
    )
    axes.stairs(used, edges, fill=True, facecolor=SUN, edgecolor=SUN, linewidth=0.0, label="used")
    axes.stairs(offered, edges, color=INK, linewidth=0.9, label="on offer")
    axes.stairs(load, edges, baseline=None, color=CHARGE, linewidth=1.5, linestyle="--", label="load")
    axes.set_ylim(0.0, 1.08 * max(float(offered.max(initial=0.0)), float(load.max(initial=0.0)), 1e-9))
    axes.set_ylabel(f"{name} a day")
    _days_axis(axes, clock)
    _name_stops(axes, outcome)
    figure.suptitle(f"{outcome.scenario.title}: sun of every day", fontsize=12)
    figure.legend(loc="outside lower center", ncols=4, frameon=False, fontsize=9)
    return figure


def _energy_unit(most_wh: float) -> tuple[float, str]:
    return (WH_PER_KWH, "kWh") if most_wh >= 10.0 * WH_PER_KWH else (1.0, "Wh")


def _energy(outcome: Outcome) -> Figure:
    ledger = outcome.ledger
    rows = [(words, ledger[name], kind) for name, words, kind in LEDGER if ledger.get(name, 0.0) >= 0.5]
    more = ledger["stored_more_wh"]
    if abs(more) >= 0.5:
        rows.append(("in the bank at the end, more" if more > 0.0 else "in the bank at the end, less", abs(more), "stored"))
    figure = _figure(max(2.6, 1.2 + 0.34 * len(rows)))
    axes = figure.subplots()
    axes.spines[["top", "right", "left"]].set_visible(False)
    axes.set_axisbelow(True)
    axes.grid(axis="x", color=RULE, linewidth=0.8)
    unit, name = _energy_unit(max((wh for _, wh, _ in rows), default=0.0))
    told: set[str] = set()
    for row, (_, wh, kind) in enumerate(rows):
        words, colour, hatch = KINDS[kind]
        axes.barh(
            row, wh / unit, 0.68, color=colour, edgecolor=INK, linewidth=0.6, hatch=hatch, label=None if kind in told else words
        )
        told.add(kind)
        axes.annotate(
            f"{wh / unit:,.1f}" if unit > 1.0 else f"{wh:,.0f}",
            (wh / unit, row),
            **_moved(4, 0),
            va="center",
        )
    axes.set_yticks(range(len(rows)), [words for words, _, _ in rows])
    axes.tick_params(axis="y", length=0)
    axes.invert_yaxis()
    axes.margins(x=0.09)
    axes.set_xlabel(f"{name} over the whole trip")
    figure.suptitle(f"{outcome.scenario.title}: where the energy came from and went", fontsize=12)
    figure.legend(loc="outside lower center", ncols=6, frameon=False, fontsize=9)
    return figure


# ---- odds and life ----


def odds_plots(found: Odds) -> dict[str, Figure]:
    """Share of years with a flat day in each week of the trip, and how many flat days a year has.

    Parameters
    ----------
    found : odds of a trip.

    Returns
    -------
    dict of str to matplotlib.figure.Figure
    """
    with _style():
        return {"odds-weeks": _weeks(found), "odds-years": _years(found)}


def _weeks(found: Odds) -> Figure:
    clock, base = found.timeline, found.flat[0]
    starts = np.arange(0, clock.days, 7)
    share_pct = np.array([100.0 * base[:, start : start + 7].any(axis=1).mean() for start in starts])
    figure = _figure(4.0)
    axes = figure.subplots()
    _plain(axes)
    axes.stairs(
        share_pct,
        np.append(starts, clock.days).astype(np.float64),
        fill=True,
        facecolor="#f3d5cd",
        edgecolor=FLAT,
        hatch="///",
        linewidth=1.0,
    )
    axes.set_ylim(0.0, max(5.0, min(100.0, 1.15 * float(share_pct.max()))))
    axes.yaxis.set_major_formatter("{x:.0f}%")
    axes.set_ylabel(f"of {found.years} {found.weather.kind} years")
    _days_axis(axes, clock)
    figure.suptitle(f"{found.scenario.title}: years with a flat day, week by week", fontsize=12)
    return figure


def _years(found: Odds) -> Figure:
    counts = np.bincount(found.flat_days)
    figure = _figure(4.0)
    axes = figure.subplots()
    _plain(axes)
    axes.bar(
        np.arange(len(counts)),
        counts,
        0.8,
        color=["#cfe3e0", *["#f3d5cd"] * (len(counts) - 1)],
        edgecolor=INK,
        linewidth=0.7,
        hatch=["", *["///"] * (len(counts) - 1)],
    )
    axes.set_title(f"{counts[0]} of {found.years} years without one", fontsize=10, loc="right")
    axes.margins(y=0.08)
    _whole_numbers(axes.xaxis)
    _whole_numbers(axes.yaxis)
    axes.set_xlim(-0.6, max(len(counts) - 0.4, 4.6))
    axes.set_xlabel("flat days on the trip")
    axes.set_ylabel(f"{found.weather.kind} years")
    figure.suptitle(f"{found.scenario.title}: flat days in a weather year", fontsize=12)
    return figure


def life_plots(found: Life) -> dict[str, Figure]:
    """Charge that the bank still holds, and flat days of the route, year after year.

    Parameters
    ----------
    found : life of a bank.

    Returns
    -------
    dict of str to matplotlib.figure.Figure
    """
    with _style():
        return {"life": _life(found)}


def _life(found: Life) -> Figure:
    figure = _figure(5.5)
    upper, lower = figure.subplots(2, 1, sharex=True, height_ratios=[2, 1])
    years = np.array([year.year for year in found.years], dtype=np.float64)
    ends = np.append(years - 1.0, years[-1] - 1.0 + found.years[-1].part)
    _plain(upper)
    held_pct = 100.0 * np.array([*(year.soh for year in found.years), found.soh_at_end])
    upper.plot(ends, held_pct, color=CHARGE, linewidth=1.6, marker="o", markersize=3.5, label="charge still held")
    low, high = found.band_years
    upper.axvspan(
        low, high, facecolor="none", edgecolor=SOFT, hatch="...", linewidth=0.0, label="end of life by the published models"
    )
    upper.set_ylim(min(60.0, float(held_pct.min()) - 5.0), 101.0)
    upper.yaxis.set_major_formatter("{x:.0f}%")
    upper.set_ylabel("of its rated charge")
    upper.legend(frameon=False, fontsize=9, loc="lower left")
    _plain(lower)
    flat = [year.flat_days for year in found.years]
    lower.bar(years - 0.5, flat, 0.8, facecolor="#f3d5cd", edgecolor=FLAT, hatch="///", linewidth=0.7)
    lower.set_ylim(0.0, max(1.0, 1.15 * max(flat)))
    _whole_numbers(lower.yaxis)
    if not any(flat):
        lower.annotate("none in any year", (0.5, 0.5), xycoords="axes fraction", ha="center", va="center")
    lower.set_ylabel("flat days of the route")
    lower.set_xlabel("years of service")
    figure.suptitle(f"{found.scenario.title}: life of the bank", fontsize=12)
    return figure


# ---- writing ----


def figure_bytes(figure: Figure, kind: str) -> bytes:
    """A figure as a file; the same figure gives the same bytes.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
    kind : ``png`` or ``svg``.

    Returns
    -------
    bytes
        Without date, name of a program or path.
    """
    hidden: Mapping[str, Any] = {"Date": None, "Creator": None} if kind == "svg" else {"Software": None}
    stream = io.BytesIO()
    with _style():
        figure.savefig(stream, format=kind, dpi=PNG_DPI, metadata=dict(hidden))
    return stream.getvalue()


def write_plots(folder: Path, figures: Mapping[str, Figure], kinds: Sequence[str] = ("png", "svg")) -> list[str]:
    """Write figures by their names, each as PNG and SVG; all of them or none.

    Parameters
    ----------
    folder : made if it is not there.
    figures : by name, as :func:`run_plots`, :func:`odds_plots` and :func:`life_plots` give them.
    kinds : endings.

    Returns
    -------
    list of str
        Names of the files.

    Raises
    ------
    InputError
        The folder cannot be written.
    """
    draw: Callable[[Figure, str], bytes] = figure_bytes
    files = {f"{name}.{kind}": draw(figure, kind) for name, figure in figures.items() for kind in kinds}
    write_files(folder, files)
    return list(files)
