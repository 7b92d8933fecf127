"""Which words of a node's settings nobody may see. Law: a password is found in the forms in which it could get out.

That is as it is and escaped as in JSON. A password that is part of what is no secret (the node's name, a network's,
a channel's) cannot be told from it and is left out; so is one of fewer than SHORTEST characters.
"""

import json

SHORTEST = 6
_PUBLIC_KEYS = ("ssid", "driver", "label", "name", "rail", "pin", "bus", "host", "client_id", "username", "ca")


def secrets(settings: dict) -> list[bytes]:
    """The passwords in settings (as tomllib reads them), each in all its forms."""
    public = "torpor " + " ".join(_public(settings))
    found: dict[bytes, None] = {}
    for text in _passwords(settings):
        if len(text) >= SHORTEST and text not in public:
            for form in (text, json.dumps(text)[1:-1], json.dumps(text, ensure_ascii=False)[1:-1]):
                found[form.encode()] = None
    return list(found)


def _tables(settings: dict):
    for value in settings.values():
        for table in value if isinstance(value, list) else [value]:
            if isinstance(table, dict):
                yield table


def _passwords(settings: dict):
    for table in _tables(settings):
        text = table.get("password")
        if isinstance(text, str):
            yield text


def _public(settings: dict):
    yield str(settings.get("node", ""))
    for table in _tables(settings):
        for key in _PUBLIC_KEYS:
            if isinstance(table.get(key), str):
                yield table[key]
