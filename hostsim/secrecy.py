"""Which words of a node's settings nobody may see. Law: a password is found in the forms in which it could get out.

That is as it is and escaped as in JSON. A password that is part of what is no secret (the node's name, a network's,
a channel's) cannot be told from it and is left out. One of fewer than SHORTEST characters stands in many a text by
chance: it is looked for between quotation marks, where a text that gets out stands in JSON, in TOML, and in what an
exception says; and not at all where a word of the formats is written the same way.
"""

import json
import re

SHORTEST = 6
_PUBLIC_KEYS = ("ssid", "driver", "label", "name", "rail", "pin", "bus", "host", "client_id", "username", "ca")
_PUBLIC_KEYS += ("property", "unit")
# what stands between quotation marks in packs, health and log, of up to five characters: keys (docs/formats.md), and
# the units of RFC 8428 section 12.1
_WORDS = (
    "bn bt n v vs u t_s node event seq ring run head gone time clock state known join tls card id set last "
    "m kg g s A K cd mol Hz rad sr N Pa J W C V F Ohm S Wb T H Cel lm lx Bq Gy Sv kat m2 m3 l m/s m/s2 m3/s l/s W/m2 "
    "bit bit/s lat lon pH dB dBW Bspl count / % %RH %EL EL 1/s 1/min beats S/m"
)
_TAKEN = frozenset(_WORDS.split())
_PLAIN = re.compile(r"[\w%/-]+")


def secrets(settings: dict) -> list[bytes]:
    """The passwords in settings (as tomllib reads them), each in all its forms."""
    public = list(_public(settings))
    known = "torpor " + " ".join(public)
    found: dict[bytes, None] = {}
    for text in _passwords(settings):
        if len(text) >= SHORTEST and text not in known:
            for form in (text, json.dumps(text)[1:-1], json.dumps(text, ensure_ascii=False)[1:-1]):
                found[form.encode()] = None
        elif len(text) < SHORTEST and text not in _TAKEN and text not in public and _PLAIN.fullmatch(text):
            for form in (json.dumps(text), json.dumps(text, ensure_ascii=False), f"'{text}'"):
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
        read = table.get("read")
        if isinstance(read, list):
            yield from (name for name in read if isinstance(name, str))
