"""Which part stands behind which vendor driver, and what it is exposed to. Law: one row a driver.

For trying drivers one by one; a node's own parts are fitted from its settings.
"""

from . import (
    bh1750,
    bme280,
    ds3231,
    ina219,
    mcp9808,
    pcf8523,
    pmsa003i,
    scd4x,
    sht3x,
    sht4x,
    tmp117,
    veml7700,
)
from .part import Climate

SET_S = 1796083200  # 2026-12-01 00:00 UTC


class Air:
    """What is in the air."""

    co2_ppm = 612
    particles = (7, 11, 14, 6, 10, 13, 1500, 420, 60, 8, 3, 1)


class Circuit:
    """A load of 150 mA at 3.8 V behind a shunt of 0.1 ohm."""

    bus_v = 3.8
    shunt_v = 0.015


class Oscillator:
    """A clock that was set at SET_S and counts on."""

    def __init__(self):
        self._base_s = SET_S

    def shows(self, now_ms):
        return self._base_s + int(now_ms) // 1000

    def set(self, now_ms, epoch_s):
        self._base_s = epoch_s - int(now_ms) // 1000

    def stop(self):
        """It has a cell that lasts."""


CLIMATE = Climate(inside_degc=-7.31, humidity_percent=83.4, illuminance_lx=742.0, pressure_hpa=987.65)
# what each should say, in SenML's unit, and how far off the part's own step lets it be
TRUE = {
    "temperature": -7.31,
    "relative_humidity": 83.4,
    "humidity": 83.4,
    "pressure": 98765,
    "lux": 742,
    "CO2": 0.000612,
    "current": 0.15,
    "bus_voltage": 3.8,
    "shunt_voltage": 0.015,
    "pm25_env": 10e-9,
    "datetime": None,
}


class Fitted:
    """make(now_ms): the part; reads: {property: step of what the driver says of it, in SenML's unit}.

    settle_ms: how long the part needs after its driver was made: what warm_up_ms of the settings is for.
    """

    def __init__(self, address, make, reads, settle_ms=0):
        self.address = address
        self.make = make
        self.reads = reads
        self.settle_ms = settle_ms


FITTED = {
    "adafruit_sht4x.SHT4x": Fitted(
        sht4x.ADDRESS,
        lambda now_ms: sht4x.Sht4x(now_ms, CLIMATE),
        {"temperature": 0.01, "relative_humidity": 0.01},
    ),
    "adafruit_sht31d.SHT31D": Fitted(
        sht3x.ADDRESS,
        lambda now_ms: sht3x.Sht3x(now_ms, CLIMATE),
        {"temperature": 0.01, "relative_humidity": 0.01},
    ),
    "adafruit_tmp117.TMP117": Fitted(
        tmp117.ADDRESS, lambda now_ms: tmp117.Tmp117(now_ms, CLIMATE), {"temperature": 0.01}
    ),
    "adafruit_mcp9808.MCP9808": Fitted(
        mcp9808.ADDRESS, lambda now_ms: mcp9808.Mcp9808(now_ms, CLIMATE), {"temperature": 0.0625}, settle_ms=250
    ),
    "adafruit_bme280.basic.Adafruit_BME280_I2C": Fitted(
        bme280.ADDRESS,
        lambda now_ms: bme280.Bme280(now_ms, CLIMATE),
        {"temperature": 0.01, "relative_humidity": 0.02, "pressure": 1},
    ),
    "adafruit_veml7700.VEML7700": Fitted(
        veml7700.ADDRESS, lambda now_ms: veml7700.Veml7700(now_ms, CLIMATE), {"lux": 1}, settle_ms=110
    ),
    "adafruit_bh1750.BH1750": Fitted(bh1750.ADDRESS, lambda now_ms: bh1750.Bh1750(now_ms, CLIMATE), {"lux": 1}),
    "adafruit_scd4x.SCD4X": Fitted(
        scd4x.ADDRESS,
        lambda now_ms: scd4x.Scd4x(now_ms, CLIMATE, Air),
        {"CO2": 0.000001, "temperature": 0.01, "relative_humidity": 0.01},
        settle_ms=5100,
    ),
    "adafruit_pm25.i2c.PM25_I2C": Fitted(
        pmsa003i.ADDRESS, lambda now_ms: pmsa003i.Pmsa003i(now_ms, Air), {"pm25_env": 1e-9}
    ),
    "adafruit_ina219.INA219": Fitted(
        ina219.ADDRESS,
        lambda now_ms: ina219.Ina219(now_ms, Circuit),
        {"current": 0.0001, "bus_voltage": 0.004, "shunt_voltage": 0.00001},
    ),
    "adafruit_ds3231.DS3231": Fitted(
        ds3231.ADDRESS,
        lambda now_ms: ds3231.Ds3231(now_ms, Oscillator(), CLIMATE),
        {"datetime": None, "temperature": 0.25},
    ),
    "adafruit_pcf8523.pcf8523.PCF8523": Fitted(
        pcf8523.ADDRESS, lambda now_ms: pcf8523.Pcf8523(now_ms, Oscillator()), {"datetime": None}
    ),
}
