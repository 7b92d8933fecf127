"""What the standard property names of drivers mean. Law: a unit here is one that SenML's registry has.

Names and units are those of the table "Sensor Properties and Units" in CircuitPython's design guide (from memory)
where that has the name; the others are names on which the drivers of docs/sensors.md agree. A name on which they do
not agree (power: W in one, mW in another) is not here: [[quantity]] in the settings says what it is. Units are those
of RFC 8428 section 12.1. A value is read as a float in the driver's unit and kept as an integer: value x factor, in
the unit times ten to the exponent.
"""

# property: (unit, exponent, factor)
QUANTITIES = {
    "temperature": ("Cel", -2, 100),
    "relative_humidity": ("%RH", -2, 100),
    "humidity": ("%RH", -2, 100),
    "pressure": ("Pa", 0, 100),  # drivers say hPa
    "lux": ("lx", 0, 1),
    "voltage": ("V", -3, 1000),
    "current": ("A", -6, 1000),  # drivers say mA
    "CO2": ("/", -6, 1),  # drivers say ppm
    "eCO2": ("/", -6, 1),
    "TVOC": ("/", -9, 1),  # drivers say ppb
    "distance": ("m", -3, 10),  # drivers say cm
    "frequency": ("Hz", 0, 1),
    "weight": ("kg", -6, 1000),  # drivers say g
    # the guide says of these that they have no unit: more is more, and that is all
    "light": ("/", 0, 1),
    "proximity": ("/", 0, 1),
    "sound_level": ("/", -2, 100),
    # not in the guide
    "altitude": ("m", -1, 10),
    "gas": ("Ohm", 0, 1),
    "bus_voltage": ("V", -3, 1000),
    "shunt_voltage": ("V", -6, 1000000),
    "cell_voltage": ("V", -3, 1000),
    "cell_percent": ("%EL", -1, 10),
}
# any other property: a number without a unit, to three places
OTHER = ("/", -3, 1000)


def quantity(name, own=()):
    """(unit, exponent, factor) of a property. own: the [[quantity]] sections of the settings, which come first."""
    for entry in own:
        if entry["property"] == name:
            return entry["unit"], entry["power_of_ten"] - entry["decimals"], 10 ** entry["decimals"]
    return QUANTITIES.get(name, OTHER)


def sound_name(sound):
    """The name of a sound level says how it is weighted: SenML has one unit, dB, for all of them."""
    return f"{sound['name']}-{sound['weighting'].lower()}"


def channel_name(label, name):
    """The SenML name of a property: hyphens, because RFC 9039 keeps the underscore as its separator."""
    plain = name.replace("_", "-").lower()
    return f"{label}-{plain}" if label else plain


def channels(settings):
    """[(name, unit, exponent, sensor)] of all that the settings have read, in the order in which it is stored.

    Settings of last resort (last_good.FALLBACK) have neither quantities nor sound.
    """
    found = []
    for sensor in settings["sensor"]:
        for name in sensor["read"]:
            unit, exponent, _ = quantity(name, settings.get("quantity", ()))
            found.append((channel_name(sensor["label"], name), unit, exponent, sensor["driver"]))
    for analog in settings["analog"]:
        found.append((analog["name"], "V", -3, "analog"))
    for sound in settings.get("sound", ()):
        found.append((sound_name(sound), "dB", -1, "sound"))
    return found
