"""The settings file. Law: what is accepted is what tomllib reads; all else is refused by line, and no secret is told.

`toml` is the reader of the text alone, `settings` all that stands between the file's bytes and the node.
"""

import json
import tomllib
from pathlib import Path

from torpor import settings, toml
from torpor.settings_table import SECTIONS

# stands in every seed of `settings` as the password of a network
SECRET = "twelve-planks-high"
EXAMPLE = Path(__file__).parents[2] / "firmware" / "settings.toml"


def run_toml(data):
    refusal = None
    try:
        ours = toml.parse(data)
    except toml.TomlError as error:
        refusal = error
    if refusal:
        assert 1 <= refusal.line <= data.count(b"\n") + 1
        assert len(refusal.reason.splitlines()) == 1
        return
    assert exact(ours) == exact(tomllib.loads(data.decode()))


def exact(value):
    # True == 1 in Python, and not in the text
    return json.dumps(value, sort_keys=True)


def run_settings(data):
    refusal = None
    try:
        read = settings.read(data)
    except settings.SettingsError as error:
        refusal = error
    if refusal:
        assert 1 <= len(refusal.problems) <= settings.PROBLEMS_MAX + 1
        assert all(0 <= problem[0] <= data.count(b"\n") + 1 for problem in refusal.problems)
        assert len(str(refusal).split("\n")) == len(refusal.problems)
        assert SECRET not in str(refusal) or SECRET in names(data), "a password stands in an error"
        return
    # NVM keeps it as JSON
    assert exact(json.loads(json.dumps(read))) == exact(read)
    given = tomllib.loads(data.decode())
    assert 10 <= read["sample_every_s"] <= read["transmit_every_s"] <= 604800
    assert 1 <= len(read["network"]) <= 8
    assert 1 <= read["broker"]["port"] <= 65535
    for name in given:
        if name in read:
            compare(given[name], read[name])


def names(data):
    """All names that a file gives to anything: an error may show those. "" where the text is no TOML."""
    try:
        return "\n".join(names_in(tomllib.loads(data.decode())))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError):
        return ""


def names_in(value):
    if isinstance(value, dict):
        for key, item in value.items():
            yield key
            # it names a line of [rails]
            yield str(item) if key == "rail" else ""
            yield from names_in(item)
    elif isinstance(value, list):
        for item in value:
            yield from names_in(item)


def compare(given, read):
    """Every value that the file gives is in force as it stands there; a port of 0 asks for the usual one."""
    if isinstance(given, dict):
        for key in given:
            if not (key == "port" and given[key] == 0):
                compare(given[key], read[key])
    elif isinstance(given, list):
        assert len(given) == len(read)
        for one, other in zip(given, read, strict=True):
            compare(one, other)
    else:
        assert exact(given) == exact(read)


def toml_seeds():
    return [
        EXAMPLE.read_bytes(),
        b'a = 1\nb = 0x_f\n"c d" = [1, 0o7, [true], {x = "\\u00e9\\n"}]\n',
        b"[s]\nk = 'raw\\'\n[[t]]\n[[t]]\nx = +1_0\n",
        b"# \xc3\xa9\r\na = [ # one\n 1,\n]\r\nb = {}\n",
        b"a = 1.5\nb = 1979-05-27\n",
        b'a = """x"""',
        b"a.b = 1",
        b"a = yes\n",
        b'b = "\\ud800"\n',
        b"[a]\nx = 1\n[[a]]\n[b]\n",
        b"[[a]]\n[b]\n[a]\n",
        b"x = 1\n'x' = 2\n[x]\n",
        b"a = 9223372036854775807\nb = -9223372036854775808\nc = 0b1101_0\nd = '\xf0\x9f\x8c\xb2'",
    ]


FULL = f"""node = "bench"
sample_every_s = 600
transmit_every_s = 3600
must_last_days = 90
[broker]
host = "broker.yard.example"
tls = false
username = "yard"
password = "{SECRET}"
[[network]]
ssid = "yard-office"
password = "{SECRET}"
address = "192.0.2.9"
netmask = "255.255.255.0"
gateway = "192.0.2.1"
[[network]]
ssid = "kiln-shed"
password = ""
[[sensor]]
driver = "air.Air"
read = ["temperature", "relative_humidity"]
rail = "sensors"
[[analog]]
name = "battery"
pin = "A0"
[[sound]]
name = "saw"
clock = "D9"
data = "D10"
sensitivity_tenth_dbfs = -260
[[quantity]]
property = "temperature"
unit = "Cel"
decimals = 1
[rails]
sensors = "D5"
[battery]
radio_off_mv = 3400
[card]
size_mib = 1
[time]
servers = ["time.yard.example"]
rtc = "internal"
[status]
service_s = 1
[radio]
retry_base_s = 60
"""


def settings_seeds():
    times = "sample_every_s = 600\ntransmit_every_s = 900\n"
    small = f'node = "n"\n{times}[broker]\nhost = "b.example"\n[[network]]\nssid = "s"\npassword = "{SECRET}"\n'
    return [
        EXAMPLE.read_bytes(),
        FULL.encode(),
        FULL.replace("transmit_every_s = 3600", "transmit_every_s = 360").encode(),
        (small + '[[analog]]\nname = "battery"\npin = "A0"\n').encode(),
        (small + f"[[analog]]\npassword = {SECRET}\n{SECRET} = 1\n").encode(),
        (small + f"[[analog]]\n{SECRET} = 1\n[{SECRET}]\n[rails]\n{SECRET} = 1\n").encode(),
        (small + f'[[analog]]\nname = "{SECRET}"\npin = "{SECRET}"\nrail = "{SECRET}"\n').encode(),
    ]


def words():
    """What the files are made of, for a fuzzer to put in."""
    found = ["true", "yes", "\\ud800", "\\u00e9", "\n[a]\n", "\n[[a]]\n", "\nx = 1\n", "86400", "10", '"""', SECRET]
    found += list("[]{}=#_'\"")
    for name, _, _, _, _, rows in SECTIONS:
        found += [f"[{name}]", f"[[{name}]]"] if name else []
        found += [row.split()[0] for row in rows.strip().splitlines() if row.split()]
    return [word.encode() for word in found]
