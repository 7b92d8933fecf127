"""What a reading on a bench may be. Law: a limit is in the steps of its channel (sensors/quantities.py), and wide.

It finds a part that is wired wrongly or broken, not one that is a little off: boards side by side find those. None of
these has a source: common practice for a room, a shed and a yard.
"""

# property: (least, most, largest spread over a few seconds; None: anything)
LIMITS = {
    "temperature": (-3000, 6000, 100),
    # a dry word of zeros comes out as 0
    "relative_humidity": (100, 10000, 300),
    "humidity": (100, 10000, 300),
    # up to 2400 m above the sea
    "pressure": (75000, 110000, 100),
    "lux": (0, 200000, None),
    "CO2": (350, 10000, 150),
    "eCO2": (400, 10000, None),
}
# dB x 10 of a microphone: below the one it hears nothing, above the other it is broken
SOUND_TENTHS = (150, 1200)
# mV at a converter's pin: where the usual ones are straight (the ESP32's at 11 dB: maker's guide)
PIN_MV = (100, 2450)
# mV of what is called supply...: 3.3 V, 5 %
SUPPLY_MV = (3135, 3465)
# mV of one lithium cell: above it a divider is wrong or a charger is on
CELL_MV_MAX = 4300
# mV that a cell may give way when the radio comes on
SAG_MV = 300
# dBm: below this sessions become long and fail often (common practice, no source)
RSSI_DBM_MIN = -88
# ms: the SD specification's longest write is 250 for the usual cards (from memory); cards that take longer are known
WRITE_MS_MAX = 500


def limits(name, own):
    """(least, most, spread) of a property, each None where nothing is known. own: the settings' [[quantity]]."""
    for entry in own:
        if entry["property"] == name:
            return None, None, None
    return LIMITS.get(name, (None, None, None))
