"""Rules that bind several settings together. Law: each rule looks only at values that passed on their own (a
refused value is None here), so that one mistake is reported once."""

from .sensors.quantities import channel_name, sound_name
from .settings_kinds import is_name, is_word

RAIL_BYTES_MAX = 32
# what every pack says besides its channels
OWN_NAMES = ("seq", "ring", "time-uncertainty", "run", "run-time", "flags")
# one sector holds the names of all channels; its head, CRC and the longest unit taken off
LAYOUT_BYTES_MAX = 508 - 27
UNIT_BYTES_MAX = 5
# rates for which sensors/sound.py has the filters of the A weighting
WEIGHTED_HZ = (16000, 48000)


def check(settings, problem):
    """Call problem(path, reason, remedy) for each broken rule."""
    _times(settings, problem)
    _broker(settings["broker"], problem)
    _networks(settings["network"], problem)
    _rails(settings, problem)
    _buses(settings, problem)
    for index, analog in enumerate(settings["analog"]):
        _divider(("analog", index), analog, problem)
    _divider(("battery",), settings["battery"], problem)
    _battery(settings["battery"], problem)
    _quantities(settings, problem)
    _sounds(settings["sound"], problem)
    _channels(settings, problem)


def _above(high, low):
    return high is None or low is None or high >= low


def _times(settings, problem):
    if not _above(settings["transmit_every_s"], settings["sample_every_s"]):
        problem(
            ("transmit_every_s",),
            "is shorter than sample_every_s",
            "make transmit_every_s at least sample_every_s",
        )
    radio = settings["radio"]
    if not _above(radio["retry_cap_s"], radio["retry_base_s"]):
        problem(
            ("radio", "retry_cap_s"),
            "is shorter than retry_base_s",
            "make retry_cap_s at least retry_base_s",
        )


def _buses(settings, problem):
    names = []
    for index, bus in enumerate(settings["bus"]):
        if bus["name"] is not None and bus["name"] in names:
            problem(("bus", index, "name"), "is the same as in a bus further up", "give each bus a name of its own")
        names.append(bus["name"])
    if not names:
        names = ["i2c"]
    users = [(("sensor", index, "bus"), sensor["bus"]) for index, sensor in enumerate(settings["sensor"])]
    if settings["time"]["rtc"] != "internal":
        users.append((("time", "rtc_bus"), settings["time"]["rtc_bus"]))
    for path, name in users:
        if name is not None and name not in names:
            problem(path, "names no [[bus]]", f"add a [[bus]] of that name, or use {names[0]}")


def _broker(broker, problem):
    if broker["tls"] and broker["ca"] == "":
        problem(("broker", "ca"), "is empty while tls is true", "name the PEM file of the authority to trust")


def _networks(networks, problem):
    seen = []
    for index, network in enumerate(networks):
        ssid = network["ssid"]
        if ssid is not None and ssid in seen:
            problem(("network", index, "ssid"), "is the same as in a network further up", "delete one of them")
        seen.append(ssid)
        fixed = [network[key] for key in ("address", "netmask", "gateway")]
        if None not in fixed and "" in fixed and fixed != ["", "", ""]:
            problem(
                ("network", index, "address"),
                "address, netmask and gateway belong together",
                "write all three, or none of them",
            )


def _rails(settings, problem):
    rails = settings["rails"]
    if rails is None:
        return
    for name in rails:
        if not is_name(name) or len(name) > RAIL_BYTES_MAX:
            problem(("rails", name), "is no good name for a rail", f"use 1 to {RAIL_BYTES_MAX} of a-z, 0-9 and -")
    users = [(("card",), settings["card"])]
    for section in ("sensor", "analog", "sound"):
        users.extend([((section, index), one) for index, one in enumerate(settings[section])])
    for path, user in users:
        rail = user["rail"]
        if rail and rail not in rails:
            # a rail's name is no secret, but what is not even a name might be one in the wrong place
            called = f'"{rail}"' if is_name(rail) else "of this name"
            problem(path + ("rail",), f"there is no rail {called} in [rails]", "add it there with its pin")


def _divider(path, entry, problem):
    upper, lower = entry["divider_upper_ohm"], entry["divider_lower_ohm"]
    if upper is not None and lower is not None and bool(upper) != bool(lower):
        missing = "divider_lower_ohm" if upper else "divider_upper_ohm"
        problem(path + (missing,), "is missing: a divider has two resistors", "write both, or none")


def _battery(battery, problem):
    order = ("write_off_mv", "write_on_mv", "radio_off_mv", "radio_on_mv")
    for index in range(1, len(order)):
        lower, higher = order[index - 1], order[index]
        if not _above(battery[higher], battery[lower]):
            problem(
                ("battery", higher),
                f"is lower than {lower}",
                "keep write_off_mv <= write_on_mv <= radio_off_mv <= radio_on_mv",
            )


def _quantities(settings, problem):
    seen = []
    read = []
    for sensor in settings["sensor"]:
        # where a list was refused nobody knows what it should have held
        read = None if read is None or sensor["read"] is None else read + sensor["read"]
    for index, entry in enumerate(settings["quantity"]):
        path, name = ("quantity", index, "property"), entry["property"]
        if name is None:
            continue
        if not is_word(name):
            problem(path, "is no name of a property", "write it as in read: letters, digits and _")
        elif name in seen:
            problem(path, "is the same as in a quantity further up", "delete one of them")
        elif read is not None and name not in read:
            problem(path, "is read from no [[sensor]]", "name it in read, or delete this section")
        seen.append(name)


def _sounds(sounds, problem):
    for index, sound in enumerate(sounds):
        if sound["weighting"] == "A" and sound["rate_hz"] not in (None,) + WEIGHTED_HZ:
            reason = "is a rate for which there is no A weighting"
            problem(("sound", index, "rate_hz"), reason, 'write 16000 or 48000, or weighting = "Z"')


def _channels(settings, problem):
    names = []
    layout_bytes = 0
    for section in ("sensor", "analog", "sound"):
        for index, one in enumerate(settings[section]):
            path = (section, index, "read" if section == "sensor" else "name")
            for name in _own_channels(section, one):
                if name in OWN_NAMES:
                    problem(
                        path, f"{name} is a name that every reading already has", "give it another name or a label"
                    )
                if name in names:
                    remedy = "give the sensor a label, or the input another name"
                    problem(path, f"the channel {name} is there already", remedy)
                names.append(name)
                source = (one["driver"] or "") if section == "sensor" else section
                layout_bytes += 4 + len(name) + UNIT_BYTES_MAX + len(source)
    if layout_bytes + len(settings["node"] or "") > LAYOUT_BYTES_MAX:
        problem((), "the names of all channels and drivers do not fit into one sector of the card", "read less")
    most = settings["card"]["channels_max"]
    if not settings["sensor"] and not settings["analog"] and not settings["sound"]:
        problem((), "nothing is measured", "add a [[sensor]], an [[analog]] or a [[sound]] section")
    elif most is not None and len(names) > most:
        reason = f"{len(names)} channels are more than channels_max = {most}"
        problem(("card", "channels_max"), reason, "raise it before the ring is created, or read less")


def _own_channels(section, one):
    if section == "analog":
        return [one["name"]] if one["name"] else []
    if section == "sound":
        return [sound_name(one)] if one["name"] and one["weighting"] else []
    if one["read"] is None or one["label"] is None:
        return []
    return [channel_name(one["label"], name) for name in one["read"]]
