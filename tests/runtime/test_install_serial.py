"""An install over a serial port: the real mpremote, a pseudo-terminal, and the real MicroPython VM with a FAT."""

import os
import pty
import select
import subprocess
import threading
import tty

import install_bench as bench
import pytest

from deploy import install_contents, install_plan, install_steps
from deploy import install_slots as slots
from deploy.install_serial import Serial
from deploy.install_target import TargetError

pytest.importorskip("mpremote")

LIMIT_S = 10
# what a board is before anybody talks to it: its file system, and a prompt
BOARD = bench.BOOT.partition('if "main.py"')[0].replace(
    "raise OSError(30)", "file.seek(number * 512); file.write(buffer)"
)
BOARD = BOARD.replace("sys.argv[1]", "{path!r}")


class Console:
    """A VM behind a pseudo-terminal. name: its port; after `left` bytes from the desk the board is gone."""

    def __init__(self, image, left=None, first=""):
        from hostsim.runtimes import RuntimeAbsent
        from hostsim.runtimes.micropython.vm import command

        script = image.with_suffix(".boot.py")
        script.write_text(BOARD.replace("{path!r}", repr(str(image))) + first)
        try:
            words = command("-i", str(script))
        except RuntimeAbsent as absent:
            pytest.skip(str(absent))
        board, theirs = pty.openpty()
        desk, ours = pty.openpty()
        for end in (theirs, ours):
            tty.setraw(end)
        self.name = os.ttyname(ours)
        self._ends = (board, desk, ours)
        self._left = left
        self.process = subprocess.Popen(words, stdin=theirs, stdout=theirs, stderr=theirs)
        os.close(theirs)
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._bridge, args=(board, desk), daemon=True)
        self._thread.start()

    def _bridge(self, board, desk):
        while not self._over.is_set():
            for end in select.select([board, desk], [], [], 0.05)[0]:
                try:
                    data = os.read(end, 4096)
                except OSError:
                    continue
                if end == desk and self._left is not None:
                    data, self._left = data[: self._left], self._left - len(data)
                    if self._left <= 0:
                        self.process.kill()
                        return
                os.write(desk if end == board else board, data)

    def end(self):
        self._over.set()
        self._thread.join(LIMIT_S)
        self.process.kill()
        self.process.wait(LIMIT_S)
        for end in self._ends:
            os.close(end)


@pytest.fixture
def image(tmp_path):
    return bench.new_image(tmp_path / "board.img")


@pytest.fixture
def consoles():
    made = []

    def console(*words, **more):
        made.append(Console(*words, **more))
        return made[-1]

    yield console
    for each in made:
        each.end()


def put(port, made):
    target = Serial(port, 2)
    try:
        plan = install_plan.planned(target, made, "micropython", target.board, bench.root())
        install_steps.carry_out(target, plan)
    finally:
        target.close()


def test_a_board_gets_two_versions_one_after_the_other(image, consoles):
    put(consoles(image).name, bench.contents("old"))
    assert bench.boots(image) == bench.ran("old")
    put(consoles(image).name, bench.contents("new"))
    assert bench.boots(image) == bench.ran("new")


def test_what_the_board_says_of_itself_and_its_files(image, consoles):
    target = Serial(consoles(image).name, 2)
    assert target.mpy & 0xFF == 6
    assert target.board.startswith("MicroPython 1.")
    free, cluster = target.room()
    offline = bench.Image(image)
    assert (free, cluster) == offline.room()
    offline.close()
    target.make_folder("fw")
    target.make_folder("fw")
    target.create("fw/a.py", bytes(range(256)) * 3)
    assert target.read("fw/a.py") == bytes(range(256)) * 3
    target.overwrite("fw/a.py", b"in place")
    assert target.read("fw/a.py")[:10] == b"in place\x08\x09"
    target.create("fw/b.py", b"other")
    target.move("fw/b.py", "fw/a.py")
    assert target.names("fw") == {"a.py": False}
    assert target.names("") == {"fw": True}
    assert target.names("none") is None
    assert target.read("none") is None
    assert target.digest("none") is None
    import hashlib

    assert target.digest("fw/a.py") == hashlib.sha256(b"other").hexdigest()
    with pytest.raises(OSError, match="No such file"):
        target.remove("none")
    target.close()


def test_a_full_board_says_so(image, consoles):
    target = Serial(consoles(image).name, 2)
    offline = bench.Image(image)
    offline.create("data.bin", bytes(offline.room()[0] - 20_000))
    offline.close()
    target.close()
    port = consoles(image).name
    with pytest.raises(TargetError, match="is full"):
        put(port, bench.contents("new", extra=30))


def test_a_board_that_goes_away_in_the_middle_runs_what_it_ran(image, consoles, monkeypatch):
    monkeypatch.setattr("deploy.install_serial.QUIET_S", 0.3)
    monkeypatch.setattr("mpremote.transport_serial.SerialTransport.read_until", impatient())
    put(consoles(image).name, bench.contents("old"))
    first, said = image.read_bytes(), []
    for left in (3_000, 12_000, 24_000, 36_000):
        image.write_bytes(first)
        with pytest.raises((OSError, TargetError)) as caught:
            put(consoles(image, left=left).name, bench.contents("new"))
        assert "\n" not in str(caught.value)
        said.append(bench.boots(image))
    old, new = bench.ran("old"), bench.ran("new")
    assert said[0] == old
    assert set(said) <= {old, new}
    put(consoles(image).name, bench.contents("new"))
    assert bench.boots(image) == bench.ran("new")


def impatient():
    """mpremote's own wait for an answer, shorter."""
    from mpremote.transport_serial import SerialTransport

    wait = SerialTransport.read_until

    def short(self, least, ending, timeout=10, data_consumer=None, timeout_overall=None):
        return wait(self, least, ending, min(timeout or 1, 1), data_consumer, timeout_overall)

    return short


def test_nobody_there(tmp_path, monkeypatch):
    with pytest.raises(TargetError, match="no MicroPython answers"):
        Serial(str(tmp_path / "no-port"), 0)
    board, desk = pty.openpty()
    monkeypatch.setattr("deploy.install_serial.QUIET_S", 0.2)
    monkeypatch.setattr("mpremote.transport_serial.SerialTransport.read_until", impatient())
    with pytest.raises(TargetError, match="no MicroPython answers"):
        Serial(os.ttyname(desk), 0)
    os.close(board)
    os.close(desk)


def test_a_watchdog_that_runs_is_given_its_longest_time_and_fed(image, consoles):
    first = (
        "import sys\nfed = []\nclass WDT:\n    def __init__(self, timeout):\n"
        "        if timeout > 8388:\n            raise ValueError\n        fed.append(timeout)\n"
        "    def feed(self):\n        fed.append(0)\n"
        "Machine.WDT = WDT\nsys.modules['torpor.boards.mp_power'] = 1\n"
    )
    target = Serial(consoles(image, first=first).name, 2)
    target.names("")
    fed = target._ask("fed")
    assert fed[0] == 8388
    assert fed.count(8388) == 1
    assert fed.count(0) >= 3
    target.close()


def test_the_slots_are_the_desks(image, consoles):
    put(consoles(image).name, bench.contents("new"))
    target = bench.Image(image)
    _, now = slots.newest(install_plan.slot_files(target))
    target.close()
    assert now.version == bench.contents("new").version
    assert install_contents.FOLDER == "fw"
