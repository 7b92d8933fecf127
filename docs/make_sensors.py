"""Writes docs/sensors.md. Law: the table says what came out when each driver was run, on both interpreters.

python docs/make_sensors.py                     runs all drivers and writes the page
python docs/make_sensors.py --check DRIVER ...  runs those alone; exits with 1 when the page says otherwise

Needs the drivers of the `drivers` extra and the MicroPython VM.
"""

import json
import os
import shutil
import subprocess
import sys
import tempfile
from importlib import metadata
from pathlib import Path

from hostsim.devices import catalogue, vendor

HERE = Path(__file__).resolve().parent
ROOT = HERE.parent
PAGE = HERE / "sensors.md"
PROBE = ROOT / "hostsim" / "runtimes" / "driver_probe.py"
SHIMS = ROOT / "firmware" / "torpor" / "boards" / "shims"
LIMIT_S = 60
HEAP = "1M"
# a heap is counted in blocks and tables that double, so that it is not the same to the byte twice
HEAP_KB_APART = 2

# (what it measures, driver)
DRIVERS = (
    ("temperature, humidity", "adafruit_sht4x.SHT4x"),
    ("temperature, humidity", "adafruit_sht31d.SHT31D"),
    ("temperature, humidity", "adafruit_shtc3.SHTC3"),
    ("temperature, humidity", "adafruit_si7021.SI7021"),
    ("temperature, humidity", "adafruit_htu21d.HTU21D"),
    ("temperature, humidity", "adafruit_htu31d.HTU31D"),
    ("temperature, humidity", "adafruit_hts221.HTS221"),
    ("temperature, humidity", "adafruit_ahtx0.AHTx0"),
    ("temperature, humidity", "adafruit_am2320.AM2320"),
    ("temperature", "adafruit_tmp117.TMP117"),
    ("temperature", "adafruit_mcp9808.MCP9808"),
    ("temperature", "adafruit_adt7410.ADT7410"),
    ("pressure", "adafruit_bme280.basic.Adafruit_BME280_I2C"),
    ("pressure", "adafruit_bmp280.Adafruit_BMP280_I2C"),
    ("pressure", "adafruit_bmp3xx.BMP3XX_I2C"),
    ("pressure", "adafruit_bmp5xx.BMP5XX"),
    ("pressure", "adafruit_dps310.basic.DPS310"),
    ("pressure", "adafruit_lps2x.LPS22"),
    ("pressure", "adafruit_ms8607.MS8607"),
    ("light", "adafruit_veml7700.VEML7700"),
    ("light", "adafruit_bh1750.BH1750"),
    ("light", "adafruit_tsl2591.TSL2591"),
    ("light", "adafruit_tsl2561.TSL2561"),
    ("light", "adafruit_ltr390.LTR390"),
    ("light", "adafruit_opt4048.OPT4048"),
    ("light, by colour", "adafruit_as7341.AS7341"),
    ("CO2", "adafruit_scd4x.SCD4X"),
    ("CO2", "adafruit_scd30.SCD30"),
    ("volatile compounds", "adafruit_sgp30.Adafruit_SGP30"),
    ("volatile compounds", "adafruit_sgp40.SGP40"),
    ("volatile compounds", "adafruit_ens160.ENS160"),
    ("particles", "adafruit_pm25.i2c.PM25_I2C"),
    ("current, power", "adafruit_ina219.INA219"),
    ("current, power", "adafruit_ina260.INA260"),
    ("battery", "adafruit_max1704x.MAX17048"),
    ("battery", "adafruit_lc709203f.LC709203F"),
    ("distance", "adafruit_vl53l0x.VL53L0X"),
    ("distance", "adafruit_vl53l1x.VL53L1X"),
    ("clock", "adafruit_ds3231.DS3231"),
    ("clock", "adafruit_pcf8523.pcf8523.PCF8523"),
)


def virtual_machine():
    """The path of the MicroPython VM, None where there is none."""
    return shutil.which("micropython", path=str(Path(sys.executable).parent)) or shutil.which("micropython")


def on_cpython(driver, *fault):
    """What hostsim/runtimes/driver_probe.py found, run in CPython on Blinka's board without hardware."""
    found = {"BLINKA_OS_AGNOSTIC": "1", "BLINKA_SKIP_DEPENDENCY_CHECK": "1"}
    found["PYTHONPATH"] = f"{ROOT}:{ROOT / 'firmware'}"
    return _run([sys.executable, "-P", PROBE, driver, *fault], found)


def on_micropython(driver, folder, *fault):
    """The same in the MicroPython VM; folder: where hostsim.devices.vendor laid the driver out."""
    command = [virtual_machine(), "-X", f"heapsize={HEAP}", PROBE, driver, *fault]
    return _run(command, {"MICROPYPATH": f"{SHIMS}:{folder}:{ROOT}:{ROOT / 'firmware'}"})


def _run(command, environment):
    done = subprocess.run(
        [str(word) for word in command],
        capture_output=True,
        text=True,
        timeout=LIMIT_S,
        env={**os.environ, **environment},
    )
    lines = done.stdout.splitlines()
    if done.returncode or not lines:
        return {"import": (done.stderr.splitlines() or ["no answer"])[-1], "heap": None, "offers": [], "read": None}
    return json.loads(lines[-1])


def row(kind, driver, folder):
    """The cells of one driver."""
    host, board = on_cpython(driver), on_micropython(driver, folder)
    heap = board.get("heap")
    names = sorted(set(host["offers"]) | set(board["offers"]))
    return [
        kind,
        f"`{driver}`",
        host["import"] or "imports",
        board["import"] or "imports",
        "" if heap is None else str(round(heap / 1024)),
        ", ".join(f"`{name}`" for name in names),
        reading(driver, host, board),
        "" if not board["read"] else str(board["waits_ms"]),
    ]


def reading(driver, host, board):
    """What was read of the model, and whether it was right on both."""
    if driver not in catalogue.FITTED:
        return "no model: not read"
    said = []
    for name in catalogue.FITTED[driver].reads:
        texts = [(found["read"] or {}).get(name) for found in (host, board)]
        if texts[0] == texts[1] and texts[0] is not None and right(driver, name, texts[0]):
            said.append(f"{name} {texts[0]}")
        else:
            reasons = [
                f"{text or 'nothing'} ({found.get('error')})"
                for text, found in zip(texts, (host, board), strict=True)
            ]
            said.append(f"**{name}: CPython {reasons[0]}, MicroPython {reasons[1]}**")
    return "; ".join(said)


def right(driver, name, text):
    """Whether what was read is what the model was exposed to, to a step of the part."""
    if name == "datetime":
        return text.startswith("2026-12-01 00:0")
    return abs(float(text.split()[0]) - catalogue.TRUE[name]) <= catalogue.FITTED[driver].reads[name]


def rows(wanted):
    """The cells of the drivers in `wanted`, in the order of DRIVERS. FileNotFoundError: no VM, or no such driver."""
    if virtual_machine() is None:
        raise FileNotFoundError("the MicroPython VM is not installed")
    with tempfile.TemporaryDirectory() as folder:
        missing = vendor.lay_out(folder, wanted)
        if missing:
            raise FileNotFoundError("not installed: " + ", ".join(missing))
        return [row(kind, driver, folder) for kind, driver in DRIVERS if driver in wanted]


def line(cells):
    return "| " + " | ".join(cell.replace("|", "/") for cell in cells) + " |"


def apart(written, cells):
    """Whether a line of the page says something else than these cells; heaps may differ a little."""
    old = [cell.strip() for cell in written.strip().strip("|").split("|")]
    new = [cell.strip() for cell in line(cells).strip("|").split("|")]
    heap_old, heap_new = old.pop(4), new.pop(4)
    return old != new or abs(int(heap_old or 0) - int(heap_new or 0)) > HEAP_KB_APART


def versions():
    """The installed versions that the table was made with."""
    count = len([driver for _, driver in DRIVERS if driver in catalogue.FITTED])
    vm = subprocess.run(
        [virtual_machine(), "-c", "import sys; print(sys.implementation[1])"],
        capture_output=True,
        text=True,
        timeout=LIMIT_S,
    )
    numbers = ".".join(vm.stdout.strip("()\n ").replace("'", "").split(", ")[:3])
    return {
        "python": ".".join(map(str, sys.version_info[:2])),
        "blinka": metadata.version("adafruit-blinka"),
        "vm": numbers,
        "drivers": len(DRIVERS),
        "models": count,
    }


def page():
    """The whole page as text."""
    table = [line(cells) for cells in rows([driver for _, driver in DRIVERS])]
    return TEXT.replace("TABLE", "\n".join([line(HEAD), "|---" * len(HEAD) + "|", *table])).format(**versions())


def main(arguments):
    """Write or check; returns the exit status."""
    if arguments[:1] == ["--check"]:
        written = {text.split("|")[2].strip(): text for text in PAGE.read_text().splitlines() if text.count("|") > 7}
        stale = [cells for cells in rows(arguments[1:]) if apart(written.get(cells[1], "|" * 9), cells)]
        for cells in stale:
            print("docs/sensors.md has something else than:", line(cells))
        return 1 if stale else 0
    if arguments:
        print(__doc__)
        return 2
    PAGE.write_text(page())
    return 0


HEAD = (
    "measures",
    "driver",
    "CPython",
    "MicroPython",
    "heap, KB",
    "has a unit here",
    "reads from its model",
    "waits, ms",
)

TEXT = """# Sensors

Any driver that is written for CircuitPython's I2C bus and has properties will do: the settings name it, and the node
reads the properties that they list. This page says which drivers were tried, what came out, and how to add another.

## What was tried

`docs/make_sensors.py` wrote the table by running every driver as its maker ships it, unmodified, on two interpreters
of a desktop machine: CPython {python} with Blinka {blinka}, and the MicroPython {vm} VM with the names in
`firmware/torpor/boards/shims`. {drivers} drivers were run. No board and no real part was involved.

- *CPython, MicroPython*: whether the driver can be imported there. What it raised instead, if it cannot.
- *heap*: what importing it and the libraries that it uses from source leaves on MicroPython's heap, in a VM of 64
  bits. Several drivers share the libraries. A board of 32 bits needs about half of it (an estimate, not a
  measurement).
- *has a unit here*: the properties whose unit the node knows, found by looking at the class. Some are settings of
  the part and not readings: `altitude` of a CO2 sensor, `frequency` of an SHT31. Properties without a known unit are
  not listed; they can be read all the same, see below.
- *reads from its model*: {models} of them were also made on a simulated bus, with a register-level model of the part
  behind it (`hostsim/devices`), and read. Listed is what both interpreters said alike and what lies within a step of
  the truth; anything else stands in bold, with the reason. The models were written from data sheets, mostly from
  memory. The truth was -7.31 degC, 83.4 %RH, 987.65 hPa, 742 lx, 612 ppm of CO2, 10 ug/m3 and 150 mA at 3.8 V. "not
  read" means just that: the driver imports, and nobody has seen it read anything here.
- *waits*: how long the driver waited, on MicroPython, from its constructor to the last of these properties: what
  `deadline_ms` has to allow for, in addition to the bus and the interpreter. On a part that measures by itself, add
  its `warm_up_ms`.

TABLE

What the table does not show: a part without a checksum (a clock chip, most light sensors) delivers a disturbed byte
as a wrong value, and no driver can tell.

## Adding a sensor

One section in `settings.toml`:

```toml
[[sensor]]
driver = "adafruit_tmp117.TMP117"
read = ["temperature"]
rail = "sensors"
deadline_ms = 3000
```

Copy the driver and the libraries that it names (`adafruit_bus_device`, `adafruit_register`) to the board, next to
`torpor`. The driver is made anew at each wake, with the bus and, where it is not 0, the `address`. A driver that has
`start_periodic_measurement` or `start_ranging` is started; its part then needs `warm_up_ms` until the first
measurement is over: 5100 for an SCD4x. One without the property, but with a `read()` that gives a dictionary, is
asked for the entry of that name, blanks as underscores: `pm25_env` is "pm25 env" of a particle counter.

What does not work this way: drivers that need pins besides the bus, those on SPI or UART, and properties that are
not numbers.

## A unit of your own

A property that the node does not know is stored with three decimals and no unit ("/"). One more section says what it
is:

```toml
[[quantity]]
property = "pm25_env"      # ug/m3 in the driver
unit = "kg/m3"             # SenML has no ug/m3 among its base units
power_of_ten = -9
decimals = 0
```

The number that the driver gives is kept with `decimals` decimals; times ten to `power_of_ten` it is in `unit`. What
you write here counts for all sensors that read this property, and comes before what the node knows itself.

## Sound

```toml
[[sound]]
weighting = "A"
sensitivity_tenth_dbfs = -260
clock = "D2"
data = "D3"
rail = "sensors"
```

The equivalent continuous level of one second (Leq) at a digital microphone, re 20 uPa, in tenths of a dB. An eighth
of a second before it is let go by, until microphone and filters have settled. Nothing of the sound itself is kept.
The channel is `sound-level-a` or `sound-level-z`, in dB: SenML has no unit for weighted levels, so the name says it.

- `sensitivity_tenth_dbfs` is what the data sheet gives at 94 dB, re a sine at full scale. It is good to a dB or so,
  and no more can be expected of the level without a calibrator. A level near `94 dB - sensitivity` is clipped; below
  about 35 dB, at -26 dBFS, the steps of 16 bits are heard.
- Weighting A is within 0.15 dB of the curve of IEC 61672-1 from 20 Hz to 6.3 kHz at 16000 Hz, and within 0.1 dB up
  to 20 kHz at 48000 Hz. At 16000 Hz nothing above 8 kHz is heard at all. That is the error of the arithmetic; the
  microphone has its own, and this is no sound level meter.
- Weighting Z takes what the microphone gives, without the mean.
- The arithmetic takes about 3 times as long with A as with Z: 0.46 and 0.16 us a sample in the MicroPython VM of a
  desktop machine. A board is many times slower. Where it does not keep up, pieces of the sound fall out between the
  buffers; where it needs more than 10 s for the second, the channel is absent.
- How an interpreter reads a microphone differs ([porting.md](porting.md)). Where it cannot, the channel is absent,
  counted as a sensor fault, and the log says why. No simulated node has a microphone yet.
"""


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
