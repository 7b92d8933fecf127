"""Law: what a person or a pipe sees is plain and fits, and whoever stops reading or interrupts sees no traceback."""

import os
import pty
import signal
import subprocess
import sys
import time

import pytest
from breaking import replace

LIMIT_S = 60
COMMAND = [sys.executable, "-c", "from deploy.cli import main; main()"]


def environment(**more):
    return {**os.environ, **more}


def test_an_interruption_leaves_nothing(tmp_path):
    process = subprocess.Popen(
        [*COMMAND, "rehearse", "--out", "out"],
        cwd=tmp_path,
        env=environment(PYTHONPATH=os.pathsep.join(sys.path)),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    limit = time.monotonic() + LIMIT_S
    while not list(tmp_path.glob(".torpor-*/events.jsonl")):
        assert time.monotonic() < limit
        assert process.poll() is None
        time.sleep(0.02)
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=LIMIT_S)
    assert (process.returncode, out, err) == (130, "", "torpor: interrupted; nothing was written\n")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("words", "status"),
    [(("rehearse", "yard"), 0), (("--help",), None), (("rehearse", "--help"), None), (("bogus",), 2)],
)
def test_a_reader_that_has_left(tmp_path, yard, words, status):
    replace(yard / "scenario.toml", "days = 365", "days = 0.05")
    replace(yard / "scenario.toml", "delivered = 0.999", "")
    reader, writer = os.pipe()
    os.close(reader)
    ran = subprocess.run(
        [*COMMAND, *words],
        cwd=tmp_path,
        env=environment(PYTHONPATH=os.pathsep.join(sys.path)),
        stdout=writer,
        stderr=subprocess.PIPE,
        text=True,
        timeout=LIMIT_S,
    )
    os.close(writer)
    assert "Traceback" not in ran.stderr
    assert "Exception ignored" not in ran.stderr
    if status is not None:
        assert ran.returncode == status
    assert (tmp_path / "rehearsal" / "report.html").exists() == (status == 0)


def test_a_disk_that_is_full_behind_standard_output(tmp_path):
    with open("/dev/full", "wb") as full:
        ran = subprocess.run(
            [*COMMAND, "rehearse", "--days", "0.05"],
            cwd=tmp_path,
            env=environment(PYTHONPATH=os.pathsep.join(sys.path)),
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            timeout=LIMIT_S,
        )
    assert (ran.returncode, ran.stderr) == (2, "torpor: standard output: No space left on device\n")


@pytest.mark.parametrize("encoding", ["utf-8", "ascii"])
def test_what_a_pipe_gets_is_plain_and_80_columns_wide(tmp_path, encoding):
    ran = subprocess.run(
        [*COMMAND, "rehearse", "--days", "0.05"],
        cwd=tmp_path,
        env=environment(PYTHONPATH=os.pathsep.join(sys.path), PYTHONIOENCODING=encoding, COLUMNS="200"),
        capture_output=True,
        timeout=LIMIT_S,
    )
    text = ran.stdout.decode(encoding)
    assert (ran.returncode, ran.stderr) == (1, b"")
    assert "\x1b" not in text
    assert all(len(line) <= 80 and line == line.rstrip() for line in text.split("\n"))
    assert "The report: rehearsal/report.html" in text


def test_what_a_terminal_of_80_columns_gets(tmp_path):
    outer, inner = pty.openpty()
    process = subprocess.Popen(
        [*COMMAND, "rehearse", "--days", "0.05"],
        cwd=tmp_path,
        env=environment(PYTHONPATH=os.pathsep.join(sys.path), COLUMNS="80", TERM="xterm"),
        stdout=inner,
        stderr=subprocess.DEVNULL,
    )
    os.close(inner)
    shown = b""
    while True:
        try:
            data = os.read(outer, 65536)
        except OSError:
            break  # Linux ends a terminal so
        if not data:
            break
        shown += data
    os.close(outer)
    assert process.wait(LIMIT_S) == 1
    text = plain(shown.decode())
    assert b"\x1b[" in shown
    assert all(len(line.rstrip()) <= 80 for line in text.split("\n"))


def plain(text):
    kept = ""
    while "\x1b[" in text:
        before, _, text = text.partition("\x1b[")
        kept += before
        text = text[next(index for index, letter in enumerate(text) if letter.isalpha()) + 1 :]
    return (kept + text).replace("\r", "")


@pytest.mark.parametrize("words", [(), ("--help",), ("rehearse", "--help")])
def test_help_is_plain_and_fits(torpor, words):
    status, out, err = torpor(*words)
    assert (status, err) == (0, "")
    assert "rehearse" in out
    assert "\x1b" not in out
    assert all(len(line) <= 80 for line in out.split("\n"))
