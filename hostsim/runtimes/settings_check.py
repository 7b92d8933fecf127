"""What a node would say of a settings file. Law: the words are the node's own reader's, and it has the last word."""

from torpor import settings


def refusal(data: bytes) -> tuple[int | None, str] | None:
    """(line, reason) of the first problem, with the number of further ones; None for a file that a node takes."""
    try:
        settings.read(data)
    except settings.SettingsError as error:
        line, key, reason, remedy = error.problems[0]
        more = len(error.problems) - 1
        text = (f"{key}: " if key else "") + f"{reason}; {remedy}"
        return line, text + (f" (and {more} more)" if more else "")
    return None
