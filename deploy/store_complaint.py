"""How a tool that uses the store says no. Law: one line that says what, where and what to do, and exit status 2."""

from typing import NoReturn

import typer

from deploy import printing

BROKEN, BAD_INPUT = 1, 2


def complain(line: str) -> NoReturn:
    """Print the line to standard error and end with status 2."""
    printing.say(line)
    raise typer.Exit(BAD_INPUT)
