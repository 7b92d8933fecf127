"""`torpor check`: the settings before they go onto a board. Law: the board's own reader judges; every error is told
at once; no secret is shown, and nothing is written unless everything can be."""

import re
from pathlib import Path
from typing import Annotated, NoReturn

import typer

from deploy import printing
from deploy.check_finding import ERROR, WARNING

WRONG, BAD_INPUT, INTERRUPTED = 1, 2, 130
HERE = ("settings.toml", "batch.toml")
UNITS_S = {"": 1, "s": 1, "min": 60, "h": 3600, "d": 86400}
MAH_MAX = 200000
OUTAGE_DAYS_MAX = 3650

HELP = """Look at the settings of one board or of many before they go out.

FILE is a settings.toml, or a batch.toml with what boards share and a [[node]]
for each (docs/check.md). Without one, those that lie here are looked at.

With --interval and no FILE the answer is one line: how many days a battery
lasts, by the profile of a board.

\b
Exit status:
  0  the nodes would take these settings; warnings change that with --strict
  1  there are errors, each with its line and what to do
  2  the input cannot be used; one line says why, and nothing was written"""


def register(app: typer.Typer) -> None:
    """Add the command to the app."""
    app.command(name="check", help=HELP, short_help="Look at settings before they go onto a board.")(command)


def command(
    files: Annotated[list[Path] | None, typer.Argument(metavar="FILE", help="Settings, or batches.")] = None,
    profile: Annotated[
        str, typer.Option(metavar="FILE|NAME", help="What the board draws: a bundled profile, or a file of your own.")
    ] = "yard",
    battery_mah: Annotated[
        float,
        typer.Option(
            metavar="MAH", show_default=False, help="What the battery holds, instead of what the settings say."
        ),
    ] = 0.0,
    interval: Annotated[
        str | None, typer.Option(metavar="TIME", help="Time between readings to ask about, such as 600, 10min or 1h.")
    ] = None,
    send_every: Annotated[
        str | None, typer.Option(metavar="TIME", help="Time between sessions to ask about.")
    ] = None,
    outage_days: Annotated[
        float | None, typer.Option(metavar="DAYS", help="How long a network may be gone without loss.")
    ] = None,
    strict: Annotated[bool, typer.Option("--strict", help="Warnings end with exit status 1 too.")] = False,
    write: Annotated[
        Path | None, typer.Option(metavar="FOLDER", help="Write FOLDER/NAME/settings.toml for each node of a batch.")
    ] = None,
) -> None:
    """Read the command line's words."""
    from deploy.check_look import Wishes

    _within("--battery-mah", battery_mah, 0, MAH_MAX)
    if outage_days is not None:
        _within("--outage-days", outage_days, 0, OUTAGE_DAYS_MAX)
    sample_s = _seconds("--interval", interval, 10, 86400)
    transmit_s = _seconds("--send-every", send_every, 10, 604800)
    if sample_s and transmit_s and transmit_s < sample_s:
        _complain("--send-every: is shorter than --interval; a session needs something to send")
    board = _board(profile)
    wishes = Wishes(board, board.name, battery_mah, sample_s, transmit_s, outage_days)
    if not files and interval is not None:
        if write is not None or outage_days is not None:
            _complain("--interval without a FILE is a question; --write and --outage-days need a FILE")
        _answer(wishes)
    try:
        _check(files or _here(), wishes, strict, write)
    except KeyboardInterrupt:
        printing.say("interrupted; what is not written, the next run writes")
        raise typer.Exit(INTERRUPTED) from None


def _check(files: list[Path], wishes, strict: bool, write: Path | None) -> NoReturn:
    from deploy import check_show
    from deploy.check_look import clashes, look
    from deploy.check_source import BadFile, read

    try:
        sources = [read(path) for path in dict.fromkeys(files)]
    except BadFile as error:
        _complain(str(error))
    if write is not None and (len(sources) != 1 or not sources[0].is_batch):
        _complain("--write: is for one batch file, which has a [[node]] for each board")
    looked = [look(source, wishes) for source in sources]
    for source, place, finding in clashes(sources):
        source.findings.append((place, finding))
    shown: list = []
    findings = []
    for source, nodes in zip(sources, looked, strict=True):
        shown += check_show.block(source, nodes)
        findings += check_show.count_of(source, nodes)
    wrong = any(one.level == ERROR for one in findings)
    lines = _written(sources[0], write) if write is not None and not wrong else []
    _show([*shown, check_show.verdict(findings, sum(map(len, looked)))], lines)
    strictly = strict and any(one.level == WARNING for one in findings)
    raise typer.Exit(WRONG if wrong or strictly else 0)


def _written(source, folder: Path) -> list[str]:
    from deploy.batch_write import NotWritten
    from deploy.batch_write import write as write_all

    boards = {}
    for subject in source.subjects:
        broker = subject.complete["broker"]
        ca = source.path.parent / broker["ca"].lstrip("/")
        boards[subject.name] = subject.text, ca if broker["tls"] and ca.is_file() else None
    try:
        paths = write_all(folder, boards)
    except NotWritten as error:
        _complain(f"--write: {error}")
    return [f"Written: {path}" for path in paths]


def _answer(wishes) -> NoReturn:
    """One line: how many days?"""
    from deploy.check_question import answer

    _show([], [answer(wishes)])
    raise typer.Exit(0)


def _show(renderables: list, lines: list[str]) -> None:
    try:
        printing.show(renderables, lines)
    except printing.Unprinted as error:
        _complain(str(error))


def _here() -> list[Path]:
    found = [Path(name) for name in HERE if Path(name).exists()]
    if not found:
        _complain(
            "no settings.toml or batch.toml lies here: name a FILE, or ask with --interval 10min --battery-mah 2500"
        )
    return found


def _board(name: str):
    from hostsim import board
    from hostsim.scenario_text import ScenarioError

    known = board.bundled()
    if name not in known and not name.endswith(".toml"):
        _complain(f"--profile: is none of the bundled profiles ({', '.join(known)}), and no file that ends in .toml")
    try:
        return board.load(board.BUNDLED / f"{name}.toml" if name in known else Path(name))
    except ScenarioError as error:
        _complain(f"--profile: {error}")


def _seconds(option: str, text: str | None, low_s: int, high_s: int) -> int:
    """Seconds of "600", "600s", "10min", "1h" or "1d"; 0 for None."""
    if text is None:
        return 0
    found = re.fullmatch(r"([0-9]{1,7}) ?(|s|min|h|d)", text)
    seconds = int(found[1]) * UNITS_S[found[2]] if found else 0
    if not low_s <= seconds <= high_s:
        _complain(f"{option}: must be a time from {low_s} s to {high_s // 86400} d, such as 600, 10min or 1h")
    return seconds


def _within(option: str, value: float, low: float, high: float) -> None:
    # written this way round, nan is refused
    if not low <= value <= high:
        _complain(f"{option}: must be a number from {low} to {high}")


def _complain(line: str) -> NoReturn:
    printing.say(line)
    raise typer.Exit(BAD_INPUT)
