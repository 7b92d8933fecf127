"""A piece of a storm in one line, for people. Law: no password stands in it."""

import json

from hostsim.storm_pieces import AccessPoint, Clock, Outage, Setting, Site


def in_words(piece) -> str:
    """What the piece changes; for a fault or an outage also when."""
    if isinstance(piece, Setting):
        where = f"[{piece.section}] " if piece.section else ""
        if piece.key is None:
            return f"{piece.node}: one more [[{piece.section}]]: {next(iter(piece.value.values()))}"
        value = "***" if piece.key == "password" else json.dumps(piece.value)
        return f"{piece.node}: {where}{piece.key} = {value}"
    if isinstance(piece, Site):
        return f"{piece.node}: {piece.what} {json.dumps(piece.value)}"
    if isinstance(piece, Clock):
        stated = f"stated as {piece.drift_ppm_max} ppm at most, {piece.rtc}"
        return f"{piece.node}: clock {json.dumps(piece.profile)}, {stated}"
    if isinstance(piece, AccessPoint):
        return f'network "{piece.ssid}": {piece.rssi_dbm} dBm, {piece.rtt_ms} ms'
    days = f"day {piece.from_s / 86400:.2f}" + (f" to {piece.to_s / 86400:.2f}" if piece.to_s > piece.from_s else "")
    if isinstance(piece, Outage):
        place = {"": "broker", None: "time servers"}.get(piece.place, f'network "{piece.place}"')
        return f"{days}: {place} {piece.kind}"
    extras = "".join(f", {key} {value}" for key, value in piece.extras.items())
    return f"{days}: {piece.node} {piece.name}{extras}"
