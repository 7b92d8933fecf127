"""Which board, and what it is to get. Law: the settings that count are those that the board will have afterwards."""

from pathlib import Path
from typing import NamedTuple

from deploy.install_folder import Folder
from deploy.install_image import Image
from deploy.install_plan import SETTINGS
from deploy.install_serial import Serial
from deploy.install_target import (
    FOR_CIRCUITPYTHON,
    FOR_MICROPYTHON,
    TargetError,
    board_of,
    circuitpython_version,
)
from hostsim.runtimes import settings_check

BOOT_OUT = "boot_out.txt"
OLDEST = (9, 2, 0)  # docs/boards.md


class SettingsWanted(Exception):
    """The settings are missing or wrong; str() is one line."""


class Wanted(NamedTuple):
    """kind: circuitpython or micropython; board: in words; files: {path: bytes} of settings and CA that are written;
    drivers: as the settings have them; notes: for a person."""

    kind: str
    board: str
    files: dict[str, bytes]
    drivers: list[str]
    notes: list[str]


def find_target(to: Path | None, serial: str | None, wait_s: float):
    """A target (install_target.py). Raises TargetError, OSError."""
    if (to is None) == (serial is None):
        raise TargetError("name the board: either --to PATH or --serial PORT")
    if serial is not None:
        return Serial(serial, wait_s)
    return Image(to) if to.is_file() else Folder(to)


def wanted(target, settings: Path | None, named: str | None, ca: Path | None, replace: bool) -> Wanted:
    """Raises TargetError, SettingsWanted, OSError."""
    kind, board = _board(target, named)
    notes: list[str] = []
    on_board = target.read(SETTINGS)
    given = _read(settings) if settings is not None else None
    if replace and given is None:
        raise SettingsWanted("--replace-settings: name the settings to put in their place")
    if on_board is None and given is None:
        raise SettingsWanted(f"{target.where}: has no settings.toml yet: name the file with the board's settings")
    kept = on_board is not None and not replace
    data, shown = (on_board, f"{SETTINGS} on the board") if kept else (given, str(settings))
    if kept and given is not None and given != on_board:
        notes.append(
            f"note: the settings on the board stay, and differ from {settings}: --replace-settings puts it there"
        )
    refused = settings_check.refusal(data)
    if refused is not None:
        line, reason = refused
        raise SettingsWanted(f"{shown}{f':{line}' if line else ''}: {reason}")
    complete, _ = settings_check.judged(data)
    files = {} if kept else {SETTINGS: data}
    files.update(_certificate(target, complete["broker"], settings, ca, replace))
    drivers = [entry["driver"] for entry in complete["sensor"]]
    return Wanted(kind, board, files, drivers, notes)


def _board(target, named: str | None) -> tuple[str, str]:
    if named not in (None, FOR_CIRCUITPYTHON, FOR_MICROPYTHON):
        raise TargetError(f"--for: must be {FOR_CIRCUITPYTHON} or {FOR_MICROPYTHON}")
    if isinstance(target, Serial):
        if named == FOR_CIRCUITPYTHON:
            raise TargetError("--for circuitpython: such a board gets --to its drive, not --serial")
        return FOR_MICROPYTHON, target.board
    found = board_of(target.read(BOOT_OUT))
    if found is not None:
        if named == FOR_MICROPYTHON:
            raise TargetError(f"{target.where}: is a CircuitPython board's drive ({found}), not MicroPython's")
        version = circuitpython_version(found)
        if version is not None and version < OLDEST:
            oldest = ".".join(map(str, OLDEST[:2]))
            raise TargetError(f"{target.where}: {found}: at least {oldest} is needed (docs/boards.md)")
        return FOR_CIRCUITPYTHON, found
    if named is None:
        raise TargetError(
            f"{target.where}: is not a board's drive: it has no {BOOT_OUT}; for a drive or an image of a board that"
            " writes none, say --for micropython or --for circuitpython"
        )
    return named, f"named as {named}"


def _read(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise SettingsWanted(f"{path}: {error.strerror}") from None


def _certificate(target, broker: dict, settings: Path | None, ca: Path | None, replace: bool) -> dict[str, bytes]:
    """{path: bytes} of the CA that the board lacks, or that is to be replaced."""
    if not broker["tls"] or not broker["ca"]:
        if ca is not None:
            raise SettingsWanted("--ca: these settings use no TLS")
        return {}
    path = broker["ca"].lstrip("/")
    beside = settings.parent / Path(path).name if settings is not None else None
    source = ca if ca is not None else beside if beside is not None and beside.is_file() else None
    there = target.read(path)
    if there is not None and (source is None or not (replace or ca is not None)):
        return {}
    if source is None:
        raise SettingsWanted(
            f"the settings want the broker's CA as /{path}, and it is neither on the board nor beside the settings:"
            " name it with --ca FILE"
        )
    data = _read(source)
    if b"-----BEGIN CERTIFICATE-----" not in data:
        raise SettingsWanted(f"{source}: holds no certificate in PEM")
    return {path: data}
