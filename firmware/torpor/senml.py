"""One reading as a SenML pack in JSON. Law: every number is written from integers, and reads back as stored.

Sources: RFC 8428 (SenML); RFC 9039 section 3.2 (device URN: "_" begins a component of A-Z a-z 0-9 . -).
Nothing is escaped: the settings hold names and units to characters that JSON takes as they are.
"""

ABSOLUTE_TIME_MIN_S = 1 << 28  # below it a time counts from now (RFC 8428 section 4.5.3)


def pack(
    base_name,
    bt,
    seq,
    ring_hex,
    uncertainty_s,
    channels,
    values,
    flags,
    run=None,
    run_s=None,
    record_flags=0,
):
    """One reading -> the bytes of its pack; each record holds exactly one value.

    base_name: a device URN with its "_". ring_hex: 8 hex digits.
    bt: Unix seconds, good to uncertainty_s. None: the time is unknown; run and run_s (seconds into it) go out
    instead. A general reader takes such a pack as "now" (RFC 8428 section 4.5.3), the collector resolves it.
    channels: (name, unit, exponent) each; an empty unit is left out.
    values: one integer a channel, in units of 10**exponent; None is absent: no record.
    flags: one integer a channel; non-zero follows as "<name>.flags", of an absent value too: it says why.
    record_flags: of the reading as a whole; non-zero follows as "flags".
    """
    if bt is None:
        parts = [
            f'[{{"bn":"{base_name}","n":"seq","v":{seq}}},{{"n":"ring","vs":"{ring_hex}"}}'
            f',{{"n":"run","v":{run}}},{{"n":"run-time","u":"s","v":{run_s}}}'
        ]
    else:
        assert bt >= ABSOLUTE_TIME_MIN_S
        parts = [
            f'[{{"bn":"{base_name}","bt":{bt},"n":"seq","v":{seq}}},{{"n":"ring","vs":"{ring_hex}"}}'
            f',{{"n":"time-uncertainty","u":"s","v":{uncertainty_s}}}'
        ]
    if record_flags:
        parts.append(f',{{"n":"flags","v":{record_flags}}}')
    for (name, unit, exponent), value, flag in zip(channels, values, flags):
        if value is not None:
            if unit:
                parts.append(f',{{"n":"{name}","u":"{unit}","v":{decimal(value, exponent)}}}')
            else:
                parts.append(f',{{"n":"{name}","v":{decimal(value, exponent)}}}')
        if flag:
            parts.append(f',{{"n":"{name}.flags","v":{flag}}}')
    parts.append("]")
    return "".join(parts).encode()


def decimal(value, exponent):
    """value * 10**exponent, exactly, as a JSON number: (-5, -2) -> "-0.05"; (7, 2) -> "700"."""
    if exponent >= 0:
        return str(value * 10**exponent)
    digits = str(value if value >= 0 else -value)
    if len(digits) <= -exponent:
        digits = "0" * (1 - exponent - len(digits)) + digits
    return f"{'-' if value < 0 else ''}{digits[:exponent]}.{digits[exponent:]}"
