"""What a node would say of a settings file. Law: the words are the node's own reader's, and it has the last word."""

from typing import NamedTuple

from torpor import settings, settings_table
from torpor.sensors import quantities


class Problem(NamedTuple):
    """One mistake: `line` from 1, `key` such as "network#1.ssid" ("" for the file), what is wrong, what to do."""

    line: int
    key: str
    reason: str
    remedy: str


def judged(data: bytes) -> tuple[dict | None, list[Problem]]:
    """(complete settings, []) as a node would use them, or (None, every problem of the file)."""
    try:
        return settings.read(data), []
    except settings.SettingsError as error:
        return None, [Problem(line, _shown(key), reason, remedy) for line, key, reason, remedy in error.problems]


def refusal(data: bytes) -> tuple[int | None, str] | None:
    """(line, reason) of the first problem, with the number of further ones; None for a file that a node takes."""
    _, problems = judged(data)
    if not problems:
        return None
    line, place, reason, remedy = problems[0]
    more = len(problems) - 1
    text = (f"{place}: " if place else "") + f"{reason}; {remedy}"
    return line, text + (f" (and {more} more)" if more else "")


def without_unit(complete: dict) -> list[tuple[int, str]]:
    """(index of the sensor, property) of what is read and goes out as a mere number, by complete settings."""
    own = {entry["property"] for entry in complete["quantity"]}
    return [
        (index, name)
        for index, sensor in enumerate(complete["sensor"])
        for name in sensor["read"]
        if name not in own and name not in quantities.QUANTITIES
    ]


def _shown(key: str) -> str:
    """The key as far as its parts are known names: a password in the wrong place looks like any other."""
    if key in settings.JOINS_EARLY:
        return key
    sections = [row[0] for row in settings_table.SECTIONS]
    parts = []
    for part in key.split(".") if key else ():
        if not settings_table.sections_of(part) and part.partition("#")[0] not in sections:
            return f"{'.'.join(parts)}, a name" if parts else "a name"
        parts.append(part)
    return ".".join(parts)
