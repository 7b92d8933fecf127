"""What the table's figures are kept in. Law: a file is the old one or the new one, and another's file is left alone.

The file is {"schema": 1, "pieces": [...]}; a piece is what faults_parts.made returns.
"""

import json
import os
from pathlib import Path

SCHEMA = 1
BEGIN, END = "<!-- figures: begin -->", "<!-- figures: end -->"
KEYS = {
    "part",
    "command",
    "key",
    "status",
    "commit",
    "changes",
    "sources",
    "wall_s",
    "processors",
    "python",
    "figures",
}


class Unusable(Exception):
    """A file is not what it should be; str() is one line."""


def load(file: Path) -> list[dict]:
    """The pieces in it. Raises Unusable."""
    try:
        found = json.loads(file.read_text(encoding="utf-8"))
    except OSError as error:
        raise Unusable(f"{file}: {error.strerror or error}") from None
    except ValueError:
        raise Unusable(f"{file}: is no JSON") from None
    pieces = found.get("pieces") if isinstance(found, dict) and found.get("schema") == SCHEMA else None
    if not isinstance(pieces, list) or not all(isinstance(piece, dict) and piece.keys() >= KEYS for piece in pieces):
        raise Unusable(f"{file}: has no figures of this command")
    return pieces


def save(file: Path, pieces: list[dict]) -> None:
    """Raises Unusable."""
    _put(file, (json.dumps({"schema": SCHEMA, "pieces": pieces}, indent=1) + "\n").encode())


def placed(page: Path, text: str) -> bytes:
    """The page with the text between its markers, and no other byte of it changed. Raises Unusable."""
    try:
        whole = page.read_bytes()
    except OSError as error:
        raise Unusable(f"{page}: {error.strerror or error}") from None
    begin, end = BEGIN.encode(), END.encode()
    for marker in (begin, end):
        if whole.count(marker) != 1:
            raise Unusable(f"{page}: must have {marker.decode()} once, has it {whole.count(marker)} times")
    before, _, rest = whole.partition(begin)
    _, found, after = rest.partition(end)
    if not found:
        raise Unusable(f"{page}: {END} stands before {BEGIN}")
    return before + begin + b"\n" + text.encode() + b"\n" + end + after


def write(page: Path, text: str) -> None:
    """Put the text between the markers of the page. Raises Unusable."""
    _put(page, placed(page, text))


def _put(file: Path, data: bytes) -> None:
    beside = file.with_name(f".{file.name}.new")
    try:
        beside.write_bytes(data)
        os.replace(beside, file)
    except OSError as error:
        beside.unlink(missing_ok=True)
        raise Unusable(f"{file}: {error.strerror or error}") from None
