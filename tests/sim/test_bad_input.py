"""Law: whatever file is handed to the command, it runs, or one line says why not, and then nothing was written.

The line is on standard error, names what it is about, and repeats no secret. The exit status is then 2.
"""

import shutil
from pathlib import Path

import pytest
from breaking import make, replace

SECRETS = ("twelve-planks-high", "slow-and-even-heat", "only-while-he-is-here", "larch-and-spruce")

KINDS = ("missing", "folder", "pipe", "endless device", "link to itself", "empty", "binary", "huge")
FILES = {
    "scenario": ("scenario.toml", None),
    "settings": ("south-stack.toml", None),
    "profile": ("mine.toml", ("scenario.toml", 'board = "yard"', 'board = "mine.toml"')),
    "weather": ("mine.csv", ("scenario.toml", 'file = "bundled"', 'file = "mine.csv"')),
}


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("file", FILES)
def test_what_is_no_file_to_read_from(refused, yard, file, kind):
    name, change = FILES[file]
    if change is not None:
        replace(yard / change[0], *change[1:])
    make(yard / name, kind)
    whole = yard / "scenario.toml" if kind == "folder" and file == "scenario" else yard
    assert name in refused("rehearse", whole, "--days", 0.1)


@pytest.mark.parametrize("kind", KINDS)
def test_weather_on_the_command_line(refused, tmp_path, kind):
    make(tmp_path / "mine.csv", kind)
    assert "mine.csv" in refused("rehearse", "--weather", tmp_path / "mine.csv", "--days", 0.1)


@pytest.mark.parametrize("name", ["scenario.toml", "south-stack.toml"])
def test_a_file_cut_anywhere_runs_or_is_refused(torpor, yard, name):
    whole = (yard / name).read_bytes()
    replace(yard / "scenario.toml", "days = 365", "days = 0.02")
    if name == "scenario.toml":
        whole = (yard / name).read_bytes()
    ran = 0
    for length in range(0, len(whole), 97):
        (yard / name).write_bytes(whole[:length])
        status, _, err = torpor("rehearse", yard, "--days", 0.02)
        if status == 2:
            assert name in err
            assert err.count("\n") == 1
        else:
            ran += 1
            shutil.rmtree("rehearsal")
        assert not list(Path().glob(".torpor-*"))
        assert not Path("rehearsal").exists()
    assert ran < len(whole) / 97 / 2


@pytest.mark.parametrize("file", ["scenario.toml", "north-stack.toml"])
def test_broken_around_each_secret(torpor, yard, file):
    """Every way to break the line of a password, and none of them puts it on the screen."""
    text = (yard / file).read_text()
    lines = text.split("\n")
    for index, line in enumerate(lines):
        if not any(secret in line for secret in SECRETS):
            continue
        secret = line.split('"')[1]
        for broken in (
            f'password = "{secret}',
            f"password = {secret}",
            f"password {secret}",
            secret,
            f"[{secret}]\n[{secret}]",
            f'{line}\n"{secret}" = 1',
            f'{line}\n"{secret}" = 1\n"{secret}" = 2',
            f'password = ["{secret}"]',
            f"password = '{secret}\x01'",
            f'password = "{secret}\\q"',
            f'{line} "{secret}"',
            f'{line}\nkind = "{secret}"\nrail = "{secret}"\nlabel = "{secret}"\nreach = ["{secret}"]',
            f"{line}\n{line}",
        ):
            (yard / file).write_text("\n".join([*lines[:index], broken, *lines[index + 1 :]]))
            status, out, err = torpor("rehearse", yard, "--days", 0.02)
            assert (status, out) == (2, "")
            assert file in err
            assert err.count("\n") == 1


def test_settings_that_a_node_refuses_are_refused_in_its_words(refused, yard):
    replace(yard / "south-stack.toml", "sample_every_s = 600", "sample_every_s = 5")
    replace(yard / "south-stack.toml", "transmit_every_s = 3600", "transmit_evry_s = 3600")
    line = refused("rehearse", yard, "--days", 0.1)
    assert "south-stack.toml, line 3: sample_every_s: " in line
    assert line.endswith("(and 1 more)\n")


def test_a_note_is_one_line_and_stops_nothing(torpor, yard):
    replace(yard / "scenario.toml", 'password = "slow-and-even-heat"', 'password = "something-else"')
    status, out, err = torpor("rehearse", yard, "--days", 0.1)
    assert status in (0, 1)
    assert err.startswith('torpor: note: network "kiln-shed"')
    assert "something-else" not in out + err
