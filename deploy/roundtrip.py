"""The command `roundtrip`. Law: every reading that lies on a card is in the store, or waits for the next session.

From settings files to an audit, without a board: check, install to images, the boards that boot from them (the real
MicroPython VM), a real broker, collect, audit; each by its own command.
"""

import json
import re
import time
from pathlib import Path
from typing import Annotated

import typer

from deploy import printing
from deploy.roundtrip_broker import NoBrokerHere, binary, certificates, running
from deploy.roundtrip_steps import StepFailed, Steps
from deploy.store_complaint import BAD_INPUT, BROKEN, complain

DAYS = (0.1, 30.0)
IMAGE_MIB = 8
IDLE_S = 2
HELP = """From settings to an audit on this computer, without a board.

Checks the settings of SCENARIO's nodes (without one: the timber yard's), installs
each on an image of a board, lets boards boot from these images in the real
MicroPython VM and send to a mosquitto of their own, collects what they send, and
audits it. Every command is shown as you would type it.

\b
Exit status:
  0    every reading on the cards is in the store, or waits for the next session
  1    readings are missing or there twice, or a promise was broken
  2    it cannot be done; the step that failed says why"""


def register(app: typer.Typer) -> None:
    """Add the command to the app."""
    app.command(help=HELP, short_help="Check, install, live, collect and audit, all on this computer.")(roundtrip)


def roundtrip(
    scenario: Annotated[
        Path | None, typer.Argument(metavar="SCENARIO", help="File or folder; the bundled timber yard if left out.")
    ] = None,
    days: Annotated[float, typer.Option(metavar="DAYS", help="Days to live through.")] = 1.0,
    out: Annotated[
        Path, typer.Option(metavar="FOLDER", help="A new folder for settings, images, store and report.")
    ] = Path("roundtrip"),
) -> None:
    """Read the command line's words, and turn what goes wrong into one line."""
    from hostsim.rehearse import load
    from hostsim.scenario import ScenarioError
    from hostsim.weather import WeatherError

    if not DAYS[0] <= days <= DAYS[1]:
        complain(f"--days: must be a number from {DAYS[0]:g} to {DAYS[1]:g}")
    try:
        found = load(scenario, days=days)
        binary()
        tls = _one_way(found)
        _new_folder(out)
        if tls:
            certificates(out, sorted({plan.settings["broker"]["host"] for plan in found.nodes}))
    except (ScenarioError, WeatherError, NoBrokerHere) as error:
        complain(str(error))
    where = () if scenario is None else (scenario.absolute(),)
    try:
        verdict = _go(Steps(out), out, found, where, days, tls)
    except NoBrokerHere as error:
        complain(str(error))
    except StepFailed as failed:
        printing.say("the round trip ends here: the command above says why")
        raise typer.Exit(failed.status if failed.status in (BROKEN, BAD_INPUT) else BAD_INPUT) from None
    raise typer.Exit(verdict)


def _one_way(found) -> bool:
    """True where all nodes want TLS, False where none does: they share one broker."""
    ways = {plan.settings.get("broker", {}).get("tls", True) for plan in found.nodes}
    if len(ways) > 1:
        complain("some nodes of the scenario want TLS and some do not: a round trip has one broker for all")
    return ways.pop()


def _new_folder(out: Path) -> None:
    try:
        out.mkdir(parents=True)
    except FileExistsError:
        complain(f"{out}: is there already; remove it, or name another folder with --out")
    except OSError as error:
        complain(f"{out}: {error.strerror or error}")


def _go(steps: Steps, out: Path, found, where: tuple, days: float, tls: bool) -> int:
    names = [plan.name for plan in found.nodes]
    for plan in found.nodes:
        (out / f"{plan.name}.toml").write_bytes(plan.settings_toml)
    said = steps.run("check", "check", *(f"{name}.toml" for name in names))
    steps.say(_last_sentence(said))
    trust = ("--ca", "ca.pem") if tls else ()
    for name in names:
        to = ("--to", f"{name}.img", "--new-image", IMAGE_MIB, "--for", "micropython")
        said = steps.run(f"install {name}", "install", f"{name}.toml", *to, *trust)
        steps.say(said.strip().splitlines()[-1])
    with running(out, tls) as address:
        broker = ("--broker", address, *trust)
        collecting = steps.begin("collect", "collect", *broker, "--store", "readings.db")
        try:
            images = [word for name in names for word in ("--board-image", f"{name}.img")]
            lived = ("--days", f"{days:g}", "--runtime", "micropython", *images, *broker, "--out", "rehearsal")
            # the scenario's requirements are for its whole length: what counts here is each reading
            steps.run("rehearse", "rehearse", *where, *lived, allowed=(0, BROKEN))
            report = json.loads((out / "rehearsal" / "report.json").read_text())
            steps.say(_lived(report))
            steps.end(collecting)
        finally:
            collecting.kill()
            collecting.wait()
        # what the broker had not handed over yet
        steps.run("collect the rest", "collect", *broker, "--store", "readings.db", "--until-idle", IDLE_S)
    end = time.strftime("%Y-%m-%dT%H:%MZ", time.gmtime(found.start_epoch_s + days * 86400))
    audit = ("audit", "readings.db", "--at", end, "--json", "--html", "audit.html")
    return _verdict(steps, report, json.loads(steps.run("audit", *audit, allowed=(0, BROKEN))), out)


def _last_sentence(said: str) -> str:
    return re.sub(r"\s+", " ", said.strip().split("\n\n")[-1])


def _lived(report: dict) -> str:
    broken = _broken(report)
    kept = f"promises broken: {', '.join(broken)}" if broken else "no promise was broken"
    return f"{report['speed']['wakes']:,} wakes of {len(report['nodes'])} boards; {kept}"


def _broken(report: dict) -> list[str]:
    return [str(entry["id"]) for entry in report["invariants"] if entry["state"] == "broken"]


def _verdict(steps: Steps, report: dict, audit: dict, out: Path) -> int:
    readings = [node["readings"] for node in report["nodes"]]
    stored, waiting = (sum(count[key] for count in readings) for key in ("stored", "waiting"))
    present, missing, twice = (sum(ring[key] for ring in audit["rings"]) for key in ("present", "missing", "twice"))
    steps.say(
        f"{stored:,} readings on the cards: {present:,} in the store, {waiting:,} wait for the next session, "
        f"{missing:,} missing, {twice:,} there twice"
    )
    steps.say(f"{out / 'audit.html'}, {out / 'rehearsal' / 'report.html'}")
    whole = stored > 0 and present + waiting == stored and missing == 0 and twice == 0
    return 0 if whole and not _broken(report) else BROKEN
