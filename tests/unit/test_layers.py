"""Who may import whom, read from the sources; and that a wake that only samples stays small."""

import ast
import json
import pathlib
import subprocess
import sys

import pytest

ROOT = pathlib.Path(__file__).parents[2]
FIRMWARE = ROOT / "firmware"
STANDARD = {"struct", "binascii", "json", "errno", "math", "micropython"}
# downward only: a module imports from layers below its own, and within a layer from those listed before it
LAYERS = (
    ("errors", "backoff", "record", "retained", "mqtt", "senml", "sntp", "toml_scalars"),
    (
        "networks",
        "schedule",
        "timekeeping",
        "messages",
        "health",
        "settings_table",
        "settings_kinds",
        "sensors.quantities",
        "sensors.loader",
        "sensors.sound",
    ),
    (
        "toml",
        "settings_advice",
        "settings_rules",
        "settings",
        "last_good",
        "held",
        "ring",
        "ring_layout",
        "ring_mark",
    ),
    ("ring_search", "ring_recovery", "backlog", "uplink"),
    ("sensors.sampling", "card_start", "storing", "runs", "timesync", "answering", "delivery"),
    ("connecting", "awake", "sleeping"),
    ("cycle",),
    (
        "bench.report",
        "bench.cautions",
        "bench.limits",
        "bench.asking",
        "bench.buses",
        "bench.parts",
        "bench.clock",
        "bench.supply",
        "bench.card",
        "bench.card_cut",
        "bench.air",
        "bench.hours",
        "bench.session",
        "bench.soak",
        "bench.pauses",
        "bringup",
    ),
)
PLACE = {name: at for at, name in enumerate([name for layer in LAYERS for name in layer])}
LAYER = {name: number for number, layer in enumerate(LAYERS) for name in layer}
# what a wake with the radio needs, and one that only samples does not
RARE = {
    "toml", "toml_scalars", "settings", "settings_table", "settings_kinds", "settings_rules", "settings_advice",
    "mqtt", "senml", "sntp", "uplink", "delivery", "answering", "backlog", "messages", "health", "connecting",
    "networks", "backoff", "timesync", "runs", "card_start", "ring_layout", "ring_search", "ring_recovery", "held",
    "ring_mark", "bringup", "sensors.sound",
}  # fmt: skip


def _modules():
    for path in sorted((FIRMWARE / "torpor").rglob("*.py")):
        parts = path.relative_to(FIRMWARE / "torpor").with_suffix("").parts
        if parts[0] != "boards" and parts[-1] != "__init__":
            yield ".".join(parts), path


MODULES = list(_modules())
every_module = pytest.mark.parametrize(("name", "path"), MODULES, ids=[name for name, _ in MODULES])


def imports(path, package):
    """Absolute names of everything a source imports; package: the parts of the package that it lies in."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            base = list(package[: len(package) - node.level + 1]) if node.level else []
            base += node.module.split(".") if node.module else []
            for alias in node.names:
                found.add(".".join([*base, alias.name]))
    return found


def own_imports(name, path):
    """Names of the torpor modules that `name` imports, as in LAYERS."""
    package = ("torpor", *name.split(".")[:-1])
    found = set()
    for full in imports(path, package):
        if full.startswith("torpor"):
            rest = full.split(".")[1:]
            for length in (2, 1):
                candidate = ".".join(rest[:length])
                if candidate in PLACE and len(rest) >= length:
                    found.add(candidate)
                    break
    return found


@every_module
def test_the_node_imports_itself_and_six_modules(name, path):
    package = ("torpor", *name.split(".")[:-1])
    for full in imports(path, package):
        assert full.split(".")[0] in STANDARD | {"torpor"}, full


@every_module
def test_imports_go_downward(name, path):
    assert name in PLACE, f"{name} has no layer: give it one here"
    for other in own_imports(name, path):
        assert LAYER[other] <= LAYER[name], f"{name} imports {other}, which lies above it"
        if LAYER[other] == LAYER[name]:
            assert PLACE[other] < PLACE[name], f"{name} imports {other}"


def test_layers_name_modules_that_exist():
    existing = {name for name, _ in MODULES}
    assert [name for name in PLACE if name not in existing] == []


def python_files(folder):
    return sorted((ROOT / folder).rglob("*.py"))


def test_what_judges_shares_no_code_with_what_is_judged():
    for path in python_files("hostsim"):
        relative = path.relative_to(ROOT / "hostsim")
        if relative.parts[0] != "runtimes":
            package = ("hostsim", *relative.parts[:-1])
            assert not [full for full in imports(path, package) if full.split(".")[0] == "torpor"], path
    for path in python_files("deploy"):
        # the desk's check reads settings with the board's own reader; nothing else of the board is used there
        package = ("deploy", *path.relative_to(ROOT / "deploy").parts[:-1])
        used = {full for full in imports(path, package) if full.split(".")[0] == "torpor"}
        assert all(full.startswith("torpor.settings") for full in used), (path, used)
        if path.stem.startswith(("card", "collect", "store", "audit")):
            assert not used, path


WAKES = """
import json, sys
sys.path[:0] = [{unit!r}, {root!r}]
import session_ports
board = session_ports.deployed()
for name in [name for name in sys.modules if name.split(".")[0] == "torpor"]:
    del sys.modules[name]
for name in ("cycle", "errors"):
    setattr(session_ports, name, __import__("torpor." + name, fromlist=["x"]))
session_ports.CardError, session_ports.LinkError = session_ports.errors.CardError, session_ports.errors.LinkError
board.wake()
assert board.events() == ["stored"], board.logged
print(json.dumps(sorted(name for name in sys.modules if name.startswith("torpor."))))
"""


def test_a_wake_that_only_samples_imports_nothing_rare():
    text = WAKES.format(unit=str(ROOT / "tests" / "unit"), root=str(ROOT))
    done = subprocess.run([sys.executable, "-c", text], capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stderr
    loaded = {name[len("torpor.") :] for name in json.loads(done.stdout)}
    assert "cycle" in loaded
    assert "ring" in loaded
    assert loaded & RARE == set()
