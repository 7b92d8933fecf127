"""Writes docs/settings.md. Law: the page says only what the table of keys and the template say.

python docs/make_settings.py           writes the page
python docs/make_settings.py --check   exits with 1 when the page on disk is another one
"""

import json
import sys
from pathlib import Path

from torpor import settings, settings_table, toml
from torpor.settings_table import DEFAULT, HIGH, KEY, KIND, LOW, SENTENCE, UNIT

HERE = Path(__file__).resolve().parent
PAGE = HERE / "settings.md"
TEMPLATE = HERE.parent / "firmware" / "settings.toml"
KINDS = {
    "int": "whole number",
    "bool": "true or false",
    "text": "text",
    "secret": "text, secret",
    "key": "text, secret",
    "name": "text of a-z, 0-9, -",
    "host": "host name",
    "hosts": "list of host names",
    "ipv4": "IPv4 address",
    "driver": "module.Class",
    "props": "list of names",
    "choice": "one of",
}
COUNTED = {"props": "entries", "hosts": "entries", "int": ""}


def page():
    """The whole page as text."""
    introduction = INTRODUCTION.format(
        size_max=toml.SIZE_MAX,
        values_max=toml.VALUES_MAX,
        depth_max=toml.DEPTH_MAX,
        example=TEMPLATE.read_text(),
        remote=" and ".join(f"`{key}`" for key in settings.REMOTE).replace(" and ", ", ", 1),
    )
    parts = [introduction]
    for name, repeated, fewest, most, sentence, _ in settings_table.SECTIONS:
        title = "Flat keys" if not name else f"[[{name}]]" if repeated else f"[{name}]"
        count = f" From {fewest} to {most} of them." if repeated else ""
        parts.append(f"## {title}\n\n{sentence}{count}\n\n{_table(name)}")
    return "\n".join(parts)


def _table(section):
    lines = ["| key | type, unit | bounds | default | meaning |", "|---|---|---|---|---|"]
    rows = settings_table.explain(section)
    lines += [_line(row[KEY], row) for row in rows]
    if section == "rails":
        lines.append(_line("your name", settings_table.RAIL))
    return "\n".join(lines) + "\n"


def _line(key, row):
    shown = f"`{key}`" if row[KEY] else key
    kind = KINDS[row[KIND]] + (f", {row[UNIT]}" if row[UNIT] else "")
    default = "required" if row[DEFAULT] is None else f"`{json.dumps(row[DEFAULT])}`"
    return f"| {shown} | {kind} | {_bounds(row)} | {default} | {row[SENTENCE]} |"


def _bounds(row):
    if row[KIND] == "choice":
        return ", ".join(f'`"{choice}"`' for choice in row[LOW])
    if row[LOW] is None:
        return ""
    counted = COUNTED.get(row[KIND], "bytes")
    return f"{row[LOW]} to {row[HIGH]} {counted}".rstrip() + (", or empty" if row[KIND] == "key" else "")


INTRODUCTION = """# Settings

This page is written by `docs/make_settings.py` from the table of keys on which the board itself works:
change `firmware/torpor/settings_table.py`, not this page.

`settings.toml` lies at the root of the board and is the one file that you edit. Every key has its type, its
bounds and a default, and its unit stands in its name. A file with a mistake in it is refused as a whole.
Every mistake is named at once, each with its line and a remedy; only a slip in the notation itself comes
alone, since what follows it cannot be read. No message repeats a password.

## A full example

```toml
{example}```

## What the file may contain

TOML 1.0, less what a board has no use for: comments, `[section]`, `[[section]]`, names without dots, texts
on one line in `"` or `'`, whole numbers of 64 bits, `true` and `false`, lists, inline tables; at most
{size_max} bytes, {values_max} values, and lists or tables {depth_max} deep. What is accepted means what it
means to any other reader of TOML 1.0. Decimals, dates, texts over several lines and dotted names are
refused: a smaller unit makes a whole number of every decimal.

Flat keys come first, because CircuitPython stops at the first line that begins with `[` when it looks for
keys of its own (`CIRCUITPY_...`). Those are let through. Three are refused, `CIRCUITPY_WIFI_SSID`,
`CIRCUITPY_WIFI_PASSWORD` and `CIRCUITPY_WEB_API_PASSWORD`: with them the platform joins a network before
any code runs, so the radio would come on before the sensors are read.

A channel has the name of the sensor's property, with the label and a hyphen in front where there is a
label, or the name of the analog input. All names of a node differ, and there is at least one.

A message from the broker may change {remote} within the same bounds, and nothing else.
"""


def main(arguments):
    """Write or check the page; returns the exit status."""
    if arguments == ["--check"]:
        current = PAGE.exists() and PAGE.read_text() == page()
        print("docs/settings.md is current" if current else "docs/settings.md is stale: run docs/make_settings.py")
        return 0 if current else 1
    if arguments:
        print(__doc__)
        return 2
    PAGE.write_text(page())
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
