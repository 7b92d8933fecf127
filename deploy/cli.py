"""The command `torpor`. Law: exit status 0, or 1 when a promise is broken, or 2 with one clear line for bad input.

Each tool has its own module; this one reads the command line and prints.
"""

import re
import sys
from pathlib import Path
from typing import Annotated, NoReturn

import typer

from deploy import audit, bringup, card, check, collect, install, printing, roundtrip, storm
from deploy.broker_probe import NoBroker, probe, trust
from deploy.report_folder import FolderError, staged

BROKEN, BAD_INPUT, INTERRUPTED = 1, 2, 130
# typer's own exceptions for a wrong command line; where they live has changed between its versions
UsageError = typer.BadParameter.__base__

HELP = """Rehearse battery-powered sensor boards before they go out.

The firmware that goes onto the boards lives through sun, frost, lost networks
and a failing broker on this computer, and a judge counts what became of every
reading. To begin: torpor rehearse"""

REHEARSE_HELP = """Let the firmware live through a scenario, and say what became of every reading.

SCENARIO is a file, or a folder with a scenario.toml in it. Without one, three
boards in a timber yard live through a year; that takes about a minute.
docs/scenarios.md tells how to write one.

\b
Exit status:
  0    every promise held, and every requirement is met
  1    a promise was broken, a requirement is not met, or nothing was shown
  2    the input cannot be used; one line says why, and nothing was written
  130  interrupted; nothing was written"""

SOAK_H_MAX = 240

app = typer.Typer(add_completion=False, pretty_exceptions_enable=False, rich_markup_mode=None)


@app.callback(help=HELP)
def tools() -> None:
    """What all commands have in common: nothing so far, but with it each one keeps its name on the command line."""


@app.command(help=REHEARSE_HELP, short_help="Let the firmware live through a scenario on this computer.")
def rehearse(
    scenario: Annotated[
        Path | None, typer.Argument(metavar="SCENARIO", help="File or folder; the bundled timber yard if left out.")
    ] = None,
    weather: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Weather instead of the scenario's own: TMY3, EPW or CSV."),
    ] = None,
    seed: Annotated[
        int | None,
        typer.Option(metavar="NUMBER", help="Where chance begins: the same number, the same rehearsal."),
    ] = None,
    days: Annotated[
        float | None, typer.Option(metavar="DAYS", help="Days to live through, instead of the scenario's.")
    ] = None,
    out: Annotated[
        Path, typer.Option(metavar="FOLDER", help="Where report.html, report.json and events.jsonl go.")
    ] = Path("rehearsal"),
    broker: Annotated[
        str | None,
        typer.Option(metavar="HOST:PORT", help="Send to a real MQTT broker, not to a simulated one."),
    ] = None,
    ca: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="With --broker: speak TLS, and trust this certificate (PEM) alone."),
    ] = None,
    runtime: Annotated[
        str,
        typer.Option(metavar="NAME", help="What the firmware runs on: fast, circuitpython or micropython."),
    ] = "fast",
    board_image: Annotated[
        list[Path] | None,
        typer.Option(metavar="FILE", help="With runtime micropython: the node whose settings it has boots from it."),
    ] = None,
    bring_up: Annotated[
        bool, typer.Option("--bring-up", help="Only what each board says of itself on the bench (docs/bringup.md).")
    ] = False,
    plant: Annotated[
        list[str] | None, typer.Option(metavar="FAULT", help="With --bring-up: " + bringup.planted_help())
    ] = None,
    node: Annotated[list[str] | None, typer.Option(metavar="NAME", help="With --bring-up: this node only.")] = None,
    soak: Annotated[
        float | None, typer.Option(metavar="HOURS", help="With --bring-up: the soak, for so many hours.")
    ] = None,
    storms: Annotated[
        bool, typer.Option("--storm", help="Random boards and random faults, a storm a seed (docs/storms.md).")
    ] = False,
    seeds: Annotated[str | None, typer.Option(metavar="A:B", help=storm.SEEDS_HELP)] = None,
    jobs: Annotated[
        int | None, typer.Option(metavar="NUMBER", help="With --storm: processes; as many as there are processors.")
    ] = None,
    dask: Annotated[
        str | None, typer.Option(metavar="ADDRESS", help="With --storm: a Dask cluster instead of own processes.")
    ] = None,
    shrink_s: Annotated[
        float | None, typer.Option(metavar="SECONDS", help="With --storm: to make each failing storm small; 60.")
    ] = None,
    json_file: Annotated[
        Path | None, typer.Option("--json", metavar="FILE", help="With --storm: all figures.")
    ] = None,
) -> None:
    """Read the command line's words, and keep an interruption from showing a traceback."""
    try:
        if bring_up:
            _bring_up(scenario, weather, seed, runtime, plant, node, soak)
        if plant or node or soak is not None:
            _complain("--plant, --node and --soak: are for --bring-up")
        if storms:
            _fair_weather_only(scenario, weather, seed, broker, ca, board_image, runtime)
            storm.rehearse_storms(seeds, days, jobs, dask, shrink_s, out, json_file)
        if any(word is not None for word in (seeds, jobs, dask, shrink_s, json_file)):
            _complain("--seeds, --jobs, --dask, --shrink-s and --json: are for --storm")
        _rehearse(scenario, weather, seed, days, out, broker, ca, runtime, board_image or [])
    except KeyboardInterrupt:
        printing.say("interrupted; nothing was written")
        raise typer.Exit(INTERRUPTED) from None


def _bring_up(scenario, weather, seed, runtime, plant, node, soak) -> NoReturn:
    from hostsim.rehearse import RUNTIMES

    _nameable(scenario)
    _nameable(weather)
    _known(runtime, RUNTIMES)
    if soak is not None and not 0 < soak <= SOAK_H_MAX:
        _complain(f"--soak: must be a number of hours up to {SOAK_H_MAX}")
    bringup.rehearse_bring_up(scenario, runtime, plant, node, soak, seed, weather)


def _fair_weather_only(scenario, weather, seed, broker, ca, board_image, runtime) -> None:
    if runtime != "fast" or any(word is not None for word in (scenario, weather, seed, broker, ca, board_image)):
        _complain("--storm: draws scenario, weather and boards itself, on runtime fast; it takes --seeds and --days")


def _known(runtime: str, runtimes) -> None:
    if runtime not in runtimes:
        _complain(f"--runtime: must be one of {', '.join(runtimes)}")


def _rehearse(scenario, weather, seed, days, out, broker, ca, runtime, board_images) -> None:
    from hostsim import rehearse as rehearsing
    from hostsim import scenario_notes
    from hostsim.report import summary
    from hostsim.runtimes import RuntimeAbsent
    from hostsim.scenario import DAYS_MAX, DAYS_MIN, SEED_MAX, ScenarioError
    from hostsim.weather import WeatherError

    for path in (scenario, weather, out, ca, *board_images):
        _nameable(path)
    if days is not None and not DAYS_MIN <= days <= DAYS_MAX:
        _complain(f"--days: must be a number from {DAYS_MIN:g} to {DAYS_MAX}")
    if seed is not None and not 0 <= seed <= SEED_MAX:
        _complain(f"--seed: must be a whole number from 0 to {SEED_MAX}")
    _known(runtime, rehearsing.RUNTIMES)
    if board_images and runtime != "micropython":
        _complain("--board-image: is for --runtime micropython")
    if ca is not None and broker is None:
        _complain("--ca: is for a real broker, see --broker")
    address = _address(broker) if broker is not None else None
    try:
        found = rehearsing.load(scenario, weather, seed, days)
        booted = [(_booting(found, image), image) for image in board_images]
        if address is not None:
            trusted = trust(ca) if ca is not None else None
            probe(*address, trusted)
            if runtime != "fast" and trusted is None:
                _without_tls(found, runtime)
    except (ScenarioError, WeatherError, RuntimeAbsent) as error:
        _complain(str(error))
    except NoBroker as error:
        _complain(f"--broker {broker}: {error}")
    run = rehearsing.Rehearsal(found, scenario, weather, address, ca, runtime, board_images)
    try:
        with staged(out) as stage:
            for note in scenario_notes.notes(found):
                printing.say(f"note: {note}")
            for name, image in booted:
                printing.say(f"note: {name} boots from {image}")
            results = _live(run, stage, f"{len(found.nodes)} nodes, {found.days:g} days")
    except (FolderError, RuntimeAbsent) as error:
        _complain(str(error))
    except OSError as error:
        _complain(f"{broker or out}: {error.strerror or error}")
    lines = [f"The report: {out / 'report.html'}"]
    if run.traces:
        lines += ["A node met an error that it does not know (counted as a defect):", *run.traces]
    try:
        printing.show(summary.lines(results), lines)
    except printing.Unprinted as error:
        _complain(str(error))
    # a rehearsal in which nothing was due has broken no promise, and has shown none either
    ready = summary.verdict(results)[0] == summary.READY
    raise typer.Exit(0 if ready and not rehearsing.failed(results) else BROKEN)


def _booting(found, board_image: Path) -> str:
    from hostsim.runtimes.micropython import board_image as images

    return images.use(found, board_image)


def _without_tls(found, runtime: str) -> None:
    """The fast runtime's TLS is simulated; on the others it is what the platform does with a real broker."""
    for plan in found.nodes:
        if plan.settings.get("broker", {}).get("tls", True):
            _complain(f"--broker: {plan.name} wants TLS, which runtime {runtime} really does: name the --ca to trust")


def _live(run, stage: Path, what: str) -> dict:
    with printing.bar() as bar:
        task = bar.add_task(what, total=1.0)
        return run.run(stage, lambda share, wakes: bar.update(task, completed=share))


def _nameable(path: Path | None) -> None:
    """Refuse a name that no report could repeat, since it is not text."""
    try:
        str(path).encode()
    except UnicodeEncodeError:
        _complain(f"{path}: the name is not UTF-8 text")


def _address(text: str) -> tuple[str, int]:
    # the text is not repeated: people paste addresses with a user and a password in them
    found = re.fullmatch(r"(?:\[([0-9A-Fa-f:.]{2,45})\]|([A-Za-z0-9_.-]{1,253})):([0-9]{1,5})", text)
    if found is None or not 0 < int(found[3]) < 65536:
        _complain("--broker: must be HOST:PORT, such as localhost:1883 or [::1]:1883")
    return found[1] or found[2], int(found[3])


check.register(app)
bringup.register(app)
install.register(app)
collect.register(app)
card.register(app)
audit.register(app)
roundtrip.register(app)


def _complain(line: str) -> NoReturn:
    printing.say(line)
    raise typer.Exit(BAD_INPUT)


def main() -> NoReturn:
    printing.any_encoding()
    try:
        status = app(args=sys.argv[1:] or ["--help"], standalone_mode=False)
    except UsageError as error:
        printing.say(f"{error.format_message().rstrip('.')} (torpor --help says more)")
        status = BAD_INPUT
    sys.exit(status)
