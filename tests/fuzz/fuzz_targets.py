"""The targets by name. Law: each takes any bytes and returns, or raises because something is wrong."""

from dataclasses import dataclass

import fuzz_answers
import fuzz_memory
import fuzz_packets
import fuzz_ring
import fuzz_sector
import fuzz_texts


@dataclass
class Target:
    """run(data): the check. seeds(): small valid inputs. words: what inputs are made of. size_max: of an input."""

    run: object
    seeds: object
    words: list
    size_max: int


TARGETS = {
    "mqtt": Target(fuzz_packets.run_mqtt, fuzz_packets.mqtt_seeds, fuzz_packets.WORDS, 400),
    "wire": Target(fuzz_packets.run_wire, fuzz_packets.wire_seeds, fuzz_packets.WORDS, 400),
    "toml": Target(fuzz_texts.run_toml, fuzz_texts.toml_seeds, fuzz_texts.words(), 600),
    "settings": Target(fuzz_texts.run_settings, fuzz_texts.settings_seeds, fuzz_texts.words(), 2000),
    "sector": Target(fuzz_sector.run_sector, fuzz_sector.sector_seeds, fuzz_sector.WORDS, 513),
    "ring": Target(fuzz_ring.run_ring, fuzz_ring.ring_seeds, [], 200),
    "retained": Target(fuzz_memory.run_retained, fuzz_memory.retained_seeds, fuzz_memory.WORDS, 600),
    "messages": Target(fuzz_answers.run_messages, fuzz_answers.messages_seeds, fuzz_answers.MESSAGE_WORDS, 520),
    "sntp": Target(fuzz_answers.run_sntp, fuzz_answers.sntp_seeds, [], 80),
}
