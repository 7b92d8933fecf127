"""What bites in the field is found where it stands, and a file without it is not blamed for it."""

import datetime
from pathlib import Path

import pytest
import trustme
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from hypothesis import given
from hypothesis import settings as budget
from hypothesis import strategies as st

from deploy import check_drivers
from deploy.check_finding import ERROR, NOTE, WARNING
from deploy.check_look import Wishes, look
from deploy.check_source import read
from hostsim import board

ROOT = Path(__file__).parents[2]
YARD = board.load(board.BUNDLED / "yard.toml")
NOW = datetime.datetime(2027, 6, 1, tzinfo=datetime.UTC)
DAY = datetime.timedelta(days=1)
GOOD = """node = "north-stack"
sample_every_s = 600
transmit_every_s = 3600
must_last_days = 180
CIRCUITPY_SAFE_MODE_DELAY = 0
[broker]
host = "broker.joinery.lan"
ca = "/ca.pem"
[[network]]
ssid = "yard-office"
password = "twelve-planks-high"
[[sensor]]
driver = "adafruit_sht4x.SHT4x"
read = ["temperature", "relative_humidity"]
rail = "sensors"
bus = "outside"
[[bus]]
name = "i2c"
scl = "D1"
sda = "D2"
[[bus]]
name = "outside"
scl = "D3"
sda = "D4"
[rails]
sensors = "D5"
card = "D6"
[battery]
pin = "A0"
divider_upper_ohm = 1000000
divider_lower_ohm = 1000000
capacity_mah = 2500
[card]
rail = "card"
cs = "D10"
[time]
rtc = "ds3231"
drift_ppm_max = 5
[status]
led = "D13"
watchdog_s = 90
"""


def wishes(**more):
    return Wishes(YARD, "yard", **more)


def certificate(folder, begins, ends, is_authority=True):
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, "joinery")])
    made = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(7)
        .not_valid_before(begins)
        .not_valid_after(ends)
        .add_extension(x509.BasicConstraints(is_authority, None), True)
        .sign(key, hashes.SHA256())
    )
    pem = made.public_bytes(serialization.Encoding.PEM)
    (folder / "ca.pem").write_bytes(pem)
    return pem


def found(folder, text, **more):
    """{(level, key, line)} of all that is found, errors of the board's reader among it."""
    (folder / "settings.toml").write_text(text)
    (one,) = look(read(folder / "settings.toml"), wishes(**more), int(NOW.timestamp()))
    assert not any("twelve-planks" in finding.reason + finding.remedy for _, finding in one.findings)
    return {(finding.level, place.key, place.line) for place, finding in one.findings}


def line_of(text, start):
    return next(number for number, line in enumerate(text.splitlines(), 1) if line.startswith(start))


def test_nothing_is_said_against_a_good_file(tmp_path):
    certificate(tmp_path, NOW - DAY, NOW + 3650 * DAY)
    assert found(tmp_path, GOOD) == set()


# (what is replaced, by what, level, key, beginning of the line that must be named)
EDITS = [
    ('ca = "/ca.pem"', "tls = false", WARNING, "broker.tls", "tls"),
    ('host = "broker.joinery.lan"', 'host = "192.0.2.10"', WARNING, "broker.host", "host"),
    ('host = "broker.joinery.lan"', 'host = "localhost"', WARNING, "broker.host", "host"),
    ('host = "broker.joinery.lan"', 'host = "broker.yard.example"', NOTE, "broker.host", "host"),
    ("sample_every_s = 600", "sample_every_s = 10", WARNING, "sample_every_s", "sample"),
    ("sample_every_s = 600", "sample_every_s = 60", WARNING, "sample_every_s", "sample"),
    ("must_last_days = 180", "must_last_days = 900", WARNING, "must_last_days", "must"),
    ("must_last_days = 180", "must_last_days = 285", NOTE, "must_last_days", "must"),
    ("capacity_mah = 2500", "capacity_mah = 0", WARNING, "must_last_days", "must"),
    ("CIRCUITPY_SAFE_MODE_DELAY = 0", "", NOTE, "", None),
    ('[card]\nrail = "card"', '[card]\nrail = "card"\nhold_ms = 0', WARNING, "card.hold_ms", "hold_ms"),
    ('cs = "D10"', 'cs = "D5"', WARNING, "card.cs", "cs"),
    ('led = "D13"', 'led = "D1"', WARNING, "status.led", "led"),
    ('card = "D6"', 'card = "D6"\nlamp = "D7"', WARNING, "rails.lamp", "lamp"),
    ('sda = "D2"', 'sda = "D2"\nrail = "sensors"', WARNING, "time.rtc_bus", "[time]"),
    ('bus = "outside"', "", NOTE, "sensor#1.rail", "rail"),
    ("drift_ppm_max = 5", "drift_ppm_max = 2", WARNING, "time.drift_ppm_max", "drift"),
    ('rtc = "ds3231"', 'rtc = "pcf8523"', WARNING, "time.drift_ppm_max", "drift"),
    ('rtc = "ds3231"', 'rtc = "internal"', WARNING, "time.drift_ppm_max", "drift"),
    ('rtc = "ds3231"\ndrift_ppm_max = 5', "", WARNING, "time.drift_ppm_max", "[time]"),
    ("watchdog_s = 90", "watchdog_s = 8", WARNING, "status.watchdog_s", "watchdog"),
    ("watchdog_s = 90", "watchdog_s = 0", WARNING, "status.watchdog_s", "watchdog"),
    ('pin = "A0"', "radio_off_mv = 3450", WARNING, "battery.radio_off_mv", "radio_off"),
    ('pin = "A0"\n', "", NOTE, "battery.pin", "[battery]"),
    ("divider_upper_ohm = 1000000\ndivider_lower_ohm = 1000000\n", "", WARNING, "battery.pin", "pin"),
    ("_ohm = 1000000", "_ohm = 10000", WARNING, "battery.divider_upper_ohm", "divider_upper"),
    ('pin = "A0"', 'pin = "A0"\nradio_on_mv = 4300', WARNING, "battery.radio_on_mv", "radio_on"),
    ("adafruit_sht4x.SHT4x", "yard_probe.Probe", NOTE, "sensor#1.driver", "driver"),
    ("adafruit_sht4x.SHT4x", "adafruit_scd4x.SCD4X", WARNING, "sensor#1.warm_up_ms", "[[sensor]]"),
    ("adafruit_sht4x.SHT4x", "adafruit_bh1750.BH1750", None, None, None),
    ('"relative_humidity"]', '"resin"]', NOTE, "sensor#1.read", "read"),
    ('password = "twelve-planks-high"', 'password = "twelve-planks-high"\njoin_s_max = 3', WARNING,
     "network#1.join_s_max", "join"),
    # errors of the board itself
    ("node = ", 'CIRCUITPY_WIFI_SSID = "yard-office"\nnode = ', ERROR, "CIRCUITPY_WIFI_SSID", "CIRCUITPY_WIFI"),
    ("[[sensor]]", '[[network]]\nssid = "yard-office"\npassword = ""\n[[sensor]]', ERROR, "network#2.ssid",
     'ssid = "yard-office"'),
]  # fmt: skip


@pytest.mark.parametrize("edit", EDITS, ids=[f"{edit[3]} {edit[1][-24:]}" for edit in EDITS])
def test_what_bites_is_found_where_it_stands(tmp_path, edit):
    before, after, level, key, start = edit
    certificate(tmp_path, NOW - DAY, NOW + 3650 * DAY)
    assert before in GOOD
    text = GOOD.replace(before, after)
    if level is None:
        assert found(tmp_path, text) == set()
        return
    found_here = found(tmp_path, text)
    keys = {(one[0], one[1]) for one in found_here}
    assert (level, key) in keys, keys
    if start is not None:
        lines = [line for one_level, one_key, line in found_here if (one_level, one_key) == (level, key)]
        assert any(text.splitlines()[line - 1].startswith(start) for line in lines), lines


@pytest.mark.parametrize("days", [130, 900])
def test_a_card_is_large_enough_for_the_wished_outage_or_too_small(tmp_path, days):
    certificate(tmp_path, NOW - DAY, NOW + 3650 * DAY)
    keys = {one[1] for one in found(tmp_path, GOOD, outage_days=days)}
    assert keys == set()
    small = GOOD.replace("[card]\n", "[card]\nsize_mib = 9\n")
    keys = {one[1] for one in found(tmp_path, small, outage_days=days)}
    # 9 MiB: 2 x ((18432 - 64) / 2 - 64) readings of ten minutes are 126.7 days
    assert keys == {"card.size_mib"}
    assert found(tmp_path, small, outage_days=126.6) == set()
    assert found(tmp_path, small, outage_days=126.8) != set()


def test_a_ring_whose_copies_lie_in_one_unit_of_a_card_is_too_small(tmp_path):
    certificate(tmp_path, NOW - DAY, NOW + 3650 * DAY)
    small = GOOD.replace("[card]\n", "[card]\nsize_mib = 8\n")
    assert {one[:2] for one in found(tmp_path, small)} == {("warning", "card.size_mib")}


def test_every_network_needs_time_to_be_joined(tmp_path):
    certificate(tmp_path, NOW - DAY, NOW + 3650 * DAY)
    two = GOOD.replace("[[sensor]]", '[[network]]\nssid = "kiln-shed"\npassword = ""\n[[sensor]]')
    assert found(tmp_path, two + "[radio]\njoin_s_max_total = 10\n") == set()
    line = len(two.splitlines()) + 2
    assert found(tmp_path, two + "[radio]\njoin_s_max_total = 9\n") == {(WARNING, "radio.join_s_max_total", line)}


def test_what_does_not_fit_into_a_session_piles_up(tmp_path):
    certificate(tmp_path, NOW - DAY, NOW + 3650 * DAY)
    text = GOOD.replace("sample_every_s = 600", "sample_every_s = 300").replace("= 3600", "= 604800")
    assert "transmit_every_s" not in {one[1] for one in found(tmp_path, text)}
    text = text.replace("[broker]", "[broker]\nsession_s_max = 5")
    assert (WARNING, "transmit_every_s", 3) in found(tmp_path, text)


# The certificate.


@pytest.mark.parametrize(
    ("begins", "ends", "level"),
    [
        (NOW - DAY, NOW + 3650 * DAY, None),
        (NOW - DAY, NOW + 181 * DAY, None),
        # the battery has to last 180 days
        (NOW - DAY, NOW + 170 * DAY, WARNING),
        (NOW - DAY, NOW + 1.5 * DAY, WARNING),
        (NOW - 30 * DAY, NOW - DAY, ERROR),
        (NOW + DAY, NOW + 3650 * DAY, WARNING),
    ],
)
def test_the_times_of_a_certificate(tmp_path, begins, ends, level):
    certificate(tmp_path, begins, ends)
    got = found(tmp_path, GOOD)
    assert got == (set() if level is None else {(level, "broker.ca", line_of(GOOD, "ca"))})


def test_a_certificate_that_is_none(tmp_path):
    assert found(tmp_path, GOOD) == {(WARNING, "broker.ca", 8)}  # not there
    pem = certificate(tmp_path, NOW - DAY, NOW + 3650 * DAY)
    for wrong in (
        b"",
        b"\x30\x82\x01\x0a\xff",
        pem[:-200],
        b"-----BEGIN CERTIFICATE-----\nAAAA\n",
        bytes(range(256)),
    ):
        (tmp_path / "ca.pem").write_bytes(wrong)
        assert found(tmp_path, GOOD) == {(ERROR, "broker.ca", 8)}, wrong
    (tmp_path / "ca.pem").write_bytes(pem + b"\n# the joinery's own\n")
    assert found(tmp_path, GOOD) == set()


def test_two_certificates_or_that_of_a_server_are_doubtful(tmp_path):
    pem = certificate(tmp_path, NOW - DAY, NOW + 3650 * DAY)
    (tmp_path / "ca.pem").write_bytes(pem + certificate(tmp_path, NOW - DAY, NOW + 3000 * DAY))
    assert found(tmp_path, GOOD) == {(WARNING, "broker.ca", 8)}
    certificate(tmp_path, NOW - DAY, NOW + 3650 * DAY, is_authority=False)
    assert found(tmp_path, GOOD) == {(WARNING, "broker.ca", 8)}


def test_a_private_key_does_not_go_onto_a_board(tmp_path):
    ca = trustme.CA()
    (tmp_path / "ca.pem").write_bytes(ca.private_key_pem.bytes() + ca.cert_pem.bytes())
    assert (ERROR, "broker.ca", 8) in found(tmp_path, GOOD)


def test_a_certificate_elsewhere_is_no_way_out_of_the_folder(tmp_path):
    (tmp_path / "ca.pem").mkdir()
    assert found(tmp_path, GOOD) == {(WARNING, "broker.ca", 8)}
    assert found(tmp_path, GOOD.replace("/ca.pem", "x" * 100)) == {(WARNING, "broker.ca", 8)}


# The list of drivers.


def test_the_drivers_are_those_of_the_page():
    rows = {}
    for line in (ROOT / "docs" / "sensors.md").read_text().splitlines():
        cells = [cell.strip() for cell in line.strip("|").split("|")]
        if len(cells) == 8 and cells[1].startswith("`"):
            rows[cells[1].strip("`")] = int(cells[7] or 0)
    assert rows == check_drivers.TRIED
    assert set(check_drivers.WARM_UP_MS) <= set(rows)


# Secrets.

PLACES = ("node = ", "host = ", "ssid = ", "driver = ", "[rails]", "pin = ", "cs = ", "led = ", "[broker]", "rtc = ")
FORMS = ('"{}"\n', "{}\n", '{} = "x"\n', "[{}]\n", '"{}" = "{}"\n', '"{}\n', '["{}"]\n', "{}.{} = 1\n")


@budget(max_examples=60, deadline=None)
@given(
    place=st.sampled_from(PLACES),
    form=st.sampled_from(FORMS),
    secret=st.text("abcXYZ019 !?#=.-_", min_size=17, max_size=40),
)
def test_what_stands_in_the_wrong_place_is_not_repeated(tmp_path_factory, place, form, secret):
    folder = tmp_path_factory.mktemp("secret")
    text = GOOD.replace(place, place.replace("[", "\n[") + "\n" + form.replace("{}", secret), 1)
    (folder / "settings.toml").write_text(text)
    source = read(folder / "settings.toml")
    (one,) = look(source, wishes(), int(NOW.timestamp())) or (None,)
    findings = source.findings + (one.findings if one else [])
    said = " ".join([place.key + finding.reason + finding.remedy for place, finding in findings])
    assert secret not in said
