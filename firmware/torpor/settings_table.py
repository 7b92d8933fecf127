"""The one table of settings keys. Law: a key exists here or nowhere; the board, the desk's check and
docs/settings.md all work from these rows.

A row is one line: key, kind, unit, bounds, default, sentence; "-" stands for none. It is kept as text because
a tuple for each row took 10 KB more of a small heap. Bounds are those of an int, of a text in UTF-8 bytes,
of the entries of a list; for "choice" they are the choices. The kinds are judged in settings_kinds.py; a
"secret" and the "key" of a network are never shown.
"""

SECTION, KEY, KIND, UNIT, LOW, HIGH, DEFAULT, SECRET, SENTENCE = range(9)

# (name, repeated, fewest, most, sentence, rows); "" holds the flat keys, [rails] has names of the user's own.
SECTIONS = (
    (
        "",
        False,
        1,
        1,
        "The flat keys, above the first section: who the node is and when it does what.",
        """
node              name   -    1..32       required Name of the node; a part of every topic.
sample_every_s    int    s    10..86400   600      Time from one reading to the next.
transmit_every_s  int    s    10..604800  3600     Time from one session to the next, at least sample_every_s.
must_last_days    int    days 0..3650     0        How long the battery has to last; 0 demands nothing.
""",
    ),
    (
        "broker",
        False,
        1,
        1,
        "Where readings go, over MQTT 3.1.1.",
        """
host              host   -    1..253      required Host name or IPv4 address of the broker.
port              int    -    0..65535    0        Its port; 0 is 8883 with TLS, 1883 without.
tls               bool   -    -           true     Encrypt, and verify the certificate and the host name.
ca                text   -    0..128      "/ca.pem" File on the board with the certificate to trust, PEM.
client_id         text   -    0..64       ""       MQTT client id; empty: made from the chip's own number.
username          text   -    0..64       ""       User at the broker; empty: none.
password          secret -    0..128      ""       Password of that user.
session_s_max     int    s    5..300      60       Longest time that the radio is on in one session.
keepalive_s       int    s    0..3600     120      Keep-alive told to the broker; 0 switches it off.
""",
    ),
    (
        "network",
        True,
        1,
        8,
        "One section for each Wi-Fi network, in order of preference. No two have the same ssid.",
        """
ssid              text   -    1..32       required Name of the network.
password          key    -    8..64       required Its password, or "" for an open network.
address           ipv4   -    -           ""       Fixed address of the node; empty: from the network.
netmask           ipv4   -    -           ""       Netmask, together with address and gateway.
gateway           ipv4   -    -           ""       Gateway, together with address and netmask.
dns               ipv4   -    -           ""       Name server; empty: from the network.
join_s_max        int    s    3..60       20       Longest time for one attempt to join it.
""",
    ),
    (
        "radio",
        False,
        0,
        1,
        "How networks are tried, and when again after a failure.",
        """
last_good_first   bool   -    -           true     Begin with the network that worked last.
retry_base_s      int    s    60..3600    600      Wait after the first failed session.
retry_cap_s       int    s    600..86400  21600    Longest wait after many of them, at least retry_base_s.
join_s_max_total  int    s    5..180      60       Longest time for all networks of one wake together.
tx_power_dbm      int    dBm  0..21       0        Transmit power; 0 is the platform's own.
""",
    ),
    (
        "sensor",
        True,
        0,
        16,
        "One section for each sensor with a driver.",
        """
driver            driver -    3..96       required Module and class of the driver, with a dot between.
read              props  -    1..8        required Properties of the driver to read, each one a channel.
rail              text   -    0..32       ""       Rail of [rails] that feeds it; empty: always fed.
bus               text   -    1..32       "i2c"    Bus that it hangs on.
address           int    -    0..119      0        Address on the bus; 0 is the driver's own.
warm_up_ms        int    ms   0..60000    0        Wait between its rail going on and the first reading.
deadline_ms       int    ms   50..30000   2000     Longest time for reading it.
label             name   -    0..16       ""       Put before its channel names, to tell two alike apart.
""",
    ),
    (
        "quantity",
        True,
        0,
        16,
        "One section for each property whose unit is not known here, or is another one with your driver.",
        """
property          text   -    1..32       required Name of the driver's property, as in read.
unit              choice -    m,kg,s,A,K,cd,mol,Hz,rad,sr,N,Pa,J,W,C,V,F,Ohm,S,Wb,T,H,Cel,lm,lx,Bq,Gy,Sv,kat,m2,m3,\
m/s,m/s2,m3/s,W/m2,cd/m2,bit,bit/s,B,lat,lon,pH,dB,dBW,count,/,%RH,%EL,EL,1/s,S/m,VA,VAs,var,vars,J/m,kg/m3 \
required Unit of SenML (RFC 8428, RFC 8798) in which it goes out; "/" for a ratio or a mere number.
decimals          int    -    0..6        required Decimals of the driver's number that are kept.
power_of_ten      int    -    -12..6      0        Its number times ten to this is in that unit: -9 for ug/m3.
""",
    ),
    (
        "bus",
        True,
        0,
        4,
        "One section for each I2C bus. Without any there is one, i2c, on the board's own pins.",
        """
name              name   -    1..32       required Name by which sensors and the clock refer to it.
scl               text   -    1..32       required Pin of its clock line.
sda               text   -    1..32       required Pin of its data line.
frequency_hz      int    Hz   10000..1000000 100000 Its clock.
rail              text   -    0..32       ""       Rail of [rails] that feeds its pull-ups; empty: always fed.
""",
    ),
    (
        "analog",
        True,
        0,
        8,
        "One section for each voltage that is read at a pin.",
        """
name              name   -    1..32       required Name of the channel.
pin               text   -    1..32       required Pin, as the board names it.
divider_upper_ohm int    ohm  0..10000000 0        Resistor from the voltage to the pin; 0: no divider.
divider_lower_ohm int    ohm  0..10000000 0        Resistor from the pin to ground; 0: no divider.
rail              text   -    0..32       ""       Rail of [rails] that feeds it; empty: always fed.
""",
    ),
    (
        "sound",
        True,
        0,
        2,
        "One section for each microphone: the equivalent level of one second, in dB. See docs/sensors.md.",
        """
name              name   -    1..24       "sound-level" Its channel: this name with -z or -a behind it.
weighting         choice -    Z,A         "Z"      A as the ear hears, at 16000 or 48000 Hz; Z all frequencies alike.
sensitivity_tenth_dbfs int 0.1dBFS -1000..-1 required Its data sheet's, at 94 dB: -260 for -26 dBFS.
clock             text   -    1..32       required Pin of its clock.
data              text   -    1..32       required Pin of its data line.
word_select       text   -    0..32       ""       Pin of the word select line of an I2S microphone; empty: a PDM one.
rate_hz           int    Hz   8000..48000 16000    Samples in a second.
rail              text   -    0..32       ""       Rail of [rails] that feeds it; empty: always fed.
warm_up_ms        int    ms   0..60000    100      Wait between its rail going on and the first sample.
""",
    ),
    ("rails", False, 0, 16, "Switched supplies: names of your own (a-z, 0-9, -), each with its pin.", ""),
    (
        "battery",
        False,
        0,
        1,
        "What the battery holds, and when it is spared: write_off <= write_on <= radio_off <= radio_on.",
        """
capacity_mah      int    mAh  0..200000   0        Capacity when new; 0: not known.
pin               text   -    0..32       ""       Pin at which its voltage is read; empty: not read, and never low.
divider_upper_ohm int    ohm  0..10000000 0        Resistor from the battery to that pin; 0: no divider.
divider_lower_ohm int    ohm  0..10000000 0        Resistor from that pin to ground; 0: no divider.
radio_off_mv      int    mV   0..60000    3400     Below this the radio stays off.
radio_on_mv       int    mV   0..60000    3500     From this on the radio is used again.
write_off_mv      int    mV   0..60000    3200     Below this the card is left alone too.
write_on_mv       int    mV   0..60000    3300     From this on the card is written again.
""",
    ),
    (
        "card",
        False,
        0,
        1,
        "The ring file on the memory card.",
        """
size_mib          int    MiB  1..2048     64       Size of the ring file.
channels_max      int    -    1..37       8        Most channels of a record; fixed when the ring is made.
hold_ms           int    ms   0..1000     20       How long its power is held after a write.
sck               text   -    0..32       ""       Pin of its clock line; empty: the board's own SPI pins.
mosi              text   -    0..32       ""       Pin of the line to the card.
miso              text   -    0..32       ""       Pin of the line from the card.
cs                text   -    0..32       ""       Pin of its select line.
spi_hz            int    Hz   100000..40000000 8000000 Clock of its bus.
rail              text   -    0..32       ""       Rail of [rails] that feeds it; empty: always fed.
""",
    ),
    (
        "time",
        False,
        0,
        1,
        "Where time comes from, and how far it is trusted.",
        """
servers           hosts  -    0..4        ["pool.ntp.org"] Time servers, asked in this order.
sync_every_h      int    h    1..720      24       How often the time is asked for.
patience_h        int    h    0..720      24       How long readings wait here for a time that is not known.
drift_ppm_max     int    ppm  1..100000   100      Error that the clock's maker allows, temperature included.
rtc               choice -    internal,ds3231,pcf8523 "internal" The clock that runs on while the node sleeps.
rtc_bus           text   -    1..32       "i2c"    Bus that a clock chip hangs on.
rtc_alarm         text   -    0..32       ""       Pin at which a clock chip wakes the board; empty: its own timer.
""",
    ),
    (
        "status",
        False,
        0,
        1,
        "The light, the button, and time for a person at the board.",
        """
led               text   -    0..32       ""       Pin of the light; empty: none.
button            text   -    0..32       ""       Pin of the button; empty: none.
service_s         int    s    0..3600     60       How long the node waits for a person after power-on.
watchdog_s        int    s    0..600      90       Longest that a call may hang before a reset; 0: no watchdog.
""",
    ),
)

# What stands behind each free name of [rails].
RAIL = ("rails", "", "text", "", 1, 32, None, False, "Pin that switches the rail on.")


def explain(name):
    """The rows of section `name` as tuples, with the columns numbered above.

    DEFAULT is None where the key is required; LOW of a "choice" is the tuple of choices.
    """
    for section in SECTIONS:
        if section[0] == name:
            return [_row(name, line) for line in section[5].split("\n") if line]
    return []


def sections_of(key):
    """The names of the sections that know `key`."""
    return [section[0] for section in SECTIONS if "\n" + key + " " in section[5]]


def _row(section, line):
    key, kind, unit, bounds, default, sentence = line.split(None, 5)
    low = high = None
    if kind == "choice":
        low = tuple(bounds.split(","))
    elif bounds != "-":
        low, high = [int(bound) for bound in bounds.split("..")]
    unit = "" if unit == "-" else unit
    return section, key, kind, unit, low, high, _default(default), kind in ("secret", "key"), sentence


def _default(written):
    if written == "required":
        return None
    if written in ("true", "false"):
        return written == "true"
    if written[0] == "[":
        return [item.strip('"') for item in written[1:-1].split(",")]
    return written.strip('"') if written[0] == '"' else int(written)
