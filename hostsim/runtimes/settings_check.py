"""What a node would say of a settings file. Law: the words are the node's own reader's, and it has the last word."""

from torpor import settings, settings_table


def refusal(data: bytes) -> tuple[int | None, str] | None:
    """(line, reason) of the first problem, with the number of further ones; None for a file that a node takes."""
    try:
        settings.read(data)
    except settings.SettingsError as error:
        line, key, reason, remedy = error.problems[0]
        more = len(error.problems) - 1
        place = _shown(key)
        text = (f"{place}: " if place else "") + f"{reason}; {remedy}"
        return line, text + (f" (and {more} more)" if more else "")
    return None


def _shown(key: str) -> str:
    """The key without a last part that is nobody's name: a password in the wrong place looks like one."""
    section, _, name = key.rpartition(".")
    sections = [row[0] for row in settings_table.SECTIONS]
    known = settings_table.sections_of(name) or name.partition("#")[0] in sections
    return key if known else f"{section}, a name" if section else "a name"
