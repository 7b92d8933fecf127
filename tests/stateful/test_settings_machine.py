"""The settings file under edits, against tomllib. Law: it is in force exactly as it stands, or refused with a line.

And whatever lies on the board: the settings under which a broker last accepted a reading are never lost, although
power goes at any byte of a write to NVM.
"""

import json
import tomllib
from zlib import crc32

from fake_ports import Nvm, PowerLoss, settings_file
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, rule
from stateful_budget import budget
from test_toml_against_tomllib import read_both
from torpor import last_good, settings

FILES = [settings_file(sample_s=sample_s, ssid=ssid) for sample_s, ssid in ((600, "yard-office"), (900, "kiln-shed"))]
LINES = [
    "",
    "# a note",
    "[time]",
    "[[network]]",
    "[[analog]]",
    "[nonsense]",
    "sample_every_s = 1_200",
    "transmit_every_s = 5",
    "must_last_days = 010",
    "must_last_days = 0x1E",
    'node = "mast\\u002d1"',
    "tls = yes",
    "pin = 'A1'",
    "drift_ppm_max = 20.5",
    'servers = ["one.example", # first\n"two.example",]',
    'password = "',
    "password = 12345678",
    "a.b = 1",
    "CIRCUITPY_PYSTACK_SIZE = 4096",
    'CIRCUITPY_WIFI_SSID = "yard-office"',
    "x = {y = [1, {}]}",
]
PLACE = st.integers(0, 60)


class SettingsMachine(RuleBasedStateMachine):
    """`data` is the file on the board; `accepted` the (crc, settings) that a broker last accepted a reading under."""

    @initialize(file=st.sampled_from(FILES), slots=st.sampled_from([0, 2, 2, 2]), size=st.sampled_from([4000, 900]))
    def deploy(self, file, slots, size):
        self.data = file
        self.nvm = Nvm(slots, size)
        self.accepted = None
        self.wake()

    def lines(self):
        return self.data.split(b"\n")

    def write(self, lines):
        self.data = b"\n".join(lines)
        self.wake()

    @rule(at=PLACE, line=st.sampled_from(LINES))
    def insert_a_line(self, at, line):
        lines = self.lines()
        lines.insert(at % (len(lines) + 1), line.encode())
        self.write(lines)

    @rule(at=PLACE, line=st.sampled_from(LINES))
    def replace_a_line(self, at, line):
        lines = self.lines()
        lines[at % len(lines)] = line.encode()
        self.write(lines)

    @rule(at=PLACE)
    def delete_a_line(self, at):
        lines = self.lines()
        del lines[at % len(lines)]
        self.write(lines)

    @rule(at=PLACE, to=PLACE)
    def copy_a_line(self, at, to):
        lines = self.lines()
        lines.insert(to % (len(lines) + 1), lines[at % len(lines)])
        self.write(lines)

    @rule(share=st.integers(0, 1000))
    def half_written(self, share):
        """A copy that was interrupted; the file is copied again later."""
        whole, self.data = self.data, self.data[: len(self.data) * share // 1000]
        self.wake()
        self.data = whole

    @rule(at=st.integers(0, 2000), byte=st.integers(0, 255))
    def a_byte_rots(self, at, byte):
        data = bytearray(self.data or b"\0")
        data[at % len(data)] = byte
        self.data = bytes(data)
        self.wake()

    @rule(file=st.sampled_from(FILES))
    def copy_a_good_file(self, file):
        self.data = file
        self.wake()

    @rule()
    def missing(self):
        self.check(None, last_good.choose(None, self.nvm))

    @rule(cut=st.one_of(st.none(), st.integers(0, 1500)))
    def a_broker_accepts(self, cut):
        choice = last_good.choose(self.data, self.nvm)
        if not choice.crc or choice.good:
            return
        self.nvm.cut_at = cut
        before, writes = self.accepted, self.nvm.writes
        try:
            last_good.accept(self.nvm, choice.crc)
        except PowerLoss:
            # it is either of the two from now on
            found = last_good.choose(None, self.nvm)
            kept = (found.crc, found.settings) if found.good else None
            assert kept in (before, (choice.crc, choice.settings))
            self.accepted = kept
            return
        finally:
            self.nvm.cut_at = None
        # what does not fit into a slot cannot be kept
        if self.nvm.writes > writes:
            self.accepted = (choice.crc, choice.settings)
        self.wake()

    @rule(cut=st.integers(0, 1500), sample_s=st.integers(601, 899))
    def power_goes_while_a_new_file_is_kept(self, cut, sample_s):
        self.data = settings_file(sample_s=sample_s)
        self.nvm.cut_at = cut
        try:
            last_good.choose(self.data, self.nvm)
        except PowerLoss:
            pass
        finally:
            self.nvm.cut_at = None
        self.wake()

    @rule()
    def wake(self):
        for _ in range(2):
            # the second time it comes from NVM
            self.check(self.data, last_good.choose(self.data, self.nvm))

    def check(self, data, choice):
        read = None if data is None else self.judged(data)
        if read is not None:
            assert choice.problem is None
            assert (choice.crc, choice.settings) == (crc32(data), read)
        else:
            assert choice.problem
            assert "\n" not in choice.problem
            assert data is None or choice.problem.startswith("line ")
            if self.accepted:
                assert (choice.crc, choice.settings) == self.accepted
                assert choice.good
        if self.accepted:
            standing_by = choice.settings if choice.good else choice.previous
            assert standing_by == self.accepted[1], "the last good settings are gone"

    def judged(self, data):
        """The settings that a file makes, None for one that is refused; both held against tomllib."""
        read_both(data)
        refusal = None
        try:
            read = settings.read(data)
        except settings.SettingsError as error:
            refusal = error
        if refusal:
            assert all(1 <= problem[0] <= data.count(b"\n") + 1 for problem in refusal.problems)
            return None
        given = tomllib.loads(data.decode())
        for name, value in given.items():
            if not name.startswith("CIRCUITPY_"):
                self.in_force(value, read[name])
        return json.loads(json.dumps(read))

    def in_force(self, given, read):
        if isinstance(given, dict):
            for key, value in given.items():
                if not (key == "port" and value == 0):
                    self.in_force(value, read[key])
        elif isinstance(given, list):
            assert len(given) == len(read)
            for one, other in zip(given, read, strict=True):
                self.in_force(one, other)
        else:
            assert (type(given), given) == (type(read), read)


SettingsMachine.TestCase.settings = budget(200, 15)
TestSettings = SettingsMachine.TestCase
