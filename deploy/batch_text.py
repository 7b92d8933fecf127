"""Settings as a text that a board reads. Law: what is written here, the board reads back exactly.

The subset of TOML in docs/settings.md: flat keys, [section], [[section]], one-line texts, whole numbers, true and
false, lists, inline tables.
"""

import re

_BARE = re.compile(r"[A-Za-z0-9_-]+")
_ESCAPES = {'"': '\\"', "\\": "\\\\", "\t": "\\t", "\n": "\\n", "\r": "\\r", "\b": "\\b", "\f": "\\f"}


def toml_text(settings: dict) -> str:
    """The text of a settings file; values that no board reads (a decimal, a date) become an empty list, which the
    board's reader then names as of the wrong kind."""
    parts = [f"{_name(key)} = {_value(value)}" for key, value in settings.items() if not _is_section(value)]
    for key, value in settings.items():
        if _is_section(value):
            tables = value if isinstance(value, list) else [value]
            header = f"\n[[{_name(key)}]]" if isinstance(value, list) else f"\n[{_name(key)}]"
            for table in tables:
                parts += [header, *(f"{_name(inner)} = {_value(entry)}" for inner, entry in table.items())]
    return "\n".join(parts) + "\n"


def _is_section(value) -> bool:
    if isinstance(value, list):
        return bool(value) and all(isinstance(entry, dict) for entry in value)
    return isinstance(value, dict)


def _name(key: str) -> str:
    return key if _BARE.fullmatch(key) else _text(key)


def _value(value) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):
        return str(value)
    if isinstance(value, str):
        return _text(value)
    if isinstance(value, list):
        return "[" + ", ".join(map(_value, value)) + "]"
    if isinstance(value, dict):
        pairs = [f"{_name(key)} = {_value(entry)}" for key, entry in value.items()]
        return "{ " + ", ".join(pairs) + " }" if pairs else "{}"
    return "[]"


def _text(text: str) -> str:
    return '"' + "".join(_escaped(character) for character in text) + '"'


def _escaped(character: str) -> str:
    if character in _ESCAPES:
        return _ESCAPES[character]
    return f"\\u{ord(character):04X}" if ord(character) < 32 or ord(character) == 127 else character
