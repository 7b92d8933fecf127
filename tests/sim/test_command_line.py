"""Law: a wrong word on the command line costs one line and exit status 2, and never a report that was there."""

import json
import shutil
import socket
import threading
from pathlib import Path

import pytest
from breaking import make, replace

from deploy import broker_probe
from hostsim.board import BUNDLED as BOARDS

LIMIT_S = 60
SECRET = "twelve-planks-high"

COMMAND_LINES = [
    (("bogus",), "bogus"),
    (("rehearse", "one", "two"), "two"),
    (("rehearse", "--dasy", "2"), "--days"),
    (("rehearse", "--days"), "--days"),
    (("rehearse", "--days", "nan"), "--days"),
    (("rehearse", "--days", "inf"), "--days"),
    (("rehearse", "--days", "-1"), "--days"),
    (("rehearse", "--days", "0"), "--days"),
    (("rehearse", "--days", "1e99"), "--days"),
    (("rehearse", "--days", "two"), "--days"),
    (("rehearse", "--seed", "-1"), "--seed"),
    (("rehearse", "--seed", str(2**32)), "--seed"),
    (("rehearse", "--seed", "9" * 5000), "--seed"),
    (("rehearse", "--seed", "1.5"), "--seed"),
    (("rehearse", "nowhere.toml"), "nowhere.toml"),
    (("rehearse", "x" * 5000), "too long"),
    (("rehearse", "a\nb\x1b[2J"), "a?b?[2J"),
    (("rehearse", "\udcff.toml"), "not UTF-8"),
    (("rehearse", "--broker", ""), "HOST:PORT"),
    (("rehearse", "--broker", "localhost"), "HOST:PORT"),
    (("rehearse", "--broker", ":1883"), "HOST:PORT"),
    (("rehearse", "--broker", "localhost:"), "HOST:PORT"),
    (("rehearse", "--broker", "localhost:0"), "HOST:PORT"),
    (("rehearse", "--broker", "localhost:65536"), "HOST:PORT"),
    (("rehearse", "--broker", "localhost:²"), "HOST:PORT"),
    (("rehearse", "--broker", "::1:1883"), "HOST:PORT"),
    (("rehearse", "--broker", "mqtt://localhost:1883"), "HOST:PORT"),
    (("rehearse", "--broker", f"user:{SECRET}@localhost:1883"), "HOST:PORT"),
    (("rehearse", "--broker", "a..b:1883"), "a..b:1883"),
]


@pytest.mark.parametrize(("words", "named"), COMMAND_LINES, ids=range(len(COMMAND_LINES)))
def test_a_wrong_command_line_is_one_line(refused, words, named):
    assert named in refused(*words)


def test_nobody_listens(refused):
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        address = f"127.0.0.1:{probe.getsockname()[1]}"
        # bound and not listening: nobody else can take the port meanwhile
        assert f"--broker {address}: Connection refused" in refused("rehearse", "--broker", address)


@pytest.mark.parametrize(
    ("answer", "reason"),
    [
        (b"", "no MQTT broker"),
        (b"HTTP/1.1 400 Bad Request", "no MQTT broker"),
        (b"\x20\x02\x00\x05", "wants a user and a password"),
        (b"\x20\x02\x00", "no MQTT broker"),
        (None, "no answer within"),
    ],
)
def test_something_listens_that_is_no_broker_for_us(refused, monkeypatch, answer, reason):
    """It closes each connection, with some words or without; None: it says nothing at all."""
    monkeypatch.setattr(broker_probe, "PROBE_S", 0.5 if answer is None else LIMIT_S)
    with socket.create_server(("127.0.0.1", 0)) as server:
        stop = threading.Event()

        def serve():
            server.settimeout(LIMIT_S)
            stream = server.accept()[0]
            with stream:
                stream.recv(100)
                if answer is None:
                    stop.wait(LIMIT_S)
                else:
                    stream.sendall(answer)

        thread = threading.Thread(target=serve)
        thread.start()
        try:
            address = f"127.0.0.1:{server.getsockname()[1]}"
            line = refused("rehearse", "--days", 0.1, "--broker", address)
            assert address in line
            assert reason in line
        finally:
            stop.set()
            thread.join(LIMIT_S)


@pytest.mark.parametrize("broker", ["mosquitto", "amqtt"])
def test_a_real_broker(torpor, broker, request):
    port = request.getfixturevalue(f"{broker}_port")
    status, out, err = torpor("rehearse", "--days", 0.1, "--broker", f"127.0.0.1:{port}")
    assert (status, err) == (1, "")
    report = json.loads(Path("rehearsal/report.json").read_text())
    assert sum(node["readings"]["delivered"] for node in report["nodes"]) > 0


@pytest.mark.parametrize("what", ["file", "below a file", "link to nowhere", "device", "too long", "not to be made"])
def test_a_folder_that_cannot_be(refused, tmp_path, what):
    (tmp_path / "file").write_text("mine")
    (tmp_path / "link").symlink_to(tmp_path / "nowhere")
    out = {
        "file": tmp_path / "file",
        "below a file": tmp_path / "file" / "a" / "b",
        "link to nowhere": tmp_path / "link",
        "device": Path("/dev/null"),
        "too long": tmp_path / ("x" * 300),
        "not to be made": Path("/proc/torpor-report"),
    }[what]
    line = refused("rehearse", "--days", 0.05, "--out", out)
    assert str(out if what != "below a file" else tmp_path / "file")[:200] in line


def test_a_folder_with_a_folder_where_a_file_should_go(refused, tmp_path):
    (tmp_path / "out" / "report.json").mkdir(parents=True)
    assert "report.json" in refused("rehearse", "--days", 0.05, "--out", tmp_path / "out")


def test_an_earlier_report_survives_bad_input(torpor, refused, yard):
    torpor("rehearse", "--days", 0.05)
    assert sorted(path.name for path in Path("rehearsal").iterdir()) == ["events.jsonl", "report.html", "report.json"]
    make(yard / "scenario.toml", "binary")
    refused("rehearse", yard)


def test_a_new_report_replaces_an_earlier_one_and_nothing_else(torpor):
    torpor("rehearse", "--days", 0.05, "--out", "a/b")
    Path("a/b/mine.txt").write_text("mine")
    torpor("rehearse", "--days", 0.06, "--out", "a/b")
    assert json.loads(Path("a/b/report.json").read_text())["days"] == 0.06
    assert Path("a/b/mine.txt").read_text() == "mine"
    assert len(list(Path("a/b").iterdir())) == 4


def test_an_end_that_no_node_believes(refused, torpor, yard):
    replace(yard / "scenario.toml", "start = 2027-01-01", "start = 2045-12-01")
    assert "ends after 2045" in refused("rehearse", yard)
    assert "ends after 2045" in refused("rehearse", yard, "--days", 32)
    assert torpor("rehearse", yard, "--days", 0.05)[0] != 2


def test_a_profile_of_ones_own_runs(torpor, yard):
    shutil.copy(BOARDS / "yard.toml", yard / "mine.toml")
    replace(yard / "scenario.toml", 'board = "yard"', 'board = "mine.toml"')
    status, out, _ = torpor("rehearse", yard, "--days", 0.1)
    assert status in (0, 1)
    assert "The report: " in out
