"""Where a report is written. Law: a folder gets a whole report, or is left exactly as it was.

A run writes into a hidden folder beside or in the wanted one; only its finished files are moved to their place.
"""

import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

FILES = ("events.jsonl", "report.json", "report.html")


class FolderError(Exception):
    """The folder cannot be used; str() is one line."""


@contextmanager
def staged(out: Path) -> Iterator[Path]:
    """A folder to write FILES into; they go to `out` when the block ends without an exception.

    Raises FolderError before the block where `out` cannot become a folder with these files in it, and after it where
    they cannot be moved.
    """
    try:
        stage = Path(tempfile.mkdtemp(prefix=".torpor-", dir=_home(out)))
    except OSError as error:
        raise FolderError(f"{out}: no report can be written there: {error.strerror}") from None
    try:
        yield stage
        _deliver(stage, out)
    finally:
        shutil.rmtree(stage, ignore_errors=True)


def _home(out: Path) -> Path:
    """The folder itself, or the nearest one above it that exists: on the same disk as `out` will be."""
    home = out
    while not _is_there(home):
        home = home.parent
    if not home.is_dir():
        raise FolderError(f"{home}: is not a folder")
    for name in FILES if home == out else ():
        if (out / name).is_dir():
            raise FolderError(f"{out / name}: is a folder, and the report has a file of this name")
    return home


def _is_there(path: Path) -> bool:
    """True also for a link that leads nowhere, which must not be written through."""
    try:
        path.lstat()
    except (FileNotFoundError, NotADirectoryError):
        return False
    except OSError as error:
        raise FolderError(f"{path}: {error.strerror}") from None
    return True


def _deliver(stage: Path, out: Path) -> None:
    try:
        out.mkdir(parents=True, exist_ok=True)
        for name in FILES:
            (stage / name).replace(out / name)
    except OSError as error:
        raise FolderError(f"{error.filename or out}: {error.strerror}") from None
