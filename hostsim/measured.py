"""What the sensors gave against what was stored. Law: a stored value is one that was measured in this wake.

Values are told in the units of SenML, in the order in which they were read; what failed may be left out.
"""

from hostsim.card_format import ABSENT

TOLERANCE = 1.5  # in units of the last place: rounding, or an integer division downwards


def invented(fields, channels, measured: list[float]) -> str | None:
    """The name of the first channel whose stored value is not the next of those measured; None: there is none.

    fields: (value, flags, value, flags ...) of the record; channels: (name, unit, exponent, sensor) each.
    """
    at = 0
    for index, channel in enumerate(channels):
        value = fields[2 * index]
        if value == ABSENT:
            continue
        place = 10.0 ** channel[2]
        wanted = value * place
        limit = TOLERANCE * place
        while at < len(measured) and not -limit <= wanted - measured[at] <= limit:
            at += 1
        if at == len(measured):
            return channel[0]
        at += 1
    return None
