"""Voltages at a node's analog pins. Law: a pin shows what its divider leaves of a supply that is on, and noise.

Which supply: [battery] pin and analogs named `battery...` hang on the cell, those named `supply...` on the regulator;
to others nothing is wired.
"""

import errno

from hostsim.node import Node
from hostsim.wiring import Rails

REGULATED_MV = 3300
DROP_OUT_MV = 150
# peak to peak
NOISE_MV = {"battery": 9, "supply": 7}
UNFED_NOISE_MV = 8


def at_pin(node: Node, rails: Rails, pin: str) -> tuple[int, float]:
    """(mV at the pin, mV of the supply that it says it is). OSError where nothing is wired to it."""
    found = node.wiring.analog_pins.get(pin)
    if found is None:
        raise OSError(errno.ENODEV)
    source, rail, upper_ohm, lower_ohm = found
    draw = node.noise.random
    if rails.since_ms(rail) is None:
        pin_mv = int(UNFED_NOISE_MV * draw())
    else:
        supply_mv = node.battery_mv
        if source == "supply":
            # a low-dropout regulator follows the cell once that is too low
            supply_mv = min(REGULATED_MV, supply_mv - DROP_OUT_MV)
        noise_mv = NOISE_MV[source]
        pin_mv = max(0, _divided(supply_mv, upper_ohm, lower_ohm) + int(noise_mv * draw()) - noise_mv // 2)
    return pin_mv, pin_mv * ((upper_ohm + lower_ohm) / lower_ohm if lower_ohm else 1.0)


def _divided(mv: int, upper_ohm: int, lower_ohm: int) -> int:
    return mv * lower_ohm // (upper_ohm + lower_ohm) if lower_ohm else mv
