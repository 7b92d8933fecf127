"""A scenario as the files that say it. Law: what is loaded from them lives the same life, event for event.

For what storms use: the bundled weather, nothing by chance (a storm has drawn already), no requirements.
"""

import datetime
import json
from pathlib import Path

from hostsim import board, weather
from hostsim.fault_names import FAULTS
from hostsim.radio import DAYS
from hostsim.scenario import Scenario

DAY_S = 86400


class Unwritable(ValueError):
    """The scenario has something for which these files have no words."""


def written(scenario: Scenario) -> dict[str, str]:
    """{file name: text}: scenario.toml, and each node's settings and, where it is not the bundled one, its board.

    Raises Unwritable.
    """
    if scenario.weather is not weather.bundled() or scenario.draws or scenario.require:
        raise Unwritable("only the bundled weather, and nothing by chance or required")
    start = datetime.datetime.fromtimestamp(scenario.start_epoch_s + scenario.weather.utc_offset_s, datetime.UTC)
    lines = [
        f"name = {_value(scenario.name)}",
        f"start = {start.date().isoformat()}",
        f"days = {scenario.days!r}",
        f"seed = {scenario.seed}",
    ]
    files = {}
    yard = board.load(board.BUNDLED / "yard.toml")
    for plan in scenario.nodes:
        files[f"{plan.name}.toml"] = plan.settings_toml.decode()
        lines += ["", "[[node]]", f'settings = "{plan.name}.toml"']
        if plan.board != yard:
            files[f"{plan.name}-board.toml"] = _board(plan.board)
            lines.append(f'board = "{plan.name}-board.toml"')
        lines += [f"light = {plan.light!r}", f"cell = {_value(plan.cell)}", f"enclosure = {_value(plan.enclosure)}"]
    for network in scenario.networks:
        lines += ["", "[[network]]", *_network(network)]
    for name, windows in (("broker", scenario.broker_windows), ("time_server", scenario.time_windows)):
        if windows:
            lines += ["", f"[{name}]", *_outages(windows)]
    for fault in scenario.faults:
        lines += ["", "[[fault]]", f"name = {_value(fault.name)}", f"node = {_value(fault.node)}", *_when(fault)]
        lines += [f"{key} = {_value(value)}" for key, value in fault.extras.items()]
    return {"scenario.toml": "\n".join(lines) + "\n", **files}


def write(scenario: Scenario, folder: Path) -> None:
    """Into a folder, which is made. Raises Unwritable and OSError."""
    files = written(scenario)
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in files.items():
        (folder / name).write_text(text, encoding="utf-8", newline="\n")


def _value(value) -> str:
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {_value(entry)}" for key, entry in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(_value(entry) for entry in value) + "]"
    if isinstance(value, float):
        return repr(value)  # the shortest that is read as the very same number
    return json.dumps(value)


def _day(at_s: float) -> str:
    day = at_s / DAY_S
    if day * DAY_S != at_s:
        raise Unwritable(f"{at_s} s is no decimal of a day")
    return repr(day)


def _network(network) -> list[str]:
    lines = [f"{key} = {_value(getattr(network, key))}" for key in ("ssid", "password", "rssi_dbm", "rtt_ms")]
    if not network.password:
        lines.remove('password = ""')
    lines.append(f"reach = {_value(sorted(network.reach))}")
    if network.presence is not None:
        from_hour, to_hour, weekdays = network.presence
        days = _value([DAYS[day] for day in sorted(weekdays)])
        lines.append(f"presence = {{ from_hour = {from_hour}, to_hour = {to_hour}, weekdays = {days} }}")
    return lines + _outages(network.windows)


def _outages(windows) -> list[str]:
    if not windows:
        return []
    entries = [
        f"    {{ from_day = {_day(from_s)}, to_day = {_day(to_s)}, kind = {_value(kind)} }},"
        for from_s, to_s, kind in windows
    ]
    return ["outage = [", *entries, "]"]


def _when(fault) -> list[str]:
    if FAULTS[fault.name].lasting:
        return [f"from_day = {_day(fault.from_s)}", f"to_day = {_day(fault.to_s)}"]
    return [f"at_day = {_day(fault.from_s)}"]


def _board(profile: board.Board) -> str:
    lines = [
        f"name = {_value(profile.name)}",
        f"retained_bytes = {profile.retained_bytes}",
        f"nvm_slot_bytes = {profile.nvm_slot_bytes}",
    ]
    for name, state in profile.states.items():
        lines += ["", f"[states.{name}]", f"current_ua = {state.current_ua!r}", f"spread = {state.spread!r}"]
        lines.append(f"source = {_value(state.source)}")
    tables = {"durations": profile.durations, "clock": profile.clock, "sleep_timer": profile.sleep_timer}
    for name, table in tables.items():
        lines += ["", f"[{name}]", *(f"{key} = {_value(value)}" for key, value in table.items())]
    return "\n".join(lines) + "\n"
