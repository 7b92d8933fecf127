"""What the standard property names of drivers mean. Law: a unit here is one that SenML's registry has.

Names and units are those of the CircuitPython design guide's table; RFC 8428 table 6 has the units on the right. A
value is read as a float in the driver's unit and kept as an integer: value x factor, in the unit times ten to
the exponent.
"""

# property: (unit, exponent, factor)
QUANTITIES = {
    "temperature": ("Cel", -2, 100),
    "relative_humidity": ("%RH", -2, 100),
    "pressure": ("Pa", 0, 100),  # drivers say hPa
    "lux": ("lx", 0, 1),
    "light": ("lx", 0, 1),
    "voltage": ("V", -3, 1000),
    "current": ("A", -6, 1000),  # drivers say mA
    "power": ("W", -6, 1000),  # drivers say mW
    "CO2": ("/", -6, 1),  # drivers say ppm
    "eCO2": ("/", -6, 1),
    "distance": ("m", -3, 10),  # drivers say cm
    "altitude": ("m", -1, 10),
    "duty_cycle": ("/", -4, 10000),
    "frequency": ("Hz", 0, 1),
    "weight": ("kg", -6, 1000),  # drivers say g
    "sound_level": ("dB", -1, 10),
}


def channel_name(label, name):
    """The SenML name of a property: hyphens, because RFC 9039 keeps the underscore as its separator."""
    plain = name.replace("_", "-").lower()
    return f"{label}-{plain}" if label else plain


def channels(settings):
    """[(name, unit, exponent, sensor)] of all that the settings have read, in the order in which it is stored."""
    found = []
    for sensor in settings["sensor"]:
        for name in sensor["read"]:
            unit, exponent, _ = QUANTITIES.get(name, ("/", 0, 1))
            found.append((channel_name(sensor["label"], name), unit, exponent, sensor["driver"]))
    for analog in settings["analog"]:
        found.append((analog["name"], "V", -3, "analog"))
    return found
