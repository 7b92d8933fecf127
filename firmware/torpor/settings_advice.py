"""What helps a person to find and mend a mistake in the settings. Law: of the file it shows names only, cut short
and printable, never a value. The board imports it only for a file that has a mistake in it."""

from .settings_table import KEY, SECTIONS, explain, sections_of

PLATFORM = "CIRCUITPY_"
_SHOWN_MAX = 32


def advice(section, key):
    """What to do about the unknown `key` of `section`."""
    if key.startswith(PLATFORM):
        return "move it above the first section: the platform does not look further"
    home = sections_of(key)
    if home:
        where = " or ".join([f"[{name}]" if name else "the flat keys above the first section" for name in home])
        return f"it belongs in {where}"
    known = [row[KEY] for row in explain(section)]
    if not section:
        known.extend([section[0] for section in SECTIONS[1:]])
    return f"the nearest known name is {nearest(key, known)}"


def nearest(word, known):
    """The word of `known` with the smallest edit distance to the first 32 letters of `word`, case aside."""
    word = word[:_SHOWN_MAX].lower()
    best, best_distance = "", 2 * _SHOWN_MAX
    for candidate in known:
        distance = edit_distance(word, candidate)
        if distance < best_distance:
            best, best_distance = candidate, distance
    return best


def edit_distance(a, b):
    """Insertions, deletions and exchanges that turn `a` into `b` (Levenshtein, kept to two rows)."""
    above = list(range(len(b) + 1))
    for row, letter in enumerate(a):
        here = [row + 1]
        for column, other in enumerate(b):
            here.append(min(above[column] + (letter != other), above[column + 1] + 1, here[column] + 1))
        above = here
    return above[len(b)]


class Lines:
    """Keeps the lines of some paths and of what they lie in (0: not in the file); all lines would cost 30 KB."""

    def __init__(self, paths):
        self.of = {}
        for path in paths:
            for size in range(len(path) + 1):
                self.of[path[:size]] = 0

    def __setitem__(self, path, line):
        if path in self.of:
            self.of[path] = line


def located(lines, path, reason, remedy):
    """(line, key, reason, remedy) of a problem at `path`; its line is that of the nearest part that the file has."""
    known = path
    while known and not lines[known]:
        known = known[:-1]
    key = ""
    for part in path:
        key += f"#{part + 1}" if isinstance(part, int) else ("." if key else "") + _shown(part)
    return lines[known] or 1, key, reason, remedy


def _shown(name):
    shown = "".join([c if 32 <= ord(c) < 127 else "?" for c in name[:_SHOWN_MAX]])
    return shown + "..." if len(name) > _SHOWN_MAX else shown
