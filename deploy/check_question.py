"""How many days? in one line. Law: the answer is that of a node with settings, which are said here and in
docs/check.md: two values of one sensor on a switched rail, a card on another, TLS, one network always there."""

from deploy import check_forecast, check_words
from deploy.batch_text import toml_text
from deploy.check_look import Wishes
from hostsim.report.words import number
from hostsim.runtimes.settings_check import judged

TRANSMIT_S = 3600
ASKED_ABOUT = {
    "node": "node",
    "broker": {"host": "broker"},
    "network": [{"ssid": "network", "password": ""}],
    "sensor": [
        {
            "driver": "adafruit_sht4x.SHT4x",
            "read": ["temperature", "relative_humidity"],
            "rail": "sensors",
            "warm_up_ms": 10,
        }
    ],
    "rails": {"sensors": "D5", "card": "D6"},
    "battery": {"pin": "A0", "divider_upper_ohm": 1000000, "divider_lower_ohm": 1000000},
    "card": {"rail": "card"},
    "time": {"rtc": "ds3231", "drift_ppm_max": 5},
}


def answer(wishes: Wishes) -> str:
    """The line, for the intervals, the battery and the board of `wishes`."""
    sample_s = wishes.sample_every_s
    transmit_s = wishes.transmit_every_s or max(sample_s, TRANSMIT_S)
    asked = {**ASKED_ABOUT, "sample_every_s": sample_s, "transmit_every_s": transmit_s}
    complete, _ = judged(toml_text(asked).encode())
    draw = check_forecast.draw(complete, wishes.board)
    rhythm = check_words.rhythm(complete).partition(":")[0]
    capacity_mah = wishes.battery_mah or 1000.0
    days = check_words.in_days(check_forecast.life_days(capacity_mah, draw.mean_ua))
    span = check_words.span(capacity_mah, draw)
    each = f"{number(capacity_mah)} mAh" if wishes.battery_mah else "1,000 mAh"
    return f"{rhythm}: about {days} with {each} ({span} within the spread of the profile {wishes.profile})"
