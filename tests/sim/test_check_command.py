"""The command `check`: exit status, what a person sees, what is written; no secret in any of it."""

import os
import re
import stat
import sys
from pathlib import Path

import pytest
import typer

from deploy import check
from hostsim.runtimes.settings_check import judged
from hostsim.scenario import DEFAULT

YARD = DEFAULT.parent
SECRETS = ("twelve-planks-high", "slow-and-even-heat", "only-while-he-is-here", "larch-and-spruce")
BATCH = """sample_every_s = 600
transmit_every_s = 3600
CIRCUITPY_SAFE_MODE_DELAY = 0

[broker]
host = "broker.joinery.lan"
tls = false
password = "larch-and-spruce"

[[network]]
ssid = "yard-office"
password = "twelve-planks-high"

[[analog]]
name = "wood-probe"
pin = "A1"

[battery]
capacity_mah = 2500

[[node]]
name = "north-stack"

[[node]]
name = "south-stack"
card.size_mib = 128
"""


@pytest.fixture
def run(tmp_path, monkeypatch, capsys):
    """Run `torpor check` here and now: (exit status, standard output, standard error)."""
    app = typer.Typer(add_completion=False, pretty_exceptions_enable=False, rich_markup_mode=None)
    app.callback()(lambda: None)
    check.register(app)
    monkeypatch.chdir(tmp_path)

    def told(*words):
        status = app(args=["check", *map(str, words)], standalone_mode=False)
        shown = capsys.readouterr()
        assert not any(secret in shown.out + shown.err for secret in SECRETS)
        return status, shown.out, shown.err

    return told


def refused(run, *words):
    status, out, err = run(*words)
    assert (status, out) == (2, "")
    assert err.startswith("torpor: ")
    assert err.count("\n") == 1
    return err


def test_the_bundled_settings(run):
    status, out, err = run(*sorted(YARD.glob("*-*.toml")))
    assert (status, err) == (0, "")
    assert out.count("A reading every 10 min, sent every hour: 144 readings and 24 sessions a day.") == 3
    assert re.search(r"Battery for about \d{3} days", out)
    assert all(len(line) <= 80 for line in out.splitlines())


def test_errors_are_all_told_at_once(run, tmp_path):
    text = (YARD / "north-stack.toml").read_text()
    text = text.replace("sample_every_s = 600", "sample_every_s = 5").replace('driver = "adafruit_sht4x.SHT4x"', "")
    (tmp_path / "settings.toml").write_text('CIRCUITPY_WIFI_PASSWORD = "larch-and-spruce"\n' + text)
    status, out, err = run()
    assert (status, err) == (1, "")
    plain = " ".join(out.split())
    for told in (
        "line 1, CIRCUITPY_WIFI_PASSWORD: makes the platform join",
        "line 4, sample_every_s: is too small.",
        "→ write a whole number from 10 to 86400 (s).",
        "sensor#1.driver: is missing.",
        "Not ready: 3 errors.",
    ):
        assert told in plain, told


def test_what_lies_here_is_looked_at(run, tmp_path):
    assert "no settings.toml or batch.toml lies here" in refused(run)
    (tmp_path / "batch.toml").write_text(BATCH)
    status, out, _ = run()
    assert (status, "batch.toml: 2 boards built alike" in out) == (0, True)
    (tmp_path / "settings.toml").write_text((YARD / "yard-mast.toml").read_text())
    status, out, _ = run()
    assert (status, "settings.toml: yard-mast" in out, "batch.toml: 2 boards" in out) == (0, True, True)


def test_warnings_count_where_strictness_is_asked_for(run, tmp_path):
    (tmp_path / "batch.toml").write_text(BATCH)
    assert "TLS is off" in run()[1]
    assert run()[0] == 0
    assert run("--strict")[0] == 1


def test_a_mistake_of_all_boards_is_told_once(run, tmp_path):
    (tmp_path / "batch.toml").write_text(BATCH.replace("sample_every_s = 600", "sample_every_s = 5"))
    status, out, _ = run()
    assert status == 1
    assert out.count("sample_every_s: is too small") == 1


# One line for one question.


def test_how_many_days(run):
    status, out, err = run("--interval", "10min", "--battery-mah", "5000")
    assert (status, err, out.count("\n")) == (0, "", 1)
    days = int(re.search(r"about (\d+) days with 5,000 mAh", out)[1])
    assert 400 < days < 550
    seldom = run("--interval", "1h", "--send-every", "1d", "--battery-mah", "5000")[1]
    assert int(re.search(r"about (\d+) days", seldom)[1]) > days
    assert "with 1,000 mAh" in run("--interval", "600")[1]


def test_another_profile_and_another_battery_are_asked_about(run, tmp_path):
    profile = Path(check.__file__).parents[1] / "hostsim" / "data" / "boards" / "yard.toml"
    (tmp_path / "mine.toml").write_text(profile.read_text().replace("current_ua = 110\n", "current_ua = 10\n"))
    mine = run("--interval", "10min", "--battery-mah", "5000", "--profile", "mine.toml")[1]
    yard = run("--interval", "10min", "--battery-mah", "5000", "--profile", "yard")[1]
    days = [int(re.search(r"about (\d+) days", told)[1]) for told in (mine, yard)]
    assert days[0] > 1.2 * days[1]
    asked = run(YARD / "north-stack.toml", "--battery-mah", "1000", "--interval", "5min")[1]
    assert "A reading every 5 min, sent every hour: 288 readings" in asked
    assert "1,000 mAh" in asked


# Bad input: one line, exit status 2.


@pytest.mark.parametrize(
    ("words", "named"),
    [
        (("nowhere.toml",), "nowhere.toml: No such file"),
        (("a.toml", "nowhere.toml"), "nowhere.toml"),
        ((".",), "is a folder"),
        (("random.bin",), "random.bin"),
        (("zeros.toml",), "zeros.toml: is not a text file"),
        (("empty.toml",), "is empty"),
        (("--profile", "nothing"), "yard"),
        (("--profile", "nowhere.toml"), "nowhere.toml"),
        (("--interval", "1s"), "--interval"),
        (("--interval", "2d"), "--interval"),
        (("--interval", "ten"), "--interval"),
        (("--interval", "1h", "--send-every", "1min"), "--send-every"),
        (("--interval", "1h", "--write", "out"), "--write"),
        (("--battery-mah", "nan"), "--battery-mah"),
        (("--battery-mah", "-1"), "--battery-mah"),
        (("--outage-days", "inf"), "--outage-days"),
        (("a.toml", "--write", "out"), "batch"),
    ],
)
def test_bad_input_is_one_line(run, tmp_path, words, named):
    (tmp_path / "a.toml").write_text((YARD / "north-stack.toml").read_text())
    (tmp_path / "random.bin").write_bytes(bytes(range(255, 0, -1)) * 9)
    (tmp_path / "zeros.toml").write_bytes(b"node = 1\n" + bytes(600))
    (tmp_path / "empty.toml").write_bytes(b"")
    before = sorted(tmp_path.rglob("*"))
    assert named in refused(run, *words)
    assert sorted(tmp_path.rglob("*")) == before


def test_a_text_that_is_no_toml_is_an_error_in_the_settings(run, tmp_path):
    (tmp_path / "settings.toml").write_text('node = "north-stack\nlarch-and-spruce\n')
    status, out, err = run()
    assert (status, err) == (1, "")
    assert "line 1" in out


def test_the_example_of_the_page_has_no_mistake(run, tmp_path):
    page = (Path(check.__file__).parents[1] / "docs" / "check.md").read_text()
    (tmp_path / "batch.toml").write_text(re.search(r"```toml\n(.*?)```", page, re.DOTALL)[1])
    status, out, _ = run()
    assert (status, "2 boards built alike" in out) == (0, True)


# What is written for the boards of a batch.


def test_each_board_gets_a_file_that_it_reads(run, tmp_path):
    (tmp_path / "batch.toml").write_text(BATCH)
    status, out, _ = run("--write", "boards")
    assert status == 0
    for name, size_mib in (("north-stack", 64), ("south-stack", 128)):
        path = tmp_path / "boards" / name / "settings.toml"
        assert f"Written: boards/{name}/settings.toml" in out
        assert stat.S_IMODE(path.stat().st_mode) == 0o600
        complete, problems = judged(path.read_bytes())
        assert not problems
        assert (complete["node"], complete["card"]["size_mib"]) == (name, size_mib)
        assert complete["broker"]["password"] == "larch-and-spruce"
        assert run(path)[0] == 0
    # again, with a change: these files are the tool's own
    (tmp_path / "batch.toml").write_text(BATCH.replace("128", "256"))
    assert run("--write", "boards")[0] == 0
    assert "size_mib = 256" in (tmp_path / "boards" / "south-stack" / "settings.toml").read_text()
    assert list((tmp_path / "boards").rglob(".torpor-*")) == []


def test_the_certificate_comes_along(run, tmp_path):
    import trustme

    trustme.CA().cert_pem.write_to_path(tmp_path / "ca.pem")
    (tmp_path / "batch.toml").write_text(BATCH.replace("tls = false", "tls = true"))
    assert run("--write", "boards")[0] == 0
    assert (tmp_path / "boards" / "north-stack" / "ca.pem").read_bytes() == (tmp_path / "ca.pem").read_bytes()


def test_with_an_error_nothing_is_written(run, tmp_path):
    (tmp_path / "batch.toml").write_text(BATCH.replace("size_mib = 128", "size_mib = 0"))
    assert run("--write", "boards")[0] == 1
    assert not (tmp_path / "boards").exists()


def test_the_files_of_others_are_left_alone(run, tmp_path):
    (tmp_path / "batch.toml").write_text(BATCH)
    theirs = tmp_path / "boards" / "south-stack" / "settings.toml"
    theirs.parent.mkdir(parents=True)
    theirs.write_text('node = "south-stack"\n')
    assert "was not written by torpor" in refused(run, "--write", "boards")
    # looked at before the first was written
    assert not (tmp_path / "boards" / "north-stack").exists()
    theirs.unlink()
    theirs.symlink_to(tmp_path / "batch.toml")
    assert "was not written by torpor" in refused(run, "--write", "boards")
    assert (tmp_path / "batch.toml").read_text() == BATCH


def test_what_an_interruption_left_out_the_next_run_writes(run, tmp_path, monkeypatch):
    (tmp_path / "batch.toml").write_text(BATCH)
    for fails_at in (1, 2):
        real, calls = os.replace, []

        def full(source, target, real=real, calls=calls, fails_at=fails_at):
            calls.append(target)
            if len(calls) == fails_at:
                raise OSError(28, "No space left on device")
            real(source, target)

        monkeypatch.setattr(os, "replace", full)
        assert "No space left" in refused(run, "--write", "boards")
        monkeypatch.setattr(os, "replace", real)
        assert list((tmp_path / "boards").rglob(".torpor-*")) == []
    assert run("--write", "boards")[0] == 0
    assert len(list((tmp_path / "boards").rglob("settings.toml"))) == 2


def test_a_folder_that_is_a_file(run, tmp_path):
    (tmp_path / "batch.toml").write_text(BATCH)
    (tmp_path / "boards").write_text("not a folder")
    assert "boards" in refused(run, "--write", "boards")
    assert (tmp_path / "boards").read_text() == "not a folder"


def test_nothing_of_a_board_is_imported_by_the_desk(run):
    run("--interval", "600")
    for name, module in list(sys.modules.items()):
        if name.startswith("deploy."):
            own = Path(module.__file__).read_text()
            assert not re.search(r"^\s*(from|import) torpor\b", own, re.MULTILINE), name
