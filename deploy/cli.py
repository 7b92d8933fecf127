"""The command `torpor`. Law: exit status 0, or 1 when a promise is broken, or 2 with one clear line for bad input.

Each tool has its own module; this one reads the command line and prints.
"""

import sys
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    help="Tools around the firmware of battery-powered sensor boards.",
)


@app.callback()
def tools() -> None:
    """Tools around the firmware of battery-powered sensor boards."""


@app.command()
def rehearse(
    scenario: Annotated[
        Path | None, typer.Argument(help="A scenario's TOML file or its folder; the bundled timber yard if left out.")
    ] = None,
    weather: Annotated[Path | None, typer.Option(help="A weather year: TMY3, EPW or CSV.")] = None,
    seed: Annotated[int | None, typer.Option(min=0, max=2**32 - 1, help="Start of all chance.")] = None,
    days: Annotated[float | None, typer.Option(min=0.01, max=3660, help="Days to live through.")] = None,
    out: Annotated[Path, typer.Option(help="Where the report goes.")] = Path("rehearsal"),
    broker: Annotated[str | None, typer.Option(metavar="HOST:PORT", help="A real MQTT broker to send to.")] = None,
) -> None:
    """Let the firmware live through a scenario on this computer, and say what became of every reading."""
    from hostsim import rehearse as rehearsing
    from hostsim.board import BoardError
    from hostsim.report import summary
    from hostsim.scenario_text import ScenarioError
    from hostsim.weather import WeatherError

    try:
        found = rehearsing.load(scenario, weather, seed, days)
        run = rehearsing.Rehearsal(found, scenario, weather, _address(broker) if broker else None)
    except (ScenarioError, WeatherError, BoardError) as error:
        _complain(str(error))
    if out.exists() and not out.is_dir():
        _complain(f"{out}: is not a folder")
    console = Console()
    try:
        with Progress(
            TextColumn("{task.description}"),
            BarColumn(),
            TextColumn("{task.percentage:>3.0f} %"),
            TimeRemainingColumn(),
            console=Console(stderr=True),
            transient=True,
        ) as bar:
            task = bar.add_task(f"{len(found.nodes)} nodes, {found.days:g} days", total=1.0)
            results = run.run(out, lambda share, wakes: bar.update(task, completed=share))
    except OSError as error:
        _complain(f"{error.filename or broker or out}: {error.strerror or error}")
    for line in summary.lines(results):
        console.print(line)
    console.print(f"The report: {out / 'report.html'}", soft_wrap=True)
    for trace in run.traces:
        console.print("A node met an error that it does not know (counted as a defect):", style="bold")
        console.print(trace, markup=False, highlight=False)
    raise typer.Exit(1 if rehearsing.failed(results) else 0)


def _address(text: str) -> tuple[str, int]:
    host, _, port = text.rpartition(":")
    if not host or not port.isdigit() or not 0 < int(port) < 65536:
        _complain(f"--broker {text}: must be HOST:PORT, such as localhost:1883")
    return host.strip("[]"), int(port)


def _complain(line: str):
    print(f"torpor: {line}", file=sys.stderr)
    raise typer.Exit(2)


def main() -> None:
    app()
