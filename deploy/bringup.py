"""Bring-up on the desk. Law: what a board said is shown as it said it; the desk only lays boards side by side.

`rehearse --bring-up` lets the boards of a scenario go through it; `boards` compares the records that real ones have
printed on their consoles (docs/bringup.md).
"""

from pathlib import Path
from typing import Annotated, NoReturn

import typer

from deploy import printing
from deploy.bringup_compare import Unreadable, compare, read
from hostsim.bring_up import Unplantable, bring_up
from hostsim.bring_up_faults import FAULTS

FAILED, BAD_INPUT = 1, 2

HELP = """Lay boards side by side by what bring-up said of them.

Each FILE is what a console has printed, saved as text; docs/bringup.md tells how.

\b
Exit status:
  0  nothing failed, and no board is far from the others
  1  something failed, or a board stands out
  2  a file cannot be read, or holds no record"""


def register(app: typer.Typer) -> None:
    app.command("boards", help=HELP, short_help="Boards side by side, by their bring-up records.")(boards)


def boards(files: Annotated[list[Path], typer.Argument(metavar="FILE...", help="Consoles saved as text.")]) -> None:
    try:
        found = compare([record for path in files for record in read(path)])
    except Unreadable as error:
        _complain(str(error))
    printing.show([found.table] if found.table is not None else [], found.lines)
    raise typer.Exit(FAILED if found.wrong else 0)


def rehearse_bring_up(
    scenario: Path | None,
    runtime: str = "fast",
    faults: list[str] | None = None,
    nodes: list[str] | None = None,
    soak_h: float | None = None,
    seed: int | None = None,
    weather: Path | None = None,
) -> NoReturn:
    """Print what each board of a scenario says of itself; exit with 0, 1 (something failed) or 2 (bad input).

    faults: names of hostsim.bring_up_faults to plant; soak_h: the soak instead, for so many hours.
    """
    from hostsim import rehearse as rehearsing
    from hostsim.runtimes import RuntimeAbsent
    from hostsim.scenario import ScenarioError
    from hostsim.weather import WeatherError

    task, arguments = ("run", {}) if soak_h is None else ("soak", {"hours": soak_h})
    try:
        found = rehearsing.load(scenario, weather, seed)
        done = bring_up(found, runtime, faults or [], nodes or None, task, arguments, _tell)
    except (ScenarioError, WeatherError, Unplantable, RuntimeAbsent) as error:
        _complain(str(error))
    except printing.Unprinted as error:
        _complain(str(error))
    raise typer.Exit(FAILED if any(board.record["failed"] for board in done) else 0)


def planted_help() -> str:
    """For the option's help: the names that can be planted."""
    return "Plant a fault, to see which line names it: " + ", ".join(sorted(FAULTS)) + "."


def _tell(board) -> None:
    head = f"== {board.node} =="
    ended = [f"ended early: {board.ended}"] if board.ended else []
    printing.show([], [head, *board.lines, *ended, ""])


def _complain(line: str) -> NoReturn:
    printing.say(line)
    raise typer.Exit(BAD_INPUT)
