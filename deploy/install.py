"""`torpor install`: firmware, settings and drivers onto a board. Law: status 2 and one line where it cannot be done.

The work is in install_plan.py and install_steps.py, the boards are in install_folder.py, install_image.py and
install_serial.py, and docs/install.md says what an interruption leaves.
"""

from contextlib import closing, contextmanager
from pathlib import Path
from typing import Annotated

import typer

from deploy import (
    install_compile,
    install_contents,
    install_image_disk,
    install_plan,
    install_steps,
    install_words,
    printing,
)
from deploy import install_slots as slots
from deploy.install_chosen import SettingsWanted, find_target, wanted
from deploy.install_target import TargetError, explained

BAD_INPUT, INTERRUPTED = 2, 130
SALTS = 10
HELP = """Put firmware, settings and the drivers that they name on a board.

SETTINGS is the board's settings.toml; it may be left out where the board has
one. Settings that are on the board stay, unless --replace-settings is given.
An interruption leaves the old or the new firmware, never a mixture: run the
same command again. docs/install.md says how, and what a verified file proves.

\b
Exit status:
  0    the board has what was asked for, and every file was verified
  2    it cannot be done; one line says why, and what ran before still does
  130  interrupted; what ran before still does"""


def register(app: typer.Typer) -> None:
    """Add the command to the app."""
    app.command(help=HELP, short_help="Put firmware, settings and drivers on a board.")(install)


def install(
    settings: Annotated[Path | None, typer.Argument(metavar="SETTINGS", help="The board's settings.toml.")] = None,
    to: Annotated[
        Path | None, typer.Option("--to", metavar="PATH", help="A board's drive, mounted, or a FAT image.")
    ] = None,
    serial: Annotated[
        str | None, typer.Option("--serial", metavar="PORT", help="A MicroPython board on a serial port.")
    ] = None,
    interpreter: Annotated[
        str | None,
        typer.Option("--for", metavar="NAME", help="circuitpython or micropython, where --to does not tell."),
    ] = None,
    mpy_cross: Annotated[
        Path | None, typer.Option("--mpy-cross", metavar="PATH", help="The compiler of the board's own release.")
    ] = None,
    ca: Annotated[
        Path | None, typer.Option("--ca", metavar="FILE", help="The broker's CA (PEM); else beside SETTINGS.")
    ] = None,
    replace_settings: Annotated[
        bool, typer.Option("--replace-settings", help="SETTINGS and CA replace those on the board.")
    ] = False,
    new_image: Annotated[
        int | None, typer.Option("--new-image", metavar="MIB", help="Make the image of --to first, of this size.")
    ] = None,
    wait: Annotated[float, typer.Option("--wait", metavar="S", help="Wait for the serial board so long.")] = 10,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Say what would be done, and write nothing.")] = False,
    verify: Annotated[
        bool, typer.Option("--verify", help="Compare the board with its manifest, and write nothing.")
    ] = False,
) -> None:
    """Read the command line's words, and turn what goes wrong into one line."""
    where = str(to if to is not None else serial)
    try:
        if new_image is not None:
            _made(to, new_image, dry_run or verify, lambda target: wanted(target, settings, interpreter, ca, False))
        with closing(find_target(to, serial, wait)) as target:
            if verify:
                _verify(target)
            else:
                asked = wanted(target, settings, interpreter, ca, replace_settings)
                _install(target, asked, mpy_cross, dry_run)
    except (TargetError, SettingsWanted, printing.Unprinted) as error:
        _complain(str(error))
    except OSError as error:
        _complain(explained(where, error))
    except KeyboardInterrupt:
        printing.say("interrupted: what ran on the board before still does; run the same command again")
        raise typer.Exit(INTERRUPTED) from None


def _made(path: Path | None, mib: int, only_read: bool, check) -> None:
    """A new image, which is taken away again where what is asked for cannot be put on it."""
    if path is None or only_read:
        raise TargetError(
            "--new-image: goes with --to FILE, and with neither --dry-run nor --verify: it makes a file"
        )
    install_image_disk.make(path, mib)
    try:
        with closing(find_target(path, None, 0)) as target:
            check(target)
    except BaseException:
        path.unlink()
        raise


def _install(target, asked, mpy_cross: Path | None, dry_run: bool) -> None:
    compiler = install_compile.chosen(asked.kind, mpy_cross, target.mpy)
    root = {**asked.files, **install_contents.root_files(asked.kind)}
    contents = _free(target, asked, compiler)
    plan = install_plan.planned(target, contents, asked.kind, asked.board, root)
    for line in [*install_words.lines(plan, asked.kind, asked.board, compiler is not None), *asked.notes]:
        printing.show([], [line])
    if dry_run:
        printing.show([], ["nothing was written (--dry-run)"])
        return
    if install_words.nothing_to_do(plan):
        printing.show([], ["nothing to do: every file on the board was verified"])
        return
    with _bar(f"{len(contents.files)} files") as moved:
        for line in install_steps.carry_out(target, plan, moved):
            printing.show([], [line])
    printing.show([], [f"installed and verified ({target.proof})"])


@contextmanager
def _bar(what: str):
    """A bar while files are copied; gives what is told how far that is."""
    with printing.bar() as bar:
        task = bar.add_task(what, total=1.0)
        yield lambda share: bar.update(task, completed=share)


def _free(target, asked, compiler):
    """The version that is wanted, in a folder that is whole or can be made."""
    for salt in range(SALTS):
        contents = install_contents.gathered(asked.kind, asked.drivers, compiler, salt)
        if install_plan.is_free(target, contents) or install_plan.is_whole(target, contents):
            return contents
    raise TargetError(f"{target.where}: fw/ is full of damaged versions: check its file system, and remove them")


def _verify(target) -> None:
    _, slot = slots.newest(install_plan.slot_files(target))
    if slot is None:
        raise TargetError(f"{target.where}: no version is installed there")
    home = f"{install_contents.FOLDER}/{slot.version}"
    digests = install_contents.listed(target.read(f"{home}/{install_contents.MANIFEST}"))
    if digests is None:
        raise TargetError(f"{target.where}: {home} has no manifest: install again")
    install_steps.verify(target, home, digests)
    printing.show([], [f"version {slot.version}: {len(digests)} files are as they were installed ({target.proof})"])


def _complain(line: str) -> None:
    printing.say(line)
    raise typer.Exit(BAD_INPUT)
