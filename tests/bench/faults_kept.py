"""What the table's figures are kept in. Law: another's file is left alone.

The file is {"schema": 1, "pieces": [...]}; a piece is what faults_parts.made returns.
"""

import json
from pathlib import Path

from marked_page import Unusable, put

SCHEMA = 1
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
    put(file, (json.dumps({"schema": SCHEMA, "pieces": pieces}, indent=1) + "\n").encode())
