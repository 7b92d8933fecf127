"""The runs behind the table of docs/faults.md. Law: what did not end by itself, with its figures, is not a figure.

Each piece is a child process with a limit of time. Status 0 and 1 are results; all else means that it was not made.
"""

import contextlib
import json
import os
import platform
import signal
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path

from hostsim import broker, radio, timeserver
from hostsim.fault_names import FAULTS
from hostsim.invariants import NAMES, NOT_COVERED

ROOT = Path(__file__).parents[2]
PARTS = ("cuts", "storms", "fuzz")
# what a part's figures come from
SOURCES = {"cuts": ("firmware", "hostsim", "deploy", "tests"), "storms": ("firmware", "hostsim", "deploy")}
SOURCES["fuzz"] = SOURCES["cuts"]
# so many storms are lived through by one process, and are kept when it is over
SEEDS_A_PIECE = 400
# seen on one core: 0.1 s for a day of a storm; a machine may be slower, and have other work
STORM_DAY_S_MAX = 3.0
PIECE_S_MIN = 600.0
CUTS_S_MAX = {False: 3 * 3600.0, True: 1800.0}
FUZZ_TARGETS_MAX = 20
# after its time a target may take so long for one last input and for the start of the next one
FUZZ_MORE_S = 150.0
END_S = 10.0


class NotMade(Exception):
    """A piece has no figures; str() is one line."""


@dataclass(frozen=True)
class Piece:
    """command: as a person would type it. key: what its figures depend on; that is all of it but the processes."""

    part: str
    command: str
    key: str
    argv: tuple[str, ...]
    limit_s: float


def planned(parts, seeds: tuple[int, int], days: float, jobs: int, fuzz_s: int, quick: bool) -> list[Piece]:
    """The pieces of some parts. seeds: from the first to before the second; days of each storm, fuzz_s a target."""
    pieces = []
    if "cuts" in parts:
        words = ("tests/bench/bench_cuts.py", "--vm", *(("--quick",) if quick else ()))
        pieces.append(_python("cuts", words, ("--jobs", str(jobs)), CUTS_S_MAX[quick]))
    if "storms" in parts:
        for first in range(*seeds, SEEDS_A_PIECE):
            end = min(first + SEEDS_A_PIECE, seeds[1])
            words = ("rehearse", "--storm", "--seeds", f"{first}:{end}", "--days", f"{days:.15g}", "--shrink-s", "0")
            more = ("--jobs", str(jobs))
            limit_s = PIECE_S_MIN + STORM_DAY_S_MAX * days * (end - first)
            argv = (sys.executable, "-c", "from deploy.cli import main; main()", *words, *more)
            pieces.append(Piece("storms", " ".join(("torpor", *words, *more)), " ".join(words), argv, limit_s))
    if "fuzz" in parts:
        words = ("tests/fuzz/fuzz.py", "all", "--seconds", str(fuzz_s))
        pieces.append(_python("fuzz", words, (), FUZZ_TARGETS_MAX * (fuzz_s + FUZZ_MORE_S)))
    return pieces


def _python(part: str, words: tuple[str, ...], more: tuple[str, ...], limit_s: float) -> Piece:
    return Piece(part, " ".join(("python", *words, *more)), " ".join(words), (sys.executable, *words, *more), limit_s)


def made(piece: Piece) -> dict:
    """Run it: part, command, key, status, commit, changes, sources, wall_s, processors, python, figures.

    changes: whether the sources were others than those of the commit, at the beginning or at the end. Raises NotMade.
    """
    commit, dirty, sources = tree(piece.part)
    began_s = time.monotonic()
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder, "figures.json")
        status = _status(piece, file)
        wall_s = round(time.monotonic() - began_s, 1)
        if status not in (0, 1):
            raise NotMade(f"{piece.command}: ended with status {status}")
        try:
            figures = json.loads(file.read_text(encoding="utf-8"))
        except (OSError, ValueError):
            raise NotMade(f"{piece.command}: ended with status {status} and no figures") from None
    return {
        "part": piece.part,
        "command": piece.command,
        "key": piece.key,
        "status": status,
        "commit": commit,
        "changes": dirty or tree(piece.part) != (commit, dirty, sources),
        "sources": sources,
        "wall_s": wall_s,
        "processors": os.cpu_count(),
        "python": f"{platform.python_implementation()} {platform.python_version()}",
        "figures": named(figures) if piece.part == "storms" else figures,
    }


def _status(piece: Piece, file: Path) -> int:
    """What it ended with. What it says goes to standard error; nothing of it is left when this returns or raises."""
    path = os.pathsep.join([str(ROOT), str(ROOT / "firmware"), *filter(None, [os.environ.get("PYTHONPATH")])])
    process = subprocess.Popen(
        [*piece.argv, "--json", str(file)],
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": path},
        stdin=subprocess.DEVNULL,
        stdout=sys.__stderr__,
        start_new_session=True,
    )
    try:
        return process.wait(piece.limit_s)
    except subprocess.TimeoutExpired:
        raise NotMade(f"{piece.command}: not over after {piece.limit_s:.0f} s") from None
    finally:
        if process.poll() is None:
            # with all its workers: they are a group of their own
            for number in (signal.SIGINT, signal.SIGKILL):
                with contextlib.suppress(subprocess.TimeoutExpired, ProcessLookupError):
                    os.killpg(process.pid, number)
                    process.wait(END_S)


def named(figures: dict) -> dict:
    """The figures of storms with a zero for each name that there is, and the invariants that were looked at."""
    outages = [f"network {kind}" for kind in radio.KINDS] + [f"broker {kind}" for kind in broker.KINDS]
    outages += [f"time server {kind}" for kind in timeserver.BEHAVIOURS if kind != "good"]
    figures["faults"] = {**dict.fromkeys(FAULTS, 0), **figures["faults"]}
    figures["outages"] = {**dict.fromkeys(outages, 0), **figures["outages"]}
    figures["covered"] = [number for number in NAMES if number not in NOT_COVERED]
    return figures


def tree(part: str) -> tuple[str | None, bool, str]:
    """(short commit or None, whether anything differs from it, digest of the files) of what a part is made from."""
    folders = SOURCES[part]
    commit = _git("rev-parse", "--short", "HEAD")
    changes = bool(commit and _git("status", "--porcelain", "--", *folders))
    digest = sha256()
    for file in sorted(file for folder in folders for file in (ROOT / folder).rglob("*.*")):
        # one that goes while this looks makes another digest, and no error at the end of a long run
        with contextlib.suppress(OSError):
            if "__pycache__" not in file.parts and file.is_file():
                digest.update(f"{file.relative_to(ROOT)}\n".encode() + file.read_bytes())
    return commit, changes, digest.hexdigest()[:16]


def _git(*words: str) -> str | None:
    try:
        done = subprocess.run(["git", *words], cwd=ROOT, capture_output=True, text=True, timeout=60)
    except (OSError, subprocess.TimeoutExpired):
        return None
    return done.stdout.strip() if done.returncode == 0 else None
