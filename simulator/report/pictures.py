"""The pictures of the page: charge over the trip, sun by the day, and one day opened hour by hour.

Nothing is told by colour alone: what is filled, outlined, dashed or in a row of its own has its name written at it.
"""

from __future__ import annotations

from math import ceil

import numpy as np

from simulator.battery import kernel as k
from simulator.outcome import Outcome
from simulator.report import axis, drawing
from simulator.report.drawing import WIDTH, Floats, Mark, Plot, Shape, Track
from simulator.report.words import date_text, plural_text
from simulator.timeline import day_starts

HOURLY_UP_TO_DAYS = 45
"""Longer trips show the lowest and the highest charge of each day instead of every hour."""
MOST_BARS = 400
"""Longer trips show means of several days."""
OUTLINED_BARS = 130
"""With more of them an outline would hide the bars."""
EARLY_SOC = 0.02
"""Dark hours this far above the charge at which loads come back are worth a sentence."""
TICK_HOURS = 6
OTHER_COLUMNS = [k.SHORE_WH, k.DRIVE_WH, k.GENERATOR_WH, k.OTHER_WH]


def _tracks(outcome: Outcome, hours: slice) -> tuple[Track, ...]:
    """Rows for what can happen to the bank; those that never happen are left out."""
    clock, rows = outcome.timeline, outcome.hours[hours]
    whole = len(rows) == clock.hours
    hookup = clock.hookup[hours].astype(np.float64)
    amounts = (
        ("dark", "dark (load unserved)", rows[:, k.DARK_H]),
        ("cold", "too cold to be charged", rows[:, k.LOCKED_H]),
        ("hookup", "on a hookup", hookup),
        ("driving", "driving", clock.driving_frac[hours]),
        ("generator", "generator runs", rows[:, k.GENERATOR_H]),
    )
    found = []
    for kind, name, amount_h in amounts:
        flags = amount_h > 0.0
        if not flags.any():
            continue
        spells = plural_text(len(outcome.outages), "outage") if kind == "dark" else plural_text(len(drawing.runs(flags)), "spell")
        words = f"{amount_h.sum():,.1f} h" + (f" in {spells}" if whole else "")
        found.append(Track(kind, name, words, drawing.spans_path(flags)))
    return tuple(found)


# ---- the plots ----


def _limits(outcome: Outcome) -> tuple[list[Shape], list[Mark]]:
    """Planning line and cut-off, and 0, 50 and 100 % of the scale."""
    bank = outcome.scenario.bank
    plan_soc, cutoff_soc = 1.0 - bank.usable_frac, bank.cutoff_soc
    shapes = [Shape("level", drawing.level_path(0.0, 0.5, 1.0))]
    marks = [Mark(f"{share:.0%}", 0.0, float(drawing.height(share))) for share in (1.0, 0.5)]
    cutoff_y = float(drawing.height(cutoff_soc))
    if plan_soc > cutoff_soc + 1e-9:
        shapes += [Shape("plan", drawing.level_path(plan_soc)), Shape("cutoff", drawing.level_path(cutoff_soc))]
        marks += [
            Mark(f"planning line {plan_soc:.0%}", 100.0, float(drawing.height(plan_soc)), "right", kind="plan"),
            Mark(f"cut-off {cutoff_soc:.0%}", 100.0, cutoff_y, "right", below=True, kind="cutoff"),
        ]
    else:
        shapes.append(Shape("cutoff", drawing.level_path(cutoff_soc)))
        marks.append(Mark(f"supply ends at {cutoff_soc:.0%}", 100.0, cutoff_y, "right", below=True, kind="cutoff"))
    return shapes, marks


def _load_line(path: str) -> list[Shape]:
    """A line with a rim, so that it stands out from bars and from the ground alike."""
    return [Shape("rim", path), Shape("load", path)]


def _early_words(outcome: Outcome, rows: Floats) -> str:
    """A sentence where supply ended well above the cut-off; up to where loads come back, an outage goes on anyhow."""
    dark = rows[:, k.DARK_H] > 0.0
    if (rows[dark, k.SOC_LOWEST] > outcome.scenario.bank.reconnect_soc + EARLY_SOC).any():
        return " Supply can end above the cut-off: in the cold, or under a high current, the rest of the charge is out of reach."
    return ""


def charge_plot(outcome: Outcome) -> Plot:
    """State of charge over the whole trip: every hour, or the range of every day."""
    clock = outcome.timeline
    ends = outcome.hours[:, k.SOC_END]
    starts = day_starts(clock.local_day)
    ticks, grid = axis.season_ticks(clock)
    levels, marks = _limits(outcome)
    if clock.days <= HOURLY_UP_TO_DAYS:
        x = WIDTH * np.arange(clock.hours + 1) / clock.hours
        soc = np.concatenate([[outcome.start_soc], ends])
        drawn = [Shape("charge-fill", drawing.band_path(x, np.zeros_like(soc), soc)), Shape("charge", drawing.line_path(x, soc))]
        how = "The line is the state of charge at the end of every hour."
    else:
        before = np.concatenate([[outcome.start_soc], ends[:-1]])
        low = np.minimum.reduceat(outcome.hours[:, k.SOC_LOWEST], starts)
        high = np.maximum.reduceat(np.maximum(before, ends), starts)
        edges = np.append(starts, clock.hours)
        middle = WIDTH * (edges[:-1] + edges[1:]) / 2 / clock.hours
        x = np.concatenate([[0.0], middle, [WIDTH]])
        low, high = (np.concatenate([part[:1], part, part[-1:]]) for part in (low, high))
        drawn = [Shape("charge-fill", drawing.band_path(x, low, high)), Shape("charge", drawing.line_path(x, low))]
        how = "The band reaches from the lowest to the highest charge of each day; its lower edge is drawn strong."
    lowest, hour = outcome.lowest
    moment = outcome.local(clock.utc[hour])
    bank = outcome.scenario.bank
    below = int((outcome.days[0][:, k.DAY_LOWEST_SOC] < 1.0 - bank.usable_frac - 1e-9).sum())
    text = (
        f"{how} It begins at {outcome.start_soc:.0%} on {date_text(clock.dates[0])}, is lowest with {lowest:.0%} on "
        f"{date_text(moment.date())} about {moment:%H:%M}, and ends at {ends[-1]:.0%}. It goes below the planning line of "
        f"{1.0 - bank.usable_frac:.0%} on {below} of {clock.days} days; supply ends at {bank.cutoff_soc:.0%}. "
        f"Outages: {len(outcome.outages)}."
    )
    text += _early_words(outcome, outcome.hours)
    return Plot(
        key="charge",
        title="State of charge over the trip",
        text=text,
        shapes=(grid, *levels[:1], *drawn, *levels[1:]),
        marks=tuple(marks),
        ticks=ticks,
        tracks=_tracks(outcome, slice(None)),
        legs=axis.legs(clock.stop, outcome.scenario.stops),
    )


def sun_plot(outcome: Outcome) -> Plot | None:
    """Sun used and left over, and the load, day by day; None where there is no sun to show."""
    clock = outcome.timeline
    starts = day_starts(clock.local_day)
    group = max(1, ceil(clock.days / MOST_BARS))
    days = np.diff(np.append(np.arange(0, clock.days, group), clock.days))
    edges_h = np.append(starts[::group], clock.hours)

    def per_day(hourly: Floats) -> Floats:
        return np.asarray(np.add.reduceat(hourly, starts[::group]) / days, dtype=np.float64)

    offered = per_day(outcome.hours[:, k.SUN_OFFERED_WH])
    used = per_day(outcome.hours[:, k.SUN_USED_WH])
    load = per_day(outcome.hours[:, k.LOAD_WH])
    if offered.max(initial=0.0) <= 0.0:
        return None
    ceiling = drawing.nice_ceiling(float(max(offered.max(), load.max())))
    edges = WIDTH * edges_h / clock.hours
    ticks, grid = axis.season_ticks(clock)
    zero = np.zeros_like(used)
    scale, single = drawing.amount_text(ceiling, "Wh"), group == 1
    text = (
        f"Watt-hours a day, on a scale to {scale}. On average the sun offers {offered.mean():,.0f} Wh a day, of which "
        f"{used.mean():,.0f} Wh are used and {(offered - used).mean():,.0f} Wh are left over; the load asks for "
        f"{load.mean():,.0f} Wh. {'Single days' if single else f'Means of {group} days'} offer from {offered.min():,.0f} to "
        f"{offered.max():,.0f} Wh."
    )
    return Plot(
        key="sun",
        title="Sun offered, used and left over a day" + ("" if single else f", means of {group} days"),
        text=text,
        shapes=(
            grid,
            Shape("level", drawing.level_path(0.0, 0.5, 1.0)),
            Shape("spilled", drawing.bars_path(edges, used / ceiling, offered / ceiling)),
            Shape("used", drawing.bars_path(edges, zero, used / ceiling)),
            Shape("offered", drawing.steps_path(edges, offered / ceiling) if len(offered) <= OUTLINED_BARS else ""),
            *_load_line(drawing.steps_path(edges, load / ceiling)),
        ),
        marks=tuple(Mark(drawing.amount_text(ceiling * share, "Wh"), 0.0, float(drawing.height(share))) for share in (1.0, 0.5)),
        ticks=ticks,
        legs=axis.legs(clock.stop, outcome.scenario.stops),
    )


def opened_hours(outcome: Outcome, day: int) -> slice:
    """Hours of a day and of the day before it."""
    local_day = outcome.timeline.local_day
    first = int(np.searchsorted(local_day, max(day - 1, 0)))
    return slice(first, int(np.searchsorted(local_day, day, side="right")))


def day_plots(outcome: Outcome, day: int) -> tuple[Plot, Plot]:
    """Charge and power, hour by hour, on a day and on the day before it."""
    clock = outcome.timeline
    hours = opened_hours(outcome, day)
    rows = outcome.hours[hours]
    local_hour = clock.local_hour[hours]
    count = len(rows)
    edges = WIDTH * np.arange(count + 1) / count
    local_day = clock.local_day[hours]
    shown = [int(one) for one in dict.fromkeys(local_day.tolist())]
    places, midnights = [], ""
    for hour in range(count):
        begins_day = hour == 0 or local_day[hour] != local_day[hour - 1]
        if begins_day:
            moment = clock.dates[int(local_day[hour])]
            places.append((hour / count, f"{moment.day} {moment:%b}"))
            midnights += f"M{drawing.number(float(edges[hour]))} 0V100" if hour else ""
        elif local_hour[hour] % TICK_HOURS < 1.0 and local_hour[hour] >= 1.0:
            places.append((hour / count, f"{int(local_hour[hour])} h"))
    ticks, grid = axis.ticks_at(places)
    midnight = Shape("midnight", midnights)
    dark = Shape("dark-band", drawing.spans_path(rows[:, k.DARK_H] > 0.0))
    levels, marks = _limits(outcome)
    before = outcome.start_soc if hours.start == 0 else float(outcome.hours[hours.start - 1, k.SOC_END])
    soc = np.concatenate([[before], rows[:, k.SOC_END]])
    name = " and ".join(date_text(clock.dates[one]) for one in shown)
    charge = Plot(
        key="day-charge",
        title=f"State of charge on {name}, hour by hour",
        text=(
            f"It begins at {before:.0%}, is lowest with {rows[:, k.SOC_LOWEST].min():.0%} and ends at {soc[-1]:.0%}. "
            f"{rows[:, k.DARK_H].sum():.1f} hours of it are dark.{_early_words(outcome, rows)}"
        ),
        shapes=(
            dark,
            grid,
            midnight,
            *levels[:1],
            Shape("charge-fill", drawing.band_path(edges, np.zeros_like(soc), soc)),
            Shape("charge", drawing.line_path(edges, soc)),
            *levels[1:],
        ),
        marks=tuple(marks),
        ticks=ticks,
    )
    offered, used, load = rows[:, k.SUN_OFFERED_WH], rows[:, k.SUN_USED_WH], rows[:, k.LOAD_WH]
    other = rows[:, OTHER_COLUMNS].sum(axis=1)
    ceiling = drawing.nice_ceiling(float(max((offered + other).max(), load.max())))
    shapes = [
        dark,
        grid,
        midnight,
        Shape("level", drawing.level_path(0.0, 0.5, 1.0)),
        Shape("spilled", drawing.bars_path(edges, (used + other) / ceiling, (offered + other) / ceiling)),
        Shape("used", drawing.bars_path(edges, np.zeros_like(used), used / ceiling)),
    ]
    if other.any():
        shapes.append(Shape("other", drawing.bars_path(edges, used / ceiling, (used + other) / ceiling)))
    if offered.any():
        shapes.append(Shape("offered", drawing.steps_path(edges, (offered + other) / ceiling)))
    shapes += _load_line(drawing.steps_path(edges, load / ceiling))
    power = Plot(
        key="day-power",
        title=f"Power on {name}, hour by hour",
        text=(
            f"Watts, on a scale to {drawing.amount_text(ceiling, 'W')}. In these hours the load asks for {load.sum():,.0f} Wh, "
            f"the sun offers {offered.sum():,.0f} Wh, of which {used.sum():,.0f} Wh are used, and other chargers give "
            f"{other.sum():,.0f} Wh."
        ),
        shapes=tuple(shapes),
        marks=tuple(Mark(drawing.amount_text(ceiling * share, "W"), 0.0, float(drawing.height(share))) for share in (1.0, 0.5)),
        ticks=ticks,
        tracks=_tracks(outcome, hours),
    )
    return charge, power


def worst_day(outcome: Outcome) -> int:
    """The flat day with most essential load unserved; without any, the day of the lowest charge."""
    flat = outcome.flat_days
    if flat:
        return max(flat, key=lambda day: (day.missed_wh, day.dark_h, -day.day)).day
    return int(outcome.timeline.local_day[outcome.lowest[1]])
