"""What the sensors gave against what was stored. Law: a stored value is one that was measured in this wake.

Values are told in the units of SenML, in the order in which they were read; what failed may be left out.
"""

from hostsim.card_format import ABSENT

TOLERANCE = 1.5  # in units of the last place: rounding, or an integer division downwards
_LAST_PLACE = {exponent: 10.0**exponent for exponent in range(-128, 128)}  # a layout keeps the exponent in a byte


def invented(fields, channels, measured: list[float]) -> str | None:
    """The name of the first channel whose stored value is not the next of those measured; None: there is none.

    fields: (value, flags, value, flags ...) of the record; channels: (name, unit, exponent, sensor) each.
    """
    told = iter(measured)
    for value, (name, _, exponent, _) in zip(fields[::2], channels, strict=True):
        if value == ABSENT:
            continue
        place = _LAST_PLACE[exponent]
        for given in told:
            if -TOLERANCE <= value - given / place <= TOLERANCE:
                break
        else:
            return name
    return None
