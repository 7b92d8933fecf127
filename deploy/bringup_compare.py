"""Boards side by side. Law: an offset is from the median of the boards, and nobody says which board is right.

A record is one line of JSON among a console's other lines (docs/bringup.md, "The record").
"""

import json
from dataclasses import dataclass, field
from pathlib import Path
from statistics import median

from rich.markup import escape
from rich.table import Table

BYTES_MAX = 16 << 20
# farther from the median than this a board stands out: twice what data sheets of common parts give (from memory)
APART = {"Cel": 0.8, "%RH": 6.0, "Pa": 300.0, "V": 0.06, "dB": 3.0}
# a channel has 32 bits; more is nonsense
MEAN_MAX = 1 << 63
# of light, and of whatever else: a share of the median
APART_SHARE = 0.2
# median of one or two boards says nothing about either
BOARDS_MIN = 2


class Unreadable(Exception):
    """A file that holds no record; str() is one line."""


@dataclass
class Compared:
    """The table (None: nothing to compare), lines to print, and whether something is wrong."""

    table: Table | None
    lines: list[str] = field(default_factory=list)
    wrong: bool = False


def read(path: Path) -> list[dict]:
    """The records in a saved console, oldest first. Raises Unreadable."""
    try:
        if path.stat().st_size > BYTES_MAX:
            raise Unreadable(f"{path}: larger than {BYTES_MAX >> 20} MiB, which no console is")
        text = path.read_text(encoding="utf-8", errors="replace")
    except OSError as error:
        raise Unreadable(f"{path}: {error.strerror}") from None
    found = [record for record in map(_record, text.splitlines()) if record is not None]
    if not found:
        raise Unreadable(f"{path}: no bring-up record in it; its last line is the record, from {{ to }}")
    return found


def _record(line: str) -> dict | None:
    start = line.find("{")
    if start < 0:
        return None
    try:
        found = json.loads(line[start:])
    except (ValueError, RecursionError):
        return None
    if not isinstance(found, dict) or found.get("bringup") != 1:
        return None
    if not isinstance(found.get("items"), list) or not isinstance(found.get("numbers"), dict):
        return None
    return found


def compare(records: list[dict]) -> Compared:
    """Newest record of each board; boards are told apart by chip and label."""
    newest: dict[tuple, dict] = {}
    for record in records:
        newest[(str(record.get("chip", "")), str(record.get("label", "")))] = record
    boards = {_title(key, newest): record for key, record in newest.items()}
    found = Compared(_table(boards))
    for name, record in boards.items():
        for item in record["items"]:
            if isinstance(item, dict) and item.get("result") == "fail":
                found.wrong = True
                said = " | ".join(str(item[key]) for key in ("value", "limit", "do") if item.get(key))
                found.lines.append(f"{name}: {item.get('item')} ({item.get('fault')}): {said}")
    for line in _standing_out(boards):
        found.wrong = True
        found.lines.append(line)
    if not found.lines:
        found.lines.append(f"{len(boards)} board(s): nothing failed, and none stands out")
    return found


def _title(key: tuple, all_of_them) -> str:
    chip, label = key
    alone = sum(other[1] == label for other in all_of_them) == 1
    return label if label and alone else f"{label or 'no label'} {chip[-6:]}"


def _channels(boards: dict[str, dict]) -> dict[str, dict[str, float]]:
    """{"temperature [Cel]": {board: value}} of what two boards or more have."""
    found: dict[str, dict[str, float]] = {}
    for name, record in boards.items():
        for channel, entry in record["numbers"].items():
            value = _value(entry)
            if value is not None:
                found.setdefault(f"{channel} [{entry['unit']}]", {})[name] = value
    return {channel: values for channel, values in found.items() if len(values) >= BOARDS_MIN}


def _value(entry) -> float | None:
    """A figure of a record in its unit, None for anything else."""
    if not isinstance(entry, dict) or not isinstance(entry.get("unit"), str):
        return None
    mean, exponent = entry.get("mean"), entry.get("exponent")
    if type(mean) is not int or type(exponent) is not int or abs(exponent) > 12 or abs(mean) > MEAN_MAX:
        return None
    return mean * 10.0**exponent


def _limit(channel: str, middle: float) -> float:
    unit = channel.rpartition(" [")[2].rstrip("]")
    return APART.get(unit, APART_SHARE * abs(middle))


def _table(boards: dict[str, dict]) -> Table | None:
    channels = _channels(boards)
    if not channels:
        return None
    table = Table(title="offset from the median", title_justify="left")
    table.add_column("channel", overflow="fold")
    table.add_column("median", justify="right")
    for name in boards:
        table.add_column(escape(name), justify="right", overflow="fold")
    for channel, values in channels.items():
        middle = median(values.values())
        limit = _limit(channel, middle)
        cells = [_cell(values.get(name), middle, limit) for name in boards]
        table.add_row(escape(channel), f"{middle:.3f}", *cells)
    return table


def _cell(value: float | None, middle: float, limit: float) -> str:
    if value is None:
        return ""
    return f"{value - middle:+.3f}" + (" !" if abs(value - middle) > limit else "")


def _standing_out(boards: dict[str, dict]) -> list[str]:
    lines = []
    for channel, values in _channels(boards).items():
        middle = median(values.values())
        for name, value in values.items():
            if abs(value - middle) > _limit(channel, middle):
                lines.append(
                    f"{name}: {channel} is {value - middle:+.3f} from the median, "
                    f"more than {_limit(channel, middle):.3f}: let them lie in one place for an hour, and look again"
                )
    return lines
