"""Rails, then buses. Law: every rail is on before the first scan, and a pattern of addresses has its usual suspects.

What is expected on a bus follows from the settings: sensors by address, or by what their driver asks for, and the
clock chip.
"""

from .report import said

RAIL_SETTLE_MS = 100
LOCK_TRIES = 100
# what every clock chip of the settings has
CLOCK_ADDRESS = 0x68
# of 112 addresses, so many answer only when somebody holds SDA low in the acknowledge
CROWD = 32


def rails_on(report, ports, settings):
    """Every rail of the settings on; returns those that obeyed."""
    done = []
    for name in sorted(settings["rails"]):
        item = "rail " + name
        try:
            ports.power.rail(name, True)
        except Exception as error:
            report.fail(item, "rail-unknown", said(error), "", "compare [rails] with the board's own pin names")
        else:
            report.passed(item, "switched on by pin " + settings["rails"][name])
            done.append(name)
    if not settings["rails"]:
        report.not_fitted("rails")
    ports.clock.wait_ms(RAIL_SETTLE_MS)
    return done


def expected(bench, settings):
    """{bus: [(address or None, who, rail)]} by the settings."""
    found = {}
    for entry in settings["bus"] or [{"name": "i2c"}]:
        found[entry["name"]] = []
    for sensor in settings["sensor"]:
        address = sensor["address"] or bench.address_of(sensor["driver"])
        found.setdefault(sensor["bus"], []).append((address, sensor["driver"], sensor["rail"]))
    if settings["time"]["rtc"] != "internal":
        found.setdefault(settings["time"]["rtc_bus"], []).append((CLOCK_ADDRESS, settings["time"]["rtc"], ""))
    return found


def check(report, ports, settings):
    """One item a bus, and one a part that is missing. Returns {bus: addresses that answer}, None for a dead bus."""
    bench = ports.bench()
    wanted = expected(bench, settings)
    found = {}
    for name in sorted(wanted):
        if name == "i2c" and not settings["bus"] and not wanted[name]:
            report.not_fitted("bus i2c")
            continue
        found[name] = _bus(report, ports, bench, settings, name, wanted[name])
    report.numbers["addresses"] = found
    return found


def _bus(report, ports, bench, settings, name, parts):
    item = "bus " + name
    limit = _listed([part[0] for part in parts if part[0]])
    fed_by = ""
    for entry in settings["bus"]:
        if entry["name"] == name:
            fed_by = entry["rail"]
    lines = bench.lines(name)
    try:
        bus = bench.bus(name)
    except Exception as error:
        _dead(report, item, lines, fed_by, said(error), limit)
        return None
    try:
        answers = _scan(ports, bus)
        if _missing(parts, answers):
            # some parts do not answer for a while after their rail went on
            ports.clock.wait_ms(max([0] + [sensor["warm_up_ms"] for sensor in settings["sensor"]]))
            answers = _scan(ports, bus)
    except Exception as error:
        _dead(report, item, lines, fed_by, said(error), limit)
        return None
    _patterns(report, item, answers, parts, limit)
    return answers


def _scan(ports, bus):
    for _ in range(LOCK_TRIES):
        if bus.try_lock():
            break
        ports.clock.wait_ms(1)
    else:
        raise OSError("the bus is not let go")
    try:
        return sorted(bus.scan())
    finally:
        bus.unlock()


def _dead(report, item, lines, fed_by, error, limit):
    """A line is low: who holds it is seen with the chip's own weak pull-ups on."""
    rail = f"rail {fed_by} gives nothing (rail-dead), or " if fed_by else ""
    if lines is None:
        do = rail + "no pull-ups, or somebody holds SDA or SCL low; with scl and sda in a [[bus]] this can tell which"
        report.fail(item, "bus-low", error, limit, do)
        return
    state = f"SCL {lines[0]}, SDA {lines[1]}"
    if "held" in lines:
        report.fail(
            item,
            "bus-held",
            state,
            limit,
            "somebody holds that line low: a bridge of solder to ground, a part the wrong way round, or one that is "
            "stuck; take parts off one by one",
        )
        return
    report.fail(
        item,
        "bus-unpulled",
        f"{state}; {error}",
        limit,
        rail + "the pull-ups (2.2 to 10 kohm to 3.3 V) are not fitted or not soldered; measure the supply at them",
    )


def _missing(parts, answers):
    return [part for part in parts if part[0] and part[0] not in answers]


def _patterns(report, item, answers, parts, limit):
    value = _listed(answers) + " answer" if answers else "nothing answers"
    missing = _missing(parts, answers)
    known = [part[0] for part in parts]
    strange = [address for address in answers if address not in known]
    if len(answers) >= CROWD:
        report.fail(
            item,
            "bus-crowded",
            f"{len(answers)} addresses answer",
            limit,
            "no bus has so many: SDA is held low or shorted to ground, or a part answers to everything",
        )
    elif missing and not answers:
        rails = sorted([part[2] for part in parts if part[2]])
        rail = f"rail {rails[0]} gives nothing (rail-dead: measure it), " if rails else ""
        report.fail(
            item,
            "bus-silent",
            value,
            limit,
            rail + "SDA and SCL are swapped, the parts have no ground or no supply, or sit the wrong way round",
        )
    else:
        report.judge(
            not missing, item, "part-missing", value, limit, "some are missing: each has a line of its own below"
        )
    if not answers or len(answers) >= CROWD:
        return
    for rail in sorted({part[2] for part in missing if part[2]}):
        fed = [part for part in parts if part[0] and part[2] == rail]
        # one part alone may as well be missing itself
        if len(fed) > 1 and all(part in missing for part in fed):
            report.fail(
                "rail " + rail,
                "rail-dead",
                "no part that hangs on it answers",
                "",
                "measure it with the rail on: load switch, its enable pin and the pin in [rails]",
            )
    for address, who, _ in missing:
        do = "its solder, its supply, or it is another part"
        if strange:
            do = f"its address strap: {_listed(strange)} answers and nobody is expected there; or " + do
        fault = "part-elsewhere" if strange else "part-absent"
        report.fail("part " + who, fault, f"0x{address:02x} does not answer", "", do)
    if strange and not missing:
        report.note(f"{item}: nobody in the settings has {_listed(strange)}")


def _listed(addresses):
    return ", ".join([f"0x{address:02x}" for address in sorted(addresses)])
