"""Words for the terminal. Law: a reader that leaves, or has an old encoding, changes nothing but what is seen."""

import io
import os
import shutil
import sys

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn


class Unprinted(Exception):
    """The words did not get out, although somebody waits for them; str() is one line."""


def show(renderables: list, lines: list[str]) -> None:
    """Print to standard output: wrapped and coloured for a terminal, plain text of 80 columns into a pipe or a file.

    lines: plain text to print behind, as it is: never wrapped, so that a path can be copied.
    """
    if sys.stdout is None:
        return
    terminal = sys.stdout.isatty()
    memory = io.StringIO()
    width = shutil.get_terminal_size().columns if terminal else 80
    console = Console(file=memory, force_terminal=terminal or None, width=width)
    for renderable in renderables:
        console.print(renderable)
    text = memory.getvalue() + "".join(f"{line}\n" for line in lines)
    if not terminal:
        text = "".join(line.rstrip() + "\n" for line in text.splitlines())
    _write(sys.stdout, text)


def say(line: str) -> None:
    """Print one line to standard error. What is not printable (a file's name may hold anything) becomes "?"."""
    if sys.stderr is not None:
        shown = "".join(character if character.isprintable() else "?" for character in line)
        _write(sys.stderr, f"torpor: {shown}\n")


def bar() -> Progress:
    """How far something is, on standard error while that is a terminal; gone when it is over."""
    terminal = sys.stderr is not None and sys.stderr.isatty()
    return Progress(
        TextColumn("{task.description}"),
        BarColumn(),
        TextColumn("{task.percentage:>3.0f} %"),
        TimeRemainingColumn(),
        console=Console(stderr=True),
        transient=True,
        disable=not terminal,
    )


def any_encoding() -> None:
    """Let both streams show "?" for what their encoding lacks."""
    for stream in (sys.stdout, sys.stderr):
        if stream is not None and hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")


def _write(stream, text: str) -> None:
    try:
        stream.write(text)
        stream.flush()
    except OSError as error:
        # what Python still flushes when it ends must go nowhere
        with open(os.devnull, "wb") as nowhere:
            os.dup2(nowhere.fileno(), stream.fileno())
        if stream is sys.stdout and not isinstance(error, BrokenPipeError):
            raise Unprinted(f"standard output: {error.strerror}") from None
