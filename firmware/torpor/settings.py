"""The settings of a node. Law: read() returns every key with a value within its bounds, or names every
problem of the file at once; no problem repeats a secret, nor what may be a piece of one."""

from . import settings_kinds, settings_rules
from .settings_table import DEFAULT, KEY, RAIL, SECTIONS, explain

# What a settings message from the broker may change: none of these can lock a node out.
REMOTE = ("sample_every_s", "transmit_every_s", "must_last_days")
# CircuitPython joins a network from these before any code runs, after every deep sleep too (its
# docs/environment.rst): the radio would come on before the sensors are read.
JOINS_EARLY = ("CIRCUITPY_WIFI_SSID", "CIRCUITPY_WIFI_PASSWORD", "CIRCUITPY_WEB_API_PASSWORD")
PLATFORM = "CIRCUITPY_"
# More than a person corrects in one go; bounds what a file of nonsense costs in heap.
PROBLEMS_MAX = 64


class SettingsError(Exception):
    """`problems` is a list of (line, key, reason, remedy), sorted; str() is one line a problem.

    `key` is "" for the file as a whole, else such as "node", "broker.host", "network#1.ssid" (the first).
    """

    def __init__(self, problems):
        super().__init__(problems)
        self.problems = problems

    def __str__(self):
        return "\n".join([_sentence(*problem) for problem in self.problems])


def read(data):
    """Read the bytes of settings.toml to a complete dict of plain values; raise SettingsError.

    Keys: the flat ones, and a dict or a list of dicts for each section of the table, nothing left out;
    `broker.port` is resolved.
    """
    from . import toml

    problems = []

    def problem(path, reason, remedy):
        if len(problems) < PROBLEMS_MAX:
            problems.append((path, reason, remedy))
        elif len(problems) == PROBLEMS_MAX:
            problems.append(((), "there are more problems than these", "correct these first, then look again"))

    try:
        settings = _fill(toml.parse(data), problem)
        if problems:
            settings = None  # the heap that it takes is needed for the second look
            from . import settings_advice

            lines = settings_advice.Lines([found[0] for found in problems])
            toml.parse(data, lines)
            raise SettingsError(sorted([settings_advice.located(lines.of, *found) for found in problems]))
    except toml.TomlError as error:
        raise SettingsError([(error.line, "", error.reason, "correct this line, then look again")])
    except MemoryError:
        raise SettingsError([(1, "", "the file is too large for the memory of this board", "shorten it")])
    return settings


def within(key, value):
    """True if `value` is a whole number within the bounds of the remote key `key`."""
    for row in explain("") if key in REMOTE else ():
        if row[KEY] == key:
            return settings_kinds.misfit(row, value) == ""
    return False


def _fill(found, problem):
    settings = {}
    names = [section[0] for section in SECTIONS[1:]]
    flat = {}
    for key in found:
        if key in JOINS_EARLY:
            problem(
                (key,),
                "makes the platform join a network before the sensors are read",
                "delete the line; networks stand in [[network]]",
            )
        elif key not in names and not (key.startswith(PLATFORM) and isinstance(found[key], (str, int, bool))):
            flat[key] = found[key]
    settings.update(_table("", (), flat, problem))
    for name, repeated, fewest, most, _, _ in SECTIONS[1:]:
        if repeated:
            settings[name] = _tables(name, found.get(name, []), fewest, most, problem)
            continue
        given = found.get(name, {})
        if not isinstance(given, dict):
            problem((name,), "is a section, and there is one of it", f"write [{name}] on a line of its own")
            given = None
        settings[name] = _rails(given, most, problem) if name == "rails" else _table(name, (name,), given, problem)
    settings_rules.check(settings, problem)
    broker = settings["broker"]
    if broker["port"] == 0:
        broker["port"] = 8883 if broker["tls"] else 1883
    return settings


def _tables(name, given, fewest, most, problem):
    if not isinstance(given, list) or not all(isinstance(item, dict) for item in given):
        problem((name,), "is a repeated section", f"write [[{name}]] in double brackets")
        return [_table(name, (name,), None, problem)]
    if not fewest <= len(given) <= most:
        problem((name,), f"{len(given)} sections", f"write {fewest} to {most} [[{name}]] sections")
    return [_table(name, (name, index), item, problem) for index, item in enumerate(given[:most])]


def _table(section, path, given, problem):
    """Fill one section from its rows. A refused value becomes None; where `given` is None, all do."""
    table = {}
    for row in explain(section):
        key = row[KEY]
        table[key] = None
        if given is None:
            continue
        if key not in given:
            default = row[DEFAULT]
            if default is None:
                problem(path + (key,), "is missing", settings_kinds.accepts(row))
            table[key] = default
        else:
            reason = settings_kinds.misfit(row, given[key])
            if reason:
                problem(path + (key,), reason, settings_kinds.accepts(row))
            else:
                table[key] = given[key]
    for key in given or ():
        if key not in table:
            from . import settings_advice  # only a file with a mistake in it pays for this

            problem(path + (key,), "is not known here", settings_advice.advice(section, key))
    return table


def _rails(given, most, problem):
    if given is None:
        return None
    rails = {}
    for name in given:
        pin = given[name]
        rails[name] = pin
        reason = settings_kinds.misfit(RAIL, pin)
        if reason:
            problem(("rails", name), reason, settings_kinds.accepts(RAIL))
    if len(rails) > most:
        problem(("rails",), f"{len(rails)} rails", f"write at most {most}")
    return rails


def _sentence(line, key, reason, remedy):
    return f"line {line}: " + (f"{key}: " if key else "") + f"{reason}; {remedy}"
