"""One settings.toml for each board of a batch. Law: a file that somebody else wrote is never touched, and each file
is the old one or the new one, whole, at every moment."""

import os
import tempfile
from pathlib import Path

HEADER = "Written by torpor check --write: edit the batch file, and write it again."
FILE = "settings.toml"


class NotWritten(Exception):
    """A folder cannot be used; str() is one line."""


def write(folder: Path, boards: dict[str, tuple[str, Path | None]]) -> list[Path]:
    """Write FOLDER/NAME/settings.toml for each {name: (text, certificate)}, and the certificate beside it.

    Returns the settings files. All places are looked at before the first is written; what an interruption leaves out,
    the next run writes. Raises NotWritten.
    """
    for name in boards:
        _refuse_foreign(folder / name / FILE)
    for name, (text, ca) in boards.items():
        path = folder / name / FILE
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            _replace(path, f"# {HEADER}\n\n{text}".encode())
            if ca is not None:
                _replace(path.parent / ca.name, ca.read_bytes())
        except OSError as error:
            raise NotWritten(f"{path.parent}: {error.strerror or error}") from None
    return [folder / name / FILE for name in boards]


def _refuse_foreign(path: Path) -> None:
    try:
        if path.is_symlink() or not path.exists():
            there = path.is_symlink()
        else:
            with path.open("rb") as stream:
                there = not stream.read(len(HEADER) + 2).endswith(HEADER.encode())
    except OSError as error:
        raise NotWritten(f"{path}: {error.strerror}") from None
    if there:
        raise NotWritten(f"{path}: was not written by torpor check --write; move it away, or name another folder")


def _replace(path: Path, data: bytes) -> None:
    """The new content in one step. Passwords are in it: for nobody else to read."""
    handle, name = tempfile.mkstemp(prefix=".torpor-", dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
        os.replace(name, path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise
