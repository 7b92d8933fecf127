"""One [[node]] of a scenario. Law: what is let in has settings, a board, a cell and a housing that can exist."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from hostsim import board, enclosure
from hostsim.cell import OCV_ANCHORS_MV
from hostsim.scenario_text import ScenarioError, Table, parse, read_bytes

# key: (low, high, default)
CELL_NUMBERS = {
    "capacity_mah": (1, 1e6, 2000.0),
    # no cell loses nothing, and one that does would last for ever in a drawer
    "self_discharge_percent_per_month": (0.01, 99, 3.0),
    "internal_resistance_ohm": (0, 100, 0.15),
    "state_of_charge": (0, 1, 1.0),
}
PRESET = "box"
PARAMETER_MAX = 1e6
AT_MOST_1 = ("absorptance", "shade")
# a mass or a surface of nothing at all is no housing
AT_LEAST = dict.fromkeys(("shell_j_per_k", "inside_j_per_k", "surface_m2", "still_w_m2k"), 1e-4)
# The harshest that a weather file may say, held for months (t_degc, ghi_w_m2), and what is still a housing then.
EXTREMES = ((65.0, 1600.0), (-90.0, 0.0))
INSIDE_DEGC = (-150.0, 250.0)
EXTREME_S = 1e7

# Told the bytes of a settings file: None, or (line, reason) of the first thing that a node would refuse.
Refuse = Callable[[bytes], tuple[int | None, str] | None]


@dataclass
class NodePlan:
    """One node: name and settings as its settings file has them, its board, cell and place."""

    name: str
    settings_toml: bytes
    settings: dict
    board: board.Board
    cell: dict
    enclosure: dict
    light: float


def node_plan(folder: Path, table: Table, refuse: Refuse | None) -> NodePlan:
    """The plan of one [[node]]; files are looked for beside the scenario. Raises ScenarioError."""
    name, data, settings = _settings(folder, table, refuse)
    plan = NodePlan(
        name,
        data,
        settings,
        _board(folder, table),
        _cell(table.table("cell")),
        _enclosure(table),
        table.number("light", 0, 1, 1.0),
    )
    table.done()
    return plan


def file_beside(folder: Path, table: Table, key: str, name: str) -> Path:
    """The path of a file that a key names, seen from the scenario's folder. Raises ScenarioError if there is none."""
    path = folder / name
    try:
        path.stat()
    except OSError as error:
        raise table.wrong(key, f"names {path}: {error.strerror}") from None
    except ValueError:
        raise table.wrong(key, "cannot be the name of a file") from None
    return path


def _settings(folder: Path, table: Table, refuse: Refuse | None) -> tuple[str, bytes, dict]:
    path = file_beside(folder, table, "settings", table.text("settings"))
    data = read_bytes(path)
    found = refuse(data) if refuse is not None else None
    if found is not None:
        raise ScenarioError(path, *found)
    _, settings = parse(path, data)
    name = settings.get("node")
    if not isinstance(name, str) or not name:
        raise ScenarioError(path, None, "does not say which node it is for")
    return name, data, settings


def _board(folder: Path, table: Table) -> board.Board:
    name = table.text("board", "yard")
    known = board.bundled()
    if name in known:
        return board.load(board.BUNDLED / f"{name}.toml")
    if not name.endswith(".toml"):
        table.choice("board", [*known, "a file name that ends in .toml"])
    return board.load(file_beside(folder, table, "board", name))


def _cell(table: Table) -> dict:
    cell: dict = {"kind": table.choice("kind", sorted(OCV_ANCHORS_MV), "lipo")}
    for key, (low, high, default) in CELL_NUMBERS.items():
        cell[key] = table.number(key, low, high, default)
    table.done()
    return cell


def _enclosure(table: Table) -> dict:
    place = table.table("enclosure")
    preset = place.choice("preset", sorted(enclosure.PRESETS), PRESET)
    found: dict = {"preset": preset}
    for key, value in enclosure.PRESETS[preset].items():
        found[key] = place.number(key, AT_LEAST.get(key, 0), 1 if key in AT_MOST_1 else PARAMETER_MAX, value)
    place.done()
    try:
        housing = enclosure.Enclosure(found)
        insides = []
        for t_degc, ghi_w_m2 in EXTREMES:
            housing.step(EXTREME_S, t_degc, ghi_w_m2, 0.0)
            insides.append(housing.inside_degc)
    except ArithmeticError:
        insides = [float("nan")]
    except ValueError as error:
        raise table.wrong("enclosure", f"makes no housing: {error}") from None
    if not all(INSIDE_DEGC[0] <= inside <= INSIDE_DEGC[1] for inside in insides):
        raise table.wrong("enclosure", "makes no housing: in strong sun or a clear cold night it leaves every bound")
    return found
