"""The command: python tests/fuzz/fuzz.py TARGET|all --seconds N. Law: a finding is an input on disk, and status 1.

Guided by coverage, with atheris where it is installed and a small loop of its own elsewhere (`--engine own`).
Every target has its law in docs/fuzzing.md.
"""

import argparse
import importlib.util
import json
import re
import shutil
import subprocess
import sys
import tempfile
import traceback
from hashlib import sha256
from pathlib import Path

import fuzz_own_loop
from fuzz_targets import TARGETS

HERE = Path(__file__).parent
FINDINGS = HERE.parents[1] / "build" / "fuzz"
# an input that takes longer than this is a finding
INPUT_S_MAX = 10
MEMORY_MIB_MAX = 2048


def atheris_is_here():
    return importlib.util.find_spec("atheris") is not None


def run(name, seconds, engine, folder, seed=0, corpus=None):
    """Fuzz one target; a dict of figures. What was found lies in `folder`/`name`."""
    found = folder / name
    found.mkdir(parents=True, exist_ok=True)
    run_it = with_atheris if engine == "atheris" else with_own_loop
    figures = run_it(name, seconds, found, seed, corpus)
    return {"target": name, "engine": engine, "seconds": seconds, "seed": seed, **figures}


def with_own_loop(name, seconds, folder, seed, corpus):
    findings, told = [], []

    def keep(data, error):
        path = folder / f"crash-{sha256(data).hexdigest()[:16]}"
        path.write_bytes(data)
        findings.append(str(path))
        told.append("".join(traceback.format_exception(error)))

    runs, reached, kept, _ = fuzz_own_loop.fuzz(TARGETS[name], seconds, seed, keep)
    return {
        "executions": runs,
        "coverage": reached,
        "unit": "lines",
        "corpus": kept,
        "findings": findings,
        "told": "\n".join(told),
    }


def with_atheris(name, seconds, folder, seed, corpus):
    target = TARGETS[name]
    with tempfile.TemporaryDirectory() as scratch:
        seeds, found, words = Path(scratch, "seeds"), Path(scratch, "found"), Path(scratch, "words")
        grown = Path(corpus or scratch, name)
        seeds.mkdir()
        found.mkdir()
        grown.mkdir(parents=True, exist_ok=True)
        for index, data in enumerate(target.seeds()):
            Path(seeds, str(index)).write_bytes(data)
        words.write_text("".join('"' + "".join(f"\\x{byte:02x}" for byte in word) + '"\n' for word in target.words))
        flags = {
            "max_total_time": seconds,
            "max_len": target.size_max,
            "timeout": INPUT_S_MAX,
            "rss_limit_mb": MEMORY_MIB_MAX,
            "seed": seed,
            "print_final_stats": 1,
            "artifact_prefix": f"{found}/",
        }
        if target.words:
            flags["dict"] = words
        command = [sys.executable, HERE / "fuzz_atheris.py", name, *[f"-{key}={flags[key]}" for key in flags]]
        done = subprocess.run(
            [*command, grown, seeds], capture_output=True, text=True, errors="replace", timeout=seconds + 120
        )
        # one that was found before is found again
        findings = [shutil.copy(path, folder / path.name) for path in sorted(found.iterdir())]
    said = done.stdout + done.stderr
    runs = re.findall(r"stat::number_of_executed_units: (\d+)", said)
    if not runs or (done.returncode and not findings):
        print(f"{name}: the fuzzer itself failed (status {done.returncode})\n{said[-2000:]}", file=sys.stderr)
        raise SystemExit(2)
    progress = re.findall(r"cov: (\d+) ft: (\d+) corp: (\d+)", said)
    return {
        "executions": int(runs[-1]),
        "coverage": int(progress[-1][0]) if progress else 0,
        "unit": "edges",
        "corpus": int(progress[-1][2]) if progress else 0,
        "findings": [str(path) for path in findings],
        "told": told_by(said) if findings else "",
    }


def told_by(said):
    begin = said.find("=== Uncaught Python exception")
    return said[begin : begin + 3000] if begin >= 0 else said[-3000:]


def table(rows):
    lines = [f"{'target':<10}{'engine':<9}{'s':>5}{'executions':>12}{'covered':>14}{'corpus':>8}{'findings':>10}"]
    for row in rows:
        covered = f"{row['coverage']} {row['unit']}"
        figures = f"{row['seconds']:>5}{row['executions']:>12,}{covered:>14}{row['corpus']:>8}"
        lines.append(f"{row['target']:<10}{row['engine']:<9}{figures}{len(row['findings']):>10}")
    return "\n".join(lines)


def main(words=None):
    parser = argparse.ArgumentParser(description="Fuzz the readers of torpor, guided by coverage.")
    parser.add_argument("target", choices=[*TARGETS, "all"])
    parser.add_argument("--seconds", type=int, default=60, help="for each target")
    parser.add_argument("--engine", choices=["atheris", "own"], default="atheris" if atheris_is_here() else "own")
    parser.add_argument("--seed", type=int, default=0, help="0: another one each time (atheris)")
    parser.add_argument("--findings", type=Path, default=FINDINGS, help="folder for inputs that break a law")
    parser.add_argument("--corpus", type=Path, help="folder that keeps what atheris has learned, for the next run")
    parser.add_argument("--json", type=Path, help="file for the figures")
    asked = parser.parse_args(words)
    names = list(TARGETS) if asked.target == "all" else [asked.target]
    rows = []
    for name in names:
        rows.append(run(name, asked.seconds, asked.engine, asked.findings, asked.seed, asked.corpus))
        print(f"{name}: {rows[-1]['executions']:,} executions", file=sys.stderr, flush=True)
    print(table(rows))
    for row in rows:
        for path in row["findings"]:
            print(f"\n{path}\n{row['told']}")
    if asked.json:
        asked.json.write_text(json.dumps({"schema": 1, "targets": rows}, indent=1) + "\n")
    return 1 if any(row["findings"] for row in rows) else 0


if __name__ == "__main__":
    sys.exit(main())
