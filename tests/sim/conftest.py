"""The command in this process, and a copy of the bundled scenario to break."""

import shutil
import sys

import pytest

from deploy import cli
from hostsim.scenario import DEFAULT

SECRETS = ("twelve-planks-high", "slow-and-even-heat", "only-while-he-is-here", "larch-and-spruce")


@pytest.fixture
def yard(tmp_path):
    """A copy of the bundled scenario, to be broken; short, so that what does run is soon over."""
    folder = tmp_path / "yard"
    shutil.copytree(DEFAULT.parent, folder)
    return folder


@pytest.fixture
def torpor(tmp_path, monkeypatch, capsys):
    """Run the command here and now: (exit status, standard output, standard error)."""
    monkeypatch.chdir(tmp_path)

    def run(*words):
        monkeypatch.setattr(sys, "argv", ["torpor", *map(str, words)])
        with pytest.raises(SystemExit) as caught:
            cli.main()
        shown = capsys.readouterr()
        assert not any(secret in shown.out + shown.err for secret in SECRETS)
        assert "Traceback" not in shown.out + shown.err
        return caught.value.code, shown.out, shown.err

    return run


@pytest.fixture
def refused(torpor, tmp_path):
    """Run the command, which must refuse in one line and leave every file as it was; the line."""

    def run(*words):
        before = everything(tmp_path)
        status, out, err = torpor(*words)
        assert (status, out) == (2, "")
        assert err.startswith("torpor: ")
        assert err.endswith("\n")
        assert err.count("\n") == 1
        assert err.rstrip("\n").isprintable()
        assert everything(tmp_path) == before
        return err

    return run


def everything(folder):
    found = {}
    for path in sorted(folder.rglob("*")):
        status = path.lstat()
        small = path.is_file() and not path.is_symlink() and status.st_size < 1 << 20
        found[path] = status.st_mode, status.st_size, path.read_bytes() if small else None
    return found
