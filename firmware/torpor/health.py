"""The health message. Law: it says what the node knows about itself and never a secret.

The keys are those of docs/formats.md, "Health"; those for charge and quality are kept from the beginning.
"""

import json

from . import VERSION
from .retained import FAULTS


def message(r, ring, now, choice, network_name, rssi_dbm, battery_mv, gone):
    """The health of this moment as JSON bytes. now: (time_s, uncertainty_s or None); gone: [[first, last]]."""
    time_s, uncertainty_s = now
    faults = {}
    for index in range(len(FAULTS)):
        if r.faults[index]:
            faults[FAULTS[index]] = r.faults[index]
    body = {
        "v": 1,
        "ring": f"{ring.ring_id:08x}" if ring else None,
        "head": ring.head if ring else None,
        "acked_to": ring.acked_to if ring else None,
        "oldest": ring.oldest() if ring else None,
        "waiting": ring.head + 1 - ring.tail() if ring else 0,
        "overwritten": r.overwritten,
        "unstored": r.unstored,
        "missed": r.missed,
        "gone": gone,
        "run": r.run,
        "clock": {
            "state": "unknown" if uncertainty_s is None else "known",
            "uncertainty_s": uncertainty_s,
            "drift_ppb": r.drift_ppb,
        },
        "time": time_s,
        "battery_mv": battery_mv,
        "charge_uah": r.charge_uah,
        "network": network_name,
        "rssi_dbm": rssi_dbm,
        "settings_id": f"{choice.crc:08x}",
        "settings_problem": choice.problem,
        "remote_id": r.remote_id,
        "faults": faults,
        "firmware": VERSION,
    }
    return json.dumps(body).encode()
