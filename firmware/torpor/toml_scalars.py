"""Bytes, escapes and unquoted values of the settings text. Law: pure functions that answer with a result or a
reason, raise nothing, and never put text of the file into a reason."""

_NOT_UTF8 = "the bytes here are not UTF-8: save the file as UTF-8"
_HEX = "0123456789abcdefABCDEF"
_BASES = {"0x": (16, _HEX), "0o": (8, _HEX[:8]), "0b": (2, _HEX[:2])}
# the byte after a backslash -> the byte that it stands for: b t n f r " and the backslash
_ESCAPES = {98: 8, 116: 9, 110: 10, 102: 12, 114: 13, 34: 34, 92: 92}


def first_bad_byte(data):
    """Find what TOML allows nowhere: bad UTF-8 (RFC 3629), a control character, a lone carriage return.

    Returns (line, reason), or (0, "") when all is well.
    """
    if data[:3] == b"\xef\xbb\xbf":
        return 1, "the file begins with a byte order mark: save it as plain UTF-8"
    line, pending, low, high, previous = 1, 0, 0x80, 0xBF, 0
    for byte in data:
        if previous == 13 and byte != 10:
            return line, "a carriage return without a line feed: save the file with ordinary line ends"
        if pending:
            if not low <= byte <= high:
                return line, _NOT_UTF8
            pending, low, high = pending - 1, 0x80, 0xBF
        elif byte >= 0x80:
            if not 0xC2 <= byte <= 0xF4:
                return line, _NOT_UTF8
            pending = 1 if byte < 0xE0 else 2 if byte < 0xF0 else 3
            # second byte: no overlong form, no surrogate, nothing above U+10FFFF (RFC 3629 section 4)
            low = 0xA0 if byte == 0xE0 else 0x90 if byte == 0xF0 else 0x80
            high = 0x9F if byte == 0xED else 0x8F if byte == 0xF4 else 0xBF
        elif byte == 10:
            line += 1
        elif byte == 127 or (byte < 32 and byte not in (9, 13)):
            return line, "a control character stands here: delete it"
        previous = byte
    if pending or previous == 13:
        return line, "the file ends in the middle of a character or of a line end: it was cut off"
    return 0, ""


def escape(data, pos):
    """Read the escape whose backslash stands before `pos`: (bytes used, UTF-8), or (0, b"") if unknown."""
    kind = data[pos] if pos < len(data) else 0
    if kind in _ESCAPES:
        return 1, bytes((_ESCAPES[kind],))
    size = 4 if kind == 117 else 8 if kind == 85 else 0  # \uXXXX, \UXXXXXXXX
    digits = data[pos + 1 : pos + 1 + size]
    if not size or len(digits) < size or any(chr(digit) not in _HEX for digit in digits):
        return 0, b""
    code = int(str(digits, "utf-8"), 16)
    if code > 0x10FFFF or 0xD800 <= code <= 0xDFFF:
        return 0, b""
    return 1 + size, chr(code).encode()


def plain(token):
    """Read an unquoted value; returns (bool or int, "") or (None, reason)."""
    if token in ("true", "false"):
        return token == "true", ""
    value = _integer(token)
    if value is None:
        return None, _why_not(token)
    if value >> 63 not in (0, -1):
        return None, "this number is too large: 64 bits at most"
    return value, ""


def _integer(token):
    base, digits = 10, _HEX[:10]
    body = token[1:] if token[:1] in ("+", "-") else token
    if token[:2] in _BASES:
        base, digits = _BASES[token[:2]]
        body = token[2:]
    elif len(body) > 1 and body[0] == "0":
        return None
    previous = "_"  # so that an underscore needs a digit on either side
    for character in body:
        if character not in digits and (character != "_" or previous == "_"):
            return None
        previous = character
    if previous == "_":
        return None
    body = body.replace("_", "").lstrip("0") or "0"
    if len(body) > 64:  # longer than a 64-bit number in any base: spares the board a huge integer
        return 1 << 64
    value = int(body, base)
    return -value if token[0] == "-" else value


def _why_not(token):
    if not token:
        return "a value is missing here"
    if token.lower() in ("true", "false", "yes", "no", "on", "off"):
        return "write true or false, in small letters"
    number_like = all(character in "+-.:_0123456789eETZ" for character in token) and token.count(".") < 2
    if number_like and (":" in token or token[4:5] == "-"):
        return "dates and times are not read on a board: write a whole number"
    if number_like and ("." in token or "e" in token or "E" in token) or token[-3:] in ("inf", "nan"):
        return "decimals are not read on a board: use a whole number in a smaller unit"
    if token[0] in "+-.0123456789":
        return "this is no whole number (digits only, no 0 in front, no unit); a text needs quotes"
    return "this is no value: a text stands in quotes, a number has digits only"
