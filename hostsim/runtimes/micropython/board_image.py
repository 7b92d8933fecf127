"""A board's flash as an image that was installed for it. Law: the node boots from a copy of that, and nothing else.

What `torpor install --to FILE` wrote: main.py, the versions, settings and CA all come from there.
"""

import subprocess
from pathlib import Path

from hostsim.runtimes.micropython import flash
from hostsim.runtimes.micropython.chip import OPTIONS
from hostsim.runtimes.micropython.vm import command
from hostsim.scenario import Scenario
from hostsim.scenario_text import ScenarioError

LIMIT_S = 30
_READ = """
import sys, vfs
file = open({path!r}, "r+b")
sys.path.append({modules!r})
from _image import Image
vfs.mount(vfs.VfsFat(Image(file)), "/board")
sys.stdout.write(open("/board/settings.toml").read())
"""


def use(scenario: Scenario, path: Path) -> str:
    """Boot the node that the image's settings name from a copy of the image; returns its name.

    Raises ScenarioError where there is no such node, or its settings in the scenario are others; RuntimeAbsent.
    """
    data = settings_of(path)
    for plan in scenario.nodes:
        if plan.settings_toml == data:
            OPTIONS.images[plan.name] = path
            return plan.name
    raise ScenarioError(path, None, "its settings.toml is not that of any node in the scenario, byte for byte")


def settings_of(path: Path) -> bytes:
    """settings.toml of an image. Raises ScenarioError, RuntimeAbsent."""
    if not path.is_file():
        raise ScenarioError(path, None, "is no file with an image of a board")
    script = _READ.format(path=str(path), modules=flash.modules().name)
    # with the VM's own reader of FAT; it would print ends of lines as they are
    done = subprocess.run(command("-c", script), capture_output=True, timeout=LIMIT_S, check=False)
    if done.returncode:
        said = done.stderr.decode("utf-8", "replace").strip().splitlines() or ["it says nothing"]
        raise ScenarioError(path, None, f"no settings.toml can be read from it ({said[-1]})")
    return done.stdout
