"""The log of a board: its console. Law: an event is one line, and the same event is the same line.

For both interpreters. `name key=1 other=2`: keys sorted, because the dictionaries of one of them are not.
"""

TRACE = "trace"


class Log:
    """Events and unexpected exceptions, printed."""

    def event(self, name, **integers):
        print(" ".join([name] + [f"{key}={integers[key]}" for key in sorted(integers)]))

    def trace(self, error):
        """One line with the exception's type and text, then the interpreter's own traceback where it has one."""
        text = f"{type(error).__name__}: {error}"
        print(TRACE, " ".join(text.split()))
        show = _print_exception()
        if show is not None:
            show(error)


def _print_exception():
    """What prints a traceback, None where nothing does. Looked for when it is needed: most wakes need none."""
    import sys

    show = getattr(sys, "print_exception", None)
    if show is None:
        try:
            from traceback import print_exception as show
        except ImportError:
            pass
    return show
