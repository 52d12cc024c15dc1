"""How a bank ages year by year while what it is asked for changes with it: models that carry a state from year to year.

Each model tells how far a bank has come (`Age`) and continues from there under the use of the next year, so that a shrunken
bank, which cycles deeper, also fades faster. Published laws of the form loss(years of such use) are continued from their
*virtual time*: the years of the new use that alone would have brought the loss of today.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final, Protocol

import numpy as np
import numpy.typing as npt

from simulator.battery import fade
from simulator.battery.use import (
    END_SOH,
    LEAD_CURVE_SPREAD,
    SHELF_SPREAD,
    YearOfUse,
    lead_wear,
    left_frac,
    lfp_shelf_pace,
    lfp_use,
    shelf_left_frac,
)
from simulator.battery.wear import DepthCurve, depth_damage
from simulator.scenario.parts import Bank

FloatArray = npt.NDArray[np.float64]

LONGEST_YEARS: Final = 120.0
"""Virtual time is looked for up to here; a gentler year may stand for many."""
_ROOTS: Final = np.linspace(0.0, np.sqrt(LONGEST_YEARS), 4001)
"""Roots of years: the laws are nearly straight lines over them."""
LEAD_RESISTANCE_GAIN_AT_END: Final = 0.4
"""From memory, IEEE 1188: cells whose ohmic value has grown by 30 to 50 % are near 80 % of their capacity."""


@dataclass(frozen=True)
class Age:
    """How far one bank has come.

    Attributes
    ----------
    soh : float
        Share of the rated capacity that is left, 0..1.
    resistance_gain_frac : float
        Growth of the resistance since it was new, 0...
    spent : tuple of (str, float)
        Each life that runs, and the share of it that is spent; at 1 it ends the bank. ``cycles`` or ``calendar``.
    shelf_loss_frac, cycle_loss_frac : float
        Of the law of a lithium bank: capacity lost on the shelf and by cycling.
    damage, shelf_spent : float
        By the depth curve, and of the shelf life; 1 is the end.
    """

    soh: float
    resistance_gain_frac: float
    spent: tuple[tuple[str, float], ...]
    shelf_loss_frac: float = 0.0
    cycle_loss_frac: float = 0.0
    damage: float = 0.0
    shelf_spent: float = 0.0

    @property
    def ended(self) -> bool:
        """Whether one of the lives is spent."""
        return any(share >= 1.0 - 1e-12 for _, share in self.spent)


class AgeingModel(Protocol):
    """One opinion on how a bank ages."""

    @property
    def name(self) -> str:
        """What people know it by."""

    def start(self, year: YearOfUse) -> Age:
        """Where the bank stands as the first year begins, which is used to tell what its past was like."""

    def after(self, age: Age, year: YearOfUse, years: float) -> Age:
        """Where it stands after ``years`` of such use."""


def end_within(before: Age, after: Age) -> tuple[float, str] | None:
    """Part of the time between two ages at which the first life was spent, and its name; None when none was.

    Taken as even between the two, which are at most a year apart.
    """
    found = [
        ((1.0 - start) / (end - start) if end > start and start < 1.0 else 0.0, name)
        for (name, start), (_, end) in zip(before.spent, after.spent, strict=True)
        if end >= 1.0 - 1e-12
    ]
    return min(found, key=lambda pair: pair[0]) if found else None


@dataclass(frozen=True)
class LfpModel:
    """A published law of lithium iron phosphate, alone or with the depth curve and the shelf life of the data sheet."""

    name: str
    law: fade.LossLaw
    carries: bool
    """With the depth curve and the shelf life."""

    def start(self, year: YearOfUse) -> Age:
        """A used bank stands on the law's curve, further along, as if its past had been like the first year."""
        bank = year.bank
        # Placed by full cycles of a new bank, as the law counts them.
        shelf, cycling = self.law(lfp_use(year), _ROOTS**2)
        root = float(np.interp(1.0 - bank.soh_start, shelf + cycling, _ROOTS))
        past = float(np.interp(root, _ROOTS, shelf)), float(np.interp(root, _ROOTS, cycling))
        return self._aged(
            bank, past, damage=1.0 - left_frac(bank), shelf_spent=1.0 - shelf_left_frac(bank), gain=self._gain(year, root**2)
        )

    def after(self, age: Age, year: YearOfUse, years: float) -> Age:
        """Continue both losses from their virtual times; the depth curve and the shelf life are plain sums."""
        bank = year.bank
        shelf, cycling = self.law(lfp_use(year), _ROOTS**2)
        past = _continued(shelf, age.shelf_loss_frac, years), _continued(cycling, age.cycle_loss_frac, years)
        damage = depth_damage(year.cycles, DepthCurve(bank.cycles_depth_frac, bank.cycles_to_end)) * year.rounds * years
        return self._aged(
            bank,
            past,
            damage=age.damage + damage,
            shelf_spent=age.shelf_spent + years * lfp_shelf_pace(year) / bank.calendar_years,
            gain=age.resistance_gain_frac + self._gain(year, years),
        )

    def _gain(self, year: YearOfUse, years: float) -> float:
        use = lfp_use(year)
        aged = fade.NaumannState().after_time(use.soc, use.cell_c, use.weight_h)
        return aged.after_cycles(use.depth_frac, use.full_cycles, use.rate_per_h).resistance_gain_frac * years

    def _aged(self, bank: Bank, past: tuple[float, float], damage: float, shelf_spent: float, gain: float) -> Age:
        lost = sum(past)
        by_law = "calendar" if past[0] >= past[1] else "cycles"
        spent = [(by_law, lost / (1.0 - END_SOH))]
        if self.carries:
            spent += [("cycles", damage), ("calendar", shelf_spent)]
            lost = max(lost, damage * (1.0 - END_SOH))
        return Age(max(0.0, 1.0 - lost), gain, tuple(spent), *past, damage=damage, shelf_spent=shelf_spent)


def _continued(losses: FloatArray, lost: float, years: float) -> float:
    """Loss after further years, from the virtual time at which this use alone would have brought the loss of today."""
    if losses[-1] <= 0.0:
        return lost
    # A use so gentle that it never brings today's loss adds none.
    root = float(np.interp(lost, losses, _ROOTS))
    if lost >= losses[-1]:
        return lost
    return max(lost, float(np.interp(np.sqrt(root**2 + years), _ROOTS, losses)))


@dataclass(frozen=True)
class LeadModel:
    """Lead-acid: depth curve with heat and spells without a full charge, shelf life with heat; scaled to span the band."""

    name: str
    weighted: bool
    """With the weights for spells without a full charge."""
    curve_scale: float = 1.0
    shelf_scale: float = 1.0

    def start(self, year: YearOfUse) -> Age:
        """A used bank has spent of the depth curve what its state of health says, of the shelf life what its age says."""
        bank = year.bank
        return self._aged(bank.soh_start, damage=1.0 - left_frac(bank), shelf_spent=1.0 - shelf_left_frac(bank), faded=0.0)

    def after(self, age: Age, year: YearOfUse, years: float) -> Age:
        """Damage and shelf life are plain sums; the capacity fades evenly with the faster of the two."""
        wear = lead_wear(year)
        weight = wear.partial_weight if self.weighted else 1.0
        damage = wear.damage * weight / self.curve_scale * years
        shelf = wear.shelf_heat / (year.bank.calendar_years * self.shelf_scale) * years
        return self._aged(
            age.soh, damage=age.damage + damage, shelf_spent=age.shelf_spent + shelf, faded=max(damage, shelf) * (1.0 - END_SOH)
        )

    def _aged(self, soh: float, damage: float, shelf_spent: float, faded: float) -> Age:
        left = max(0.0, soh - faded)
        gain = LEAD_RESISTANCE_GAIN_AT_END * (1.0 - left) / (1.0 - END_SOH)
        return Age(left, gain, (("cycles", damage), ("calendar", shelf_spent)), damage=damage, shelf_spent=shelf_spent)


def models_of(bank: Bank) -> tuple[AgeingModel, ...]:
    """The models a bank's life is told by: the one that carries it first, then those that span the band."""
    if bank.chemistry == "lfp":
        (first, law), *others = fade.LFP_LAWS.items()
        return (LfpModel(first, law, carries=True), *(LfpModel(name, other, carries=False) for name, other in others))
    shelf = SHELF_SPREAD["lead"]
    return (
        LeadModel("depth curve, Schiffer 2007 weights", weighted=True),
        LeadModel("poorest curve", weighted=True, curve_scale=LEAD_CURVE_SPREAD[0], shelf_scale=shelf[0]),
        LeadModel("best curve, no weights", weighted=False, curve_scale=LEAD_CURVE_SPREAD[1], shelf_scale=shelf[1]),
    )


def aged_bank(bank: Bank, age: Age, at_start: Age) -> Bank:
    """The bank as it has become: less charge, more resistance (which is stated for the bank as it is at the start)."""
    stiffer = (1.0 + age.resistance_gain_frac) / (1.0 + at_start.resistance_gain_frac)
    return replace(bank, soh_start=age.soh, resistance_ohm=bank.resistance_ohm * stiffer)
