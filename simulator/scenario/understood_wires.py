"""What was understood of the way from the bank to the appliances: inverter, converter, cables, and what is switched off first."""

from __future__ import annotations

from collections.abc import Iterator

from simulator.scenario.desk import either
from simulator.scenario.parts import PRIORITIES, Appliance, Cable, Scenario


def follows_text(appliance: Appliance) -> str:
    """What its running time follows; nothing if it follows the clock alone."""
    if appliance.follows == "fridge":
        return "more in a warm cabin, less in a cold one"
    if appliance.follows == "heating" and appliance.heat_w is not None:
        return f"as long as the cabin needs its {appliance.heat_w:g} W of heat"
    if appliance.follows == "cooling" and appliance.above_c is not None:
        return f"only while the cabin would be above {appliance.above_c:g} C"
    if appliance.follows == "pads" and appliance.below_c is not None:
        return f"only while it is below {appliance.below_c:g} C outside"
    return ""


def way_lines(scenario: Scenario) -> Iterator[str]:
    """A sentence for each part between bank and appliances."""
    inverter, converter = scenario.inverter, scenario.converter
    if inverter is not None:
        state = "always on" if inverter.always_on else "on while something runs on it"
        if inverter.always_on and inverter.sleep_w is not None:
            state += f", asleep {inverter.sleep_w:g} W"
        if inverter.cutoff_v > 0.0:
            state += f"; off below {inverter.cutoff_v:g} V, back at {inverter.restart_v:g} V"
        yield f"Inverter {inverter.rated_w:g} W, idle {inverter.p_self * inverter.rated_w:g} W, {state}"
    if converter is not None:
        fed = [appliance.name for appliance in scenario.appliances if appliance.via_converter]
        feeds = f"feeds {either(fed, 'and')}" if fed else "feeds nothing"
        yield (
            f"DC-DC converter to {converter.output_v:g} V, {converter.efficiency_frac:.0%} efficient, "
            f"idle {converter.idle_w:g} W; {feeds}"
        )
    for cable in scenario.cables:
        yield _cable(cable, scenario)
    off = scenario.switch_off
    if off is not None:
        for priority in range(len(PRIORITIES) - 1, 0, -1):
            if off.shed_soc[priority] >= 0.0:
                shed, back = off.shed_soc[priority], off.restore_soc[priority]
                yield f"{PRIORITIES[priority].capitalize()} is switched off at {shed:.0%} of charge and comes back at {back:.0%}"


def _cable(cable: Cable, scenario: Scenario) -> str:
    names = [appliance.name for appliance in scenario.appliances if appliance.number in cable.appliances]
    to = f"to {either(names, 'and')}" if names else f"to the {cable.feeds}"
    return (
        f'Cable "{cable.name}" {to}: {cable.length_m:.3g} m each way of {cable.mm2:.3g} mm2, '
        f"{cable.resistance_ohm * 1000:.3g} milliohm there and back at {cable.temp_c:g} C"
    )
