"""Tables that a command keeps in a page. Law: what stands outside its markers stays as it is, byte for byte.

The markers of `name` are <!-- name: begin --> and <!-- name: end -->, once each.
"""

import os
from pathlib import Path


class Unusable(Exception):
    """A file is not what it should be; str() is one line."""


def placed(page: Path, name: str, text: str) -> bytes:
    """The page with the text between its markers. Raises Unusable."""
    try:
        whole = page.read_bytes()
    except OSError as error:
        raise Unusable(f"{page}: {error.strerror or error}") from None
    begin, end = (f"<!-- {name}: {edge} -->" for edge in ("begin", "end"))
    for marker in (begin, end):
        if whole.count(marker.encode()) != 1:
            raise Unusable(f"{page}: must have {marker} once, has it {whole.count(marker.encode())} times")
    before, _, rest = whole.partition(begin.encode())
    _, found, after = rest.partition(end.encode())
    if not found:
        raise Unusable(f"{page}: {end} stands before {begin}")
    return b"\n".join((before + begin.encode(), text.encode(), end.encode() + after))


def write(page: Path, name: str, text: str) -> None:
    """Put the text between the markers of the page. Raises Unusable."""
    put(page, placed(page, name, text))


def put(file: Path, data: bytes) -> None:
    """The file is the old one or the new one, whatever happens. Raises Unusable."""
    beside = file.with_name(f".{file.name}.new")
    try:
        beside.write_bytes(data)
        os.replace(beside, file)
    except OSError as error:
        beside.unlink(missing_ok=True)
        raise Unusable(f"{file}: {error.strerror or error}") from None
