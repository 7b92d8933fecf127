"""The boards' log: one line an event, the same on both interpreters."""

import subprocess
import sys
from pathlib import Path

import pytest
from torpor.boards.console import Log

FIRMWARE = Path(__file__).parents[2] / "firmware"
LINES = """
from torpor.boards.console import Log
Log().event("stored", seq=7)
Log().event("transmit-later", wait_s=600, failures=2, at=-1)
Log().event("bare")
"""
EXPECTED = "stored seq=7\ntransmit-later at=-1 failures=2 wait_s=600\nbare\n"


def test_an_event_is_one_line_with_its_keys_sorted(capsys):
    exec(LINES)
    assert capsys.readouterr().out == EXPECTED


def test_micropython_prints_the_same():
    binary = Path(sys.executable).parent / "micropython"
    if not binary.exists():
        pytest.skip("the MicroPython VM is not installed")
    done = subprocess.run(
        [binary, "-c", LINES], env={"MICROPYPATH": str(FIRMWARE)}, capture_output=True, text=True, timeout=20
    )
    assert done.stdout == EXPECTED, done.stderr


def test_a_trace_begins_with_one_line_whatever_the_text(capsys):
    try:
        raise ValueError("first\nsecond  third")
    except ValueError as error:
        Log().trace(error)
    shown = capsys.readouterr()
    assert shown.out == "trace ValueError: first second third\n"
    assert "test_console.py" in shown.err, "the interpreter's own traceback"
