"""The faults of time that are measured, each with the clocks it is measured on. Law: a case is a scenario.

One board for all of them: yard-mast of the timber yard, without TLS, since a session over TLS waits for the time. It
has two time servers, its own and the broker's host.
"""

import tomllib
from dataclasses import dataclass, replace

from hostsim.faults import Fault
from hostsim.scenario import Scenario, load

DAY_S = 86_400
FIRST_DAY = 1.37  # when a fault comes first
# the next one; not always at the same hour
AGAIN_DAYS = 2.06
LIES_DAYS, OF_DAYS = 3, 6
# name: (oscillator, the drift that it is specified with, ppm)
CLOCKS: dict[str, tuple[dict, int]] = {
    "compensated": ({"kind": "compensated", "offset_spread_ppm": 1.5, "ageing_ppm_per_year": 0.5}, 5),
    "crystal": ({"kind": "crystal", "offset_spread_ppm": 20.0}, 100),
    "200 ppm slow": ({"kind": "crystal", "offset_ppm": -200.0}, 300),
    "5 % RC, fast": ({"kind": "rc", "offset_ppm": 50_000.0, "noise_ppm": 400.0}, 65_000),
    "5 % RC, slow": ({"kind": "rc", "offset_ppm": -50_000.0, "noise_ppm": 400.0}, 65_000),
}
CRYSTAL, ODD, FAST, SLOW = list(CLOCKS)[1:]
LIES = ("zero", "wrong-mode", "far-future", "unsynchronised", "wrong-originate")
TOLD, UNTOLD = ("clock-reset", {"told": "told"}), ("clock-reset", {"told": "silent"})
EVER, FROM_NOON, FROM_DAY_3, OFTEN = "ever", "from noon of the first day", "from day 3", "3 days of 6"
FROM_S = {EVER: 0, FROM_NOON: DAY_S // 2, FROM_DAY_3: 3 * DAY_S}


@dataclass(frozen=True)
class Case:
    """One row. befalls: (name of a fault, what belongs to it), in turn every AGAIN_DAYS days.

    servers: (what the time servers do instead of telling the time, when). jumps_hide: no node can see its clock jump.
    """

    fault: str
    clock: str
    befalls: tuple = ()
    servers: tuple[str, str] | None = None
    jumps_hide: bool = False


def cases() -> list[Case]:
    """All of them, those of one fault together."""
    silent = "no time server answers"
    hour = "one of two servers an hour ahead 3 days of 6"
    found = [
        *_each(CLOCKS, "none"),
        *_each((CRYSTAL, ODD, FAST), "clock back at its epoch, says so", befalls=(TOLD,)),
        *_each((CRYSTAL, FAST), "clock back at its epoch, in silence", befalls=(UNTOLD,)),
        *_each((CRYSTAL, FAST), "clock 1 or 20 years ahead", befalls=_several("clock-years-off", "years", 1, 20)),
        *_each((CRYSTAL, FAST), "clock jumps +1 h, -1 h", befalls=_jumps(3600, -3600)),
        *_each((CRYSTAL, FAST), "clock jumps +150 s, -300 s", befalls=_jumps(150, -300), jumps_hide=True),
        *_each((CRYSTAL,), f"{silent}, ever", servers=("silent", EVER)),
        *_each((CRYSTAL, FAST, SLOW), f"{silent} from noon of the first day", servers=("silent", FROM_NOON)),
        *_each(CLOCKS, f"{silent} from day 3", servers=("silent", FROM_DAY_3)),
        *_each((CRYSTAL, FAST), f"{silent} from day 3; resets", befalls=(TOLD,), servers=("silent", FROM_DAY_3)),
        *_each((CRYSTAL, ODD, FAST), f"{silent} 3 days of 6; resets", befalls=(TOLD,), servers=("silent", OFTEN)),
        *_each((CRYSTAL, ODD, FAST, SLOW), hour, servers=("astray", OFTEN)),
        *_each((CRYSTAL, ODD, FAST, SLOW), f"{hour}; resets", befalls=(UNTOLD,), servers=("astray", OFTEN)),
    ]
    for lie in LIES:
        often = f"servers answer `{lie}` 3 days of 6; resets"
        found += _each((CRYSTAL,), often, befalls=(TOLD,), servers=(lie, OFTEN))
    return found


def _each(clocks, fault: str, **more) -> list[Case]:
    return [Case(fault, clock, **more) for clock in clocks]


def _several(name: str, key: str, *values: int) -> tuple:
    return tuple((name, {key: value}) for value in values)


def _jumps(*seconds: int) -> tuple:
    return _several("clock-jump", "seconds", *seconds)


def scenario(case: Case, days: float, seed: int) -> Scenario:
    """The case as a scenario of `days` days: nothing else goes wrong in it."""
    base = load(None)
    oscillator, drift_ppm = CLOCKS[case.clock]
    plan = base.nodes[2]
    text = plan.settings_toml.decode()
    for before, after in (
        ('tls = true\nca = "/ca.pem"', "tls = false"),
        ("drift_ppm_max = 5", f"drift_ppm_max = {drift_ppm}"),
    ):
        if text.count(before) != 1:
            raise ValueError(f"{base.path}: the settings of {plan.name} have {before!r} no more")
        text = text.replace(before, after)
    plan = replace(
        plan,
        settings_toml=text.encode(),
        settings=tomllib.loads(text),
        board=replace(plan.board, clock=oscillator),
        # no case ends because a battery does
        cell={**plan.cell, "capacity_mah": 1e6},
    )
    return replace(
        base,
        days=days,
        seed=seed,
        nodes=[plan],
        networks=[replace(network, windows=[]) for network in base.networks],
        broker_windows=[],
        time_windows=_windows(case.servers, days),
        faults=_faults(case.befalls, plan.name, days),
        draws=[],
        require={},
    )


def _windows(servers: tuple[str, str] | None, days: float) -> list[tuple[float, float, str]]:
    if servers is None:
        return []
    kind, when = servers
    if when != OFTEN:
        return [(float(FROM_S[when]), (days + 1) * DAY_S, kind)]
    starts = [FIRST_DAY - 0.1 + OF_DAYS * turn for turn in range(int(days / OF_DAYS) + 1)]
    return [(start * DAY_S, (start + LIES_DAYS) * DAY_S, kind) for start in starts]


def _faults(befalls: tuple, node: str, days: float) -> list[Fault]:
    found: list[Fault] = []
    at_day = FIRST_DAY
    while befalls and at_day < days:
        name, extras = befalls[len(found) % len(befalls)]
        found.append(Fault(name, node, at_day * DAY_S, at_day * DAY_S, dict(extras)))
        at_day += AGAIN_DAYS
    return found
