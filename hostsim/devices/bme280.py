"""BME280 temperature, humidity and pressure sensor. Law: it shows raw counts of the last measurement that has ended.

Bosch Sensortec, BME280 data sheet BST-BME280-DS002, sections 4.2.2, 5.3, 5.4 and 9.1 and the formulas of appendix 8.1
in floating point; trimming values of the worked example in BST-BMP280-DS001, section 3.12, those of the humidity
plausible ones. All from memory. The counts are found by bisection, because the formulas go from counts to values.
"""

from .part import Part

ADDRESS = 0x77
ID, RESET, CONTROL_HUMIDITY, STATUS, CONTROL, CONFIGURATION, DATA = 0xD0, 0xE0, 0xF2, 0xF3, 0xF4, 0xF5, 0xF7
CHIP_ID = 0x60
RESET_WORD = 0xB6
MEASURING = 0x08
OVERSAMPLING = (0, 1, 2, 4, 8, 16, 16, 16)
T1, T2, T3 = 27504, 26435, -1000
P1, P2, P3, P4, P5, P6, P7, P8, P9 = 36477, -10685, 3024, 2855, 140, -7, 15500, -14600, 6000
H1, H2, H3, H4, H5, H6 = 75, 365, 0, 316, 50, 30
NOT_MEASURED = b"\x80\x00\x00\x80\x00\x00\x80\x00"


def fine(count):
    """t_fine of a temperature count; 5120 a degree."""
    first = (count / 16384 - T1 / 1024) * T2
    second = (count / 131072 - T1 / 8192) ** 2 * T3
    return first + second


def celsius(count):
    return fine(count) / 5120


def pascal(count, t_fine):
    one = t_fine / 2 - 64000
    two = (one * one * P6 / 32768 + one * P5 * 2) / 4 + P4 * 65536
    one = (1 + (P3 * one * one / 524288 + P2 * one) / 524288 / 32768) * P1
    pressure = (1048576 - count - two / 4096) * 6250 / one
    return pressure + (P9 * pressure * pressure / 2147483648 + pressure * P8 / 32768 + P7) / 16


def humidity(count, t_fine):
    """Percent; 0 to 100."""
    warmth = t_fine - 76800
    percent = (count - (H4 * 64 + H5 / 16384 * warmth)) * (
        H2 / 65536 * (1 + H6 / 67108864 * warmth * (1 + H3 / 67108864 * warmth))
    )
    percent *= 1 - H1 * percent / 524288
    return min(100, max(0, percent))


def bisected(wanted, low, high, value):
    """The count whose value(count) is nearest to wanted; value grows or falls with the count."""
    falls = value(low) > value(high)
    while high - low > 1:
        middle = (low + high) // 2
        if (value(middle) < wanted) != falls:
            low = middle
        else:
            high = middle
    return low if abs(value(low) - wanted) <= abs(value(high) - wanted) else high


class Bme280(Part):
    """climate: has inside_degc, humidity_percent and pressure_hpa."""

    POWER_UP_MS = 2

    def __init__(self, now_ms, climate, told=None):
        self._climate = climate
        super().__init__(now_ms, told)

    def reset(self):
        self._registers = {CONTROL_HUMIDITY: 0, CONTROL: 0, CONFIGURATION: 0}
        self._humidity_in_force = 0
        self._pointer = 0
        self._data = NOT_MEASURED
        self._values = ()
        self._ends_ms = None

    def write(self, data):
        if not data:
            return
        self._measure()
        self._pointer = data[0]
        # pairs of register and value: there is no auto-increment in writing (section 6.2.1)
        for at in range(0, len(data) - 1, 2):
            self._store(data[at], data[at + 1])

    def read(self, count):
        self._measure()
        if self._pointer <= DATA < self._pointer + count or self._pointer in (DATA + 3, DATA + 6):
            for value in self._values:
                self._tell(value)
        answer = bytes([self._load(self._pointer + index) for index in range(count)])
        self._pointer += count
        return answer

    def _store(self, register, byte):
        if register == RESET and byte == RESET_WORD:
            self.reset()
        elif register in self._registers:
            self._registers[register] = byte
            if register == CONTROL:
                # the humidity's oversampling takes effect with the next write to this register (section 5.4.3)
                self._humidity_in_force = OVERSAMPLING[self._registers[CONTROL_HUMIDITY] & 7]
                self._ends_ms = self._now_ms() + self._measuring_ms() if byte & 3 else None

    def _oversampled(self):
        control = self._registers[CONTROL]
        return OVERSAMPLING[control >> 5], OVERSAMPLING[control >> 2 & 7], self._humidity_in_force

    def _measuring_ms(self):
        """The longest time that a measurement takes (section 9.1)."""
        warm, press, moist = self._oversampled()
        return 1.25 + 2.3 * warm + (2.3 * press + 0.575 if press else 0) + (2.3 * moist + 0.575 if moist else 0)

    def _measure(self):
        if self._ends_ms is None or self._now_ms() < self._ends_ms:
            return
        warm, press, moist = self._oversampled()
        climate = self._climate
        temperature = bisected(climate.inside_degc, 0, 1048575, celsius) if warm else 0x80000
        t_fine = int(fine(temperature))
        pressure = moisture = None
        if press:
            pressure = bisected(climate.pressure_hpa * 100, 0, 1048575, lambda count: pascal(count, t_fine))
        if moist:
            moisture = bisected(climate.humidity_percent, 0, 65535, lambda count: humidity(count, t_fine))
        self._values = (celsius(temperature),)
        self._values += () if pressure is None else (pascal(pressure, t_fine),)
        self._values += () if moisture is None else (humidity(moisture, t_fine),)
        self._data = _twenty_bits(0x80000 if pressure is None else pressure) + _twenty_bits(temperature)
        moisture = 0x8000 if moisture is None else moisture
        self._data += bytes((moisture >> 8, moisture & 0xFF))
        if self._registers[CONTROL] & 3 == 3:
            self._ends_ms = self._now_ms() + self._measuring_ms()
        else:
            self._registers[CONTROL] &= ~3
            self._ends_ms = None

    def _load(self, register):
        if DATA <= register < DATA + 8:
            return self._data[register - DATA]
        if register in TRIMMING:
            return TRIMMING[register]
        if register == STATUS:
            return MEASURING if self._ends_ms is not None else 0
        return CHIP_ID if register == ID else self._registers.get(register, 0)


def _twenty_bits(count):
    return bytes((count >> 12, count >> 4 & 0xFF, count << 4 & 0xF0))


def _trimming():
    """{register: byte} of the trimming values (section 4.2.2)."""
    found = {}
    at = 0x88
    for word in (T1, T2, T3, P1, P2, P3, P4, P5, P6, P7, P8, P9):
        found[at], found[at + 1] = word & 0xFF, word >> 8 & 0xFF
        at += 2
    found[0xA1] = H1
    found[0xE1], found[0xE2], found[0xE3] = H2 & 0xFF, H2 >> 8 & 0xFF, H3
    found[0xE4], found[0xE5], found[0xE6] = H4 >> 4, H4 & 15 | (H5 & 15) << 4, H5 >> 4
    found[0xE7] = H6
    return found


TRIMMING = _trimming()
