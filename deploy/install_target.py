"""What files are put on. Law: a target does one file operation at a time, in the order in which it is asked.

Every target (install_folder.py, install_image.py, install_serial.py) has these methods, `where` it is, `proof` (what
a verified file proves) and `mpy` (sys.implementation._mpy, None: not known). Paths have no leading slash; what cannot
be done is an OSError with its errno.

    names(folder)           {name: it is a folder}, None: no such folder
    read(path)              the bytes, None: no such file
    create(path, data)      a file, new or anew; its folder is there
    overwrite(path, data)   of the same length, in place: no other sector of the file system but its date changes
    move(old, new)          in the place of a file that may be there
    remove(path)            a file
    make_folder(path)
    remove_folder(path)     an empty one
    sync()                  everything so far is on the medium before anything that follows
    fresh()                 what follows is read from the medium, as far as `proof` says
    digest(path)            SHA-256 in hexadecimal; None: no such file
    room()                  (free bytes, bytes that a file takes at least)
    close()
"""

import errno
import re

FOR_CIRCUITPYTHON, FOR_MICROPYTHON = "circuitpython", "micropython"


class TargetError(Exception):
    """The target cannot be used; str() is one line: what, where, what to do."""


def board_of(boot_out: bytes | None) -> str | None:
    """The first line of boot_out.txt, which CircuitPython writes itself; None where it is not CircuitPython's."""
    line = (boot_out or b"").decode("utf-8", "replace").partition("\n")[0].strip()
    return line if "CircuitPython" in line else None


def circuitpython_version(board: str) -> tuple[int, ...] | None:
    """(major, minor, patch) of what boot_out.txt says, None where it says none."""
    found = re.search(r"CircuitPython (\d+)\.(\d+)\.(\d+)", board)
    return tuple(map(int, found.groups())) if found else None


def explained(where: str, error: OSError) -> str:
    """One line about what an OSError in the middle of the work means here."""
    why = {
        errno.ENOSPC: "it is full: take files off it, and run the same command again",
        errno.EROFS: "it is read-only: look for a switch on the board, or a program that holds its own drive;"
        " CircuitPython in safe mode lets go of it",
        errno.EACCES: "it must not be written by this user: mount it so that it can be",
    }.get(error.errno, f"{error.strerror or error}: plug it in again, and run the same command again; it goes on")
    return f"{where}: {why}"
