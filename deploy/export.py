"""Readings as files for whatever a person plots with. Law: a file is there as a whole, or as it was before.

One row a reading, one column a channel, named with its unit: `temperature [Cel]`. A CSV has the numbers with the
decimals that the node wrote; a Parquet file has them as the nearest doubles. An absent value is an empty cell, and
`channel_flags` says why.
"""

import csv
import os
import time
from collections.abc import Iterable
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

ROWS = 10_000
COLUMNS = ("time", "node", "place", "eui", "ring", "seq", "uncertainty_s", "flags", "channel_flags")


class ExportError(Exception):
    """The file cannot be written; str() is one line."""


@dataclass
class Row:
    """A reading. values: {(channel, unit): (digits or None, exponent, flags)}; time_s: None where nobody knows."""

    time_s: int | None
    node: str
    place: str | None
    eui: str
    ring: str
    seq: int
    uncertainty_s: int | None
    flags: int
    values: dict[tuple[str, str], tuple[int | None, int, int]]


def text_of(digits: int, exponent: int) -> str:
    """digits x 10^exponent, exactly: (2310, -2) is "23.10"."""
    if exponent >= 0:
        return str(digits * 10**exponent)
    figures = str(abs(digits)).rjust(1 - exponent, "0")
    return f"{'-' if digits < 0 else ''}{figures[:exponent]}.{figures[exponent:]}"


def column_of(channel: tuple[str, str]) -> str:
    return f"{channel[0]} [{channel[1]}]" if channel[1] else channel[0]


def utc(time_s: int) -> str:
    return time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(time_s))


def _channel_flags(row: Row) -> str:
    return " ".join(f"{name}={bits}" for (name, _), (_, _, bits) in sorted(row.values.items()) if bits)


@contextmanager
def _staged(path: Path):
    """A name beside `path`, which becomes `path` when the block ends without an exception."""
    if path.is_dir():
        raise ExportError(f"{path}: is a folder")
    stage = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        yield stage
        stage.replace(path)
    except OSError as error:
        raise ExportError(f"{path}: cannot be written: {error.strerror or error}") from None
    finally:
        try:
            stage.unlink(missing_ok=True)
        except OSError:
            pass  # its folder is not there


def write_csv(path: Path, rows: Iterable[Row], channels: list[tuple[str, str]]) -> int:
    """The rows as CSV (RFC 4180, UTF-8); how many there were. Raises ExportError."""
    count = 0
    with _staged(path) as stage, stage.open("w", newline="", encoding="utf-8") as stream:
        writer = csv.writer(stream)
        writer.writerow([*COLUMNS, *map(column_of, channels)])
        for row in rows:
            count += 1
            cells = [row.values.get(channel, (None,))[:2] for channel in channels]
            writer.writerow(
                [
                    utc(row.time_s) if row.time_s is not None else "",
                    *(row.node, row.place or "", row.eui, row.ring, row.seq, row.uncertainty_s, row.flags),
                    _channel_flags(row),
                    *["" if cell[0] is None else text_of(*cell) for cell in cells],
                ]
            )
    return count


def write_text(path: Path, text: str) -> None:
    """A text in UTF-8. Raises ExportError."""
    with _staged(path) as stage:
        stage.write_text(text, encoding="utf-8")


def write_parquet(path: Path, rows: Iterable[Row], channels: list[tuple[str, str]]) -> int:
    """The rows as Parquet; how many there were. Raises ExportError."""
    try:
        import pyarrow
        from pyarrow import parquet
    except ImportError:
        raise ExportError("Parquet needs pyarrow: pip install 'torpor[parquet]'") from None
    text = pyarrow.string()
    kinds = {"time": pyarrow.timestamp("ms", tz="UTC"), "seq": pyarrow.int64(), "uncertainty_s": pyarrow.int64()}
    kinds["flags"] = pyarrow.int32()
    fields = [(name, kinds.get(name, text)) for name in COLUMNS]
    schema = pyarrow.schema(fields + [(column_of(channel), pyarrow.float64()) for channel in channels])
    count = 0
    with _staged(path) as stage, parquet.ParquetWriter(stage, schema, compression="zstd") as writer:
        for some in _groups(rows):
            columns = list(zip(*[_cells(row, channels) for row in some], strict=True))
            writer.write_table(pyarrow.table(dict(zip(schema.names, columns, strict=True)), schema=schema))
            count += len(some)
    return count


def _groups(rows: Iterable[Row]):
    some: list[Row] = []
    for row in rows:
        some.append(row)
        if len(some) == ROWS:
            yield some
            some = []
    if some:
        yield some


def _cells(row: Row, channels: list[tuple[str, str]]) -> tuple:
    numbers = []
    for channel in channels:
        digits, exponent = row.values.get(channel, (None, 0))[:2]
        # by way of the text, which is read to the nearest double
        numbers.append(None if digits is None else float(f"{digits}e{exponent}"))
    return (
        row.time_s * 1000 if row.time_s is not None else None,
        *(row.node, row.place, row.eui, row.ring, row.seq, row.uncertainty_s, row.flags),
        _channel_flags(row) or None,
        *numbers,
    )
