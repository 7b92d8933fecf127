"""What a batch of deliveries says. Law: one reading has one content; a second telling may only be surer of its time.

A reading is a dictionary as senml_read.reading gives it, whether it came over the air or from a card. One that was
told at a glance has, instead of values, units and flags, `plain`: ((channel, unit), ...), [digits], [exponent].
"""

from deploy import store_time

OTHER_CONTENT = "another content under the name of a reading that is there"
OTHER_TIME = "another time under the name of a reading that is there"
DIGITS_MAX = 2**63 - 1
CHANNELS_MAX = 37  # more a record cannot have (docs/formats.md)


def unfit(message: dict) -> str | None:
    """Why a reading cannot be kept, None when it can: it has more than the store's columns hold."""
    if len(message["values"].keys() | message["flags"].keys()) > CHANNELS_MAX:
        return f"more than {CHANNELS_MAX} channels"
    for name, (digits, exponent) in message["values"].items():
        fits = abs(digits) <= DIGITS_MAX and -128 <= exponent <= 18
        if not fits or abs(digits) * 10 ** max(0, exponent) > DIGITS_MAX:
            return f"{name[:32]} is a number beyond 64 bits"
    if message["time_s"] is not None and message["time_s"] >= 2**32:
        return "a time beyond 32 bits"
    return None


def contents(message: dict) -> dict[tuple[str, str], tuple]:
    """{(channel, unit): (digits, exponent, flags)}; an absent value has flags only, and neither digits nor unit."""
    rows = message.get("contents")
    if rows is not None:
        return rows
    if "plain" in message:
        numbers = zip(*message["plain"], strict=True)
        rows = message["contents"] = {channel: (digits, exponent, 0) for channel, digits, exponent in numbers}
        return rows
    units, flags = message["units"], message["flags"]
    rows = message["contents"] = {}
    for name, (digits, exponent) in message["values"].items():
        if exponent > 0:
            # on the air 7 hundred is 700 whatever its exponent was
            digits, exponent = digits * 10**exponent, 0
        rows[name, units.get(name, "")] = (digits, exponent, flags.get(name, 0))
    for name, bits in flags.items():
        if name not in message["values"]:
            rows[name, ""] = (None, 0, bits)
    return rows


class Brought:
    """What a batch brings for one ring: {seq: (index in the batch, reading)}, and how often a reading came again."""

    def __init__(self):
        self.seqs: dict[int, tuple[int, dict]] = {}
        self.repeats = 0

    def add(self, index: int, message: dict) -> str | None:
        """Note a reading; the reason when it contradicts one of the same name."""
        seq = message["seq"]
        if seq not in self.seqs:
            self.seqs[seq] = index, message
            return None
        first = self.seqs[seq][1]
        if first["record_flags"] != message["record_flags"] or contents(first) != contents(message):
            return OTHER_CONTENT
        self.repeats += 1
        if message["time_s"] is None:
            return None
        if first["time_s"] is None:
            # between them they know when the run began
            self.seqs[seq] = index, {**message, "run": first["run"], "run_s": first["run_s"]}
        elif not _agree(message, first):
            return OTHER_TIME
        elif message["uncertainty_s"] < first["uncertainty_s"]:
            self.seqs[seq] = index, message
        return None


def _agree(one: dict, other: dict) -> bool:
    return store_time.agree(one["time_s"], one["uncertainty_s"], other["time_s"], other["uncertainty_s"])
