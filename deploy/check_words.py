"""What the numbers of a settings file mean. Law: every sentence follows from settings, profile and battery alone, and
what is assumed is said."""

from deploy.check_forecast import FROST_DEGC, Draw, life_days
from hostsim.report.words import number, plural

DAY_S = 86400
DAYS_MAX = 3650  # a cell's own ageing is not known for longer
SECTORS_A_MIB = 2048
YEAR_DAYS = 365.25
STATE_WORDS = {
    "asleep": "asleep",
    "booting": "starting up",
    "awake": "awake",
    "sensing": "reading sensors",
    "storing": "writing the card",
    "joining": "joining a network",
    "online": "sending",
}


def rhythm(settings: dict) -> str:
    """Such as: A reading every 10 min, sent every hour: 144 readings and 24 sessions a day."""
    sample_s, transmit_s = settings["sample_every_s"], settings["transmit_every_s"]
    sent = "sent at once" if sample_s == transmit_s else f"sent {every(transmit_s)}"
    return f"A reading {every(sample_s)}, {sent}: {_rates(DAY_S / sample_s, DAY_S / transmit_s)}."


def _rates(readings: float, sessions: float) -> str:
    if sessions < 1:
        return f"{_counted('reading', readings)} a day, one session in {number(1 / sessions, 1)} days"
    return f"{_counted('reading', readings)} and {_counted('session', sessions)} a day"


def _counted(noun: str, count: float) -> str:
    return f"{number(count, 0 if count >= 100 else 1)} {noun}{'' if count == 1 else 's'}"


def every(seconds: int) -> str:
    """600 -> "every 10 min", 3600 -> "every hour", 5400 -> "every 90 min", 86400 -> "every day"."""
    for unit, unit_s in (("day", DAY_S), ("hour", 3600), ("min", 60)):
        if seconds % unit_s == 0:
            count = seconds // unit_s
            if unit == "min":
                return f"every {count} min"
            return f"every {unit}" if count == 1 else f"every {count} {unit}s"
    return f"every {number(seconds)} s"


def battery(capacity_mah: float, draw: Draw, profile: str, wanted_days: int = 0) -> str:
    """How long it lasts, and within which bounds; without a capacity, how long 1,000 mAh would."""
    assumed = f"Assumed: {number(capacity_mah or 1000)} mAh, profile {profile}, 20 degC, networks always there."
    if not capacity_mah:
        lasts = in_days(life_days(1000.0, draw.mean_ua))
        return f"Battery: nobody says what it holds; 1,000 mAh are good for about {lasts}. {assumed}"
    lasts = in_days(life_days(capacity_mah, draw.mean_ua))
    wanted = f"; {number(wanted_days)} are wanted" if wanted_days else ""
    frost = in_days(life_days(capacity_mah, draw.mean_ua, FROST_DEGC))
    text = f"Battery for about {lasts} ({span(capacity_mah, draw)} within the profile's spread{wanted})"
    return f"{text}, {frost} at {FROST_DEGC:.0f} degC. {assumed}"


def span(capacity_mah: float, draw: Draw) -> str:
    """The days at the high and at the low end of the profile's currents: "430 to 680"."""
    short, long = (_whole(life_days(capacity_mah, ua)) for ua in (draw.high_ua, draw.low_ua))
    return f"{short} to {long}"


def in_days(days: float) -> str:
    """12.3 -> "12 days"."""
    return f"{_whole(days)} {'day' if _whole(days) == '1' else 'days'}"


def _whole(days: float) -> str:
    return f"over {number(DAYS_MAX)}" if days > DAYS_MAX else number(days, 1 if days < 10 else 0)


def current(draw: Draw) -> str:
    """Where the charge goes, the three largest parts."""
    parts = [f"{share * 100:.0f} % {STATE_WORDS[state]}" for state, share in draw.share[:3]]
    return f"Draws {number(draw.mean_ua, 0 if draw.mean_ua >= 10 else 1)} uA on average: {', '.join(parts)}."


def card(settings: dict) -> str:
    """What the card bridges."""
    days = card_days(settings)
    text = f"{number(days / YEAR_DAYS, 1)} years" if days >= YEAR_DAYS else in_days(days)
    size = settings["card"]["size_mib"]
    return f"Card: {number(size)} MiB keep {plural(card_readings(settings), 'reading')}, {text} without a network."


def card_readings(settings: dict) -> int:
    """How many readings the ring holds: 2 H (docs/formats.md, "The file")."""
    sectors = settings["card"]["size_mib"] * SECTORS_A_MIB
    return 2 * ((sectors - 64) // 2 - 64)


def card_days(settings: dict) -> float:
    """How many days of readings the ring holds."""
    return card_readings(settings) * settings["sample_every_s"] / DAY_S


def clock(settings: dict) -> str:
    """How well a reading's time is known: 2 s, and the drift since the last time from the network."""
    time = settings["time"]
    off_s = 2 + time["drift_ppm_max"] * time["sync_every_h"] * 3600 / 1e6
    off = number(off_s, 1 if off_s < 10 else 0)
    return f"Time: asked for {every(time['sync_every_h'] * 3600)}; readings are timed to within {off} s."
