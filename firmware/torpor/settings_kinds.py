"""Whether a value fits its row. Law: a pure verdict on one value; it states the bound, never the value,
because the value may be a password."""

from .settings_table import HIGH, KIND, LOW, UNIT

_NAME = "abcdefghijklmnopqrstuvwxyz0123456789-"
_WORD = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ_"
_HOST = _NAME + _WORD + "."
PROPERTY_BYTES_MAX = 32
HOST_BYTES_MAX = 253


def misfit(row, value):
    """Say what is wrong with `value` (as the TOML reader gave it) for this row; "" when it fits."""
    kind = row[KIND]
    if kind == "bool":
        return "" if isinstance(value, bool) else "is not true or false"
    if kind == "int":
        if not isinstance(value, int) or isinstance(value, bool):
            return "is not a whole number"
        return "is too small" if value < row[LOW] else "is too large" if value > row[HIGH] else ""
    if kind in ("props", "hosts"):
        return _list_misfit(row, value)
    if not isinstance(value, str):
        return "is not a text in quotes"
    if kind == "choice":
        return "" if value in row[LOW] else "is none of the choices"
    if kind == "ipv4":
        return "" if not value or is_ipv4(value) else "is not an IPv4 address"
    size = len(value.encode())
    if size < row[LOW] and not (kind == "key" and size == 0):
        return "is empty" if size == 0 else "is too short"
    return "is too long" if size > row[HIGH] else _spelling(kind, value)


def accepts(row):
    """What a row takes, as an order to the person: "write a whole number from 10 to 86400 (s)"."""
    kind, low, high = row[KIND], row[LOW], row[HIGH]
    span = f"{low} to {high}"
    if kind == "int":
        return f"write a whole number from {span}" + (f" ({row[UNIT]})" if row[UNIT] else "")
    if kind == "bool":
        return "write true or false"
    if kind == "choice":
        return "write one of " + ", ".join([f'"{choice}"' for choice in low])
    return {
        "secret": f"write a text of {span} bytes in quotes",
        "text": f"write a text of {span} bytes in quotes",
        "name": f"write {span} of a-z, 0-9 and - in quotes",
        "key": f'write {span} bytes in quotes, or "" for an open network',
        "host": f"write a host name of {span} letters, digits, dots and -, no mqtt:// and no port",
        "ipv4": 'write four numbers such as "192.0.2.10", or ""',
        "driver": 'write module and class with a dot, such as "adafruit_sht4x.SHT4x"',
        "props": f'write a list of {span} different property names, such as ["temperature"]',
        "hosts": f'write a list of {span} host names, such as ["pool.ntp.org"]',
    }[kind]


def is_name(text):
    """True for one or more of a-z, 0-9 and -."""
    return bool(text) and all(character in _NAME for character in text)


def is_word(text):
    """True for an ASCII identifier as Python spells it."""
    return bool(text) and text[0] in _WORD and all(c in _WORD or c in "0123456789" for c in text)


def is_host(text):
    """True for characters of a host name (RFC 952, RFC 1123; the underscore is common in local names)."""
    return bool(text) and all(character in _HOST for character in text)


def is_ipv4(text):
    """True for four decimal numbers of 0..255 without leading zeros."""
    parts = text.split(".")
    return len(parts) == 4 and all(_is_octet(part) for part in parts)


def _is_octet(part):
    digits = 0 < len(part) <= 3 and all(character in "0123456789" for character in part)
    return digits and int(part) <= 255 and (part == "0" or part[0] != "0")


def _spelling(kind, value):
    if kind == "name":
        return "" if not value or is_name(value) else "has other characters than a-z, 0-9 and -"
    if kind == "host":
        return "" if is_host(value) else "is not a plain host name"
    if kind == "driver":
        parts = value.split(".")
        return "" if len(parts) > 1 and all(is_word(part) for part in parts) else "is not module.Class"
    # MQTT 3.1.1 section 1.5.3 forbids U+0000 and advises against the others; Wi-Fi keys have none either.
    control = any(ord(character) < 32 or ord(character) == 127 for character in value)
    return "has control characters" if control else ""


def _list_misfit(row, value):
    if not isinstance(value, list):
        return "is not a list"
    if len(value) < row[LOW]:
        return "has too few entries"
    if len(value) > row[HIGH]:
        return "has too many entries"
    for index, item in enumerate(value):
        if not isinstance(item, str):
            return "holds something else than texts in quotes"
        fits = is_host(item) if row[KIND] == "hosts" else is_word(item)
        if not fits or len(item) > (HOST_BYTES_MAX if row[KIND] == "hosts" else PROPERTY_BYTES_MAX):
            return "holds a name that cannot be one, or is too long"
        if row[KIND] == "props" and item in value[:index]:
            return "names one thing twice"
    return ""
