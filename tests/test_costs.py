"""What a year of service costs: against closed forms, textbook tables and sums by hand."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulator.errors import InputError
from simulator.scenario.parts import Costs
from simulator.sources import fuel_litres
from simulator.studies.costs import (
    LEAST_LIFE_YEARS,
    Part,
    annuity_factor,
    left_out,
    part_cost,
    service_cost,
    terms_of,
)

TERMS = terms_of(Costs(horizon_years=10.0, discount_rate=0.03, fuel_price_per_l=2.0, hookup_price_per_night=30.0, currency="EUR"))
FREE = terms_of(Costs(horizon_years=10.0, discount_rate=0.0))


def a_part(price, life, *, next_life=None, owned=False, name="bank", same_as="it"):
    return Part(name, f"price of {name}", price, None, life, life if next_life is None else next_life, owned, same_as)


@pytest.mark.parametrize(
    ("rate", "years", "factor"),
    # Interest tables of any textbook of engineering economy, P/A (from memory).
    [(0.08, 10, 6.7101), (0.03, 10, 8.5302), (0.05, 20, 12.4622), (0.10, 5, 3.7908), (0.0, 7, 7.0)],
)
def test_annuity_factor_of_the_tables(rate, years, factor):
    assert annuity_factor(rate, years) == pytest.approx(factor, abs=5e-5)


@given(rate=st.floats(1e-6, 0.5), years=st.integers(1, 60))
def test_annuity_factor_is_the_sum_of_the_years(rate, years):
    assert annuity_factor(rate, years) == pytest.approx(float(np.sum((1.0 + rate) ** -np.arange(1, years + 1))), rel=1e-9)


def test_a_part_that_lasts_five_years_is_bought_twice():
    cost = part_cost(a_part(1000.0, 5.0), TERMS)
    assert cost.replacements == 1
    assert cost.now == 1000.0
    assert cost.later == pytest.approx(1000.0 / 1.03**5)
    assert cost.taken_back == pytest.approx(0.0, abs=1e-9)
    assert cost.per_year == pytest.approx((1000.0 + 862.609) / 8.5302, rel=1e-4)
    # Two whole lives in a row: the same as the annuity of one (a law of engineering economy).
    assert cost.per_year == pytest.approx(1000.0 / annuity_factor(0.03, 5.0))


def test_what_is_left_at_the_horizon_is_taken_back():
    cost = part_cost(a_part(1000.0, 25.0), TERMS)
    assert cost.replacements == 0
    assert cost.taken_back == pytest.approx(1000.0 * 15.0 / 25.0 / 1.03**10)


@given(price=st.floats(1.0, 1e5), life=st.floats(0.2, 80.0), horizon=st.floats(1.0, 40.0))
def test_without_interest_a_year_costs_the_price_over_the_life(price, life, horizon):
    terms = terms_of(Costs(horizon_years=horizon, discount_rate=0.0))
    assert part_cost(a_part(price, life), terms).per_year == pytest.approx(price / life, rel=1e-9)


@given(life=st.floats(0.5, 40.0), longer=st.floats(0.1, 20.0), rate=st.floats(0.0, 0.2))
def test_a_longer_life_never_costs_more(life, longer, rate):
    terms = terms_of(Costs(horizon_years=10.0, discount_rate=rate))
    # Taking back at an even share is a little harsh on early years, so equal within the share of one interest period.
    assert part_cost(a_part(100.0, life + longer), terms).per_year <= part_cost(a_part(100.0, life), terms).per_year * (1 + rate)


def test_an_owned_bank_costs_only_what_follows_it():
    lasting = part_cost(a_part(None, 12.0, owned=True), TERMS)
    assert (lasting.now, lasting.later, lasting.per_year, lasting.replacements) == (0.0, 0.0, 0.0, 0)
    worn = part_cost(a_part(500.0, 4.0, next_life=8.0, owned=True), FREE)
    assert (worn.now, worn.replacements, worn.later) == (0.0, 1, 500.0)
    assert worn.taken_back == pytest.approx(500.0 * 2.0 / 8.0)
    with pytest.raises(InputError, match="Write price of bank"):
        part_cost(a_part(None, 4.0, owned=True), TERMS)


def test_a_bank_already_worn_out_is_followed_at_once():
    cost = part_cost(a_part(100.0, 0.0, next_life=10.0), FREE)
    assert (cost.replacements, cost.later, cost.taken_back) == (1, 100.0, 0.0)
    assert part_cost(a_part(100.0, 0.0), FREE).replacements == round(10.0 / LEAST_LIFE_YEARS)


def test_every_missing_price_is_named_at_once():
    with pytest.raises(InputError) as caught:
        service_cost(
            [a_part(None, 5.0), a_part(None, 5.0, name="inverter")],
            terms_of(Costs()),
            litres_per_year=10.0,
            hookup_nights_per_year=0.0,
            kwh_per_year=100.0,
        )
    assert len(caught.value.mistakes) == 3
    assert any("fuel_price_per_l in [costs]" in mistake for mistake in caught.value.mistakes)


def test_a_year_is_capital_fuel_and_nights_and_a_kilowatt_hour_its_share():
    cost = service_cost([a_part(1000.0, 5.0)], TERMS, litres_per_year=50.0, hookup_nights_per_year=4.0, kwh_per_year=400.0)
    capital = 1000.0 / annuity_factor(0.03, 5.0)
    assert cost.per_year == pytest.approx(capital + 100.0 + 120.0)
    assert cost.per_kwh == pytest.approx(cost.per_year / 400.0)
    assert cost.price_now == 1000.0
    dark = service_cost([a_part(1000.0, 5.0)], TERMS, litres_per_year=0.0, hookup_nights_per_year=0.0, kwh_per_year=0.0)
    assert dark.per_kwh is None


def test_years_weigh_by_their_energy():
    """By hand: 100 a year for 100 and then 300 kWh are 0.50 a kWh, not the mean of 1.00 and 0.33."""
    cost = service_cost(
        [a_part(100.0, 1.0)], FREE, litres_per_year=0.0, hookup_nights_per_year=0.0, kwh_per_year=float(np.mean([100.0, 300.0]))
    )
    assert cost.per_kwh == pytest.approx(0.5)


def test_defaults_are_told_only_where_they_are_taken():
    assert TERMS.defaults == ()
    said = " ".join(terms_of(Costs()).defaults)
    assert "10 years" in said
    assert "3%" in said
    assert "no source" in said


def test_only_what_all_designs_have_alike_may_go_unpriced():
    inverter = a_part(None, 10.0, name="inverter", same_as="1 kW")
    larger = a_part(None, 10.0, name="inverter", same_as="3 kW")
    bank = a_part(500.0, 8.0)
    assert left_out([[bank, inverter], [bank, inverter]]) == {"1 kW"}
    assert left_out([[bank, inverter], [bank, larger]]) == set()
    assert left_out([[bank, inverter], [bank]]) == set()


def test_fuel_at_a_quarter_and_at_full_load(make_generator):
    """Common practice, no source: 2 kW burns 0.45 L/h at a quarter and 1.0 L/h at full load; its charger is 0.87 efficient."""
    generator = make_generator()
    assert fuel_litres(generator, 3.0, 3.0 * 500.0 * 0.87) == pytest.approx(3.0 * 0.45)
    assert fuel_litres(generator, 3.0, 3.0 * 2000.0 * 0.87) == pytest.approx(3.0 * 1.0)
    assert fuel_litres(generator, 2.0, 2.0 * 1250.0 * 0.87) == pytest.approx(2.0 * 0.725)
    assert fuel_litres(generator, 0.0, 0.0) == 0.0
