"""What a scenario says that is probably a slip. Law: a note stops nothing and shows no password.

A wrong password or a strange network is a fair thing to rehearse; that it was meant, only a person knows.
"""

from hostsim.scenario import Scenario

SENSED = ("temperature", "relative_humidity", "lux", "light", "pressure")
PINS = ("battery", "supply")


def notes(scenario: Scenario) -> list[str]:
    """One line each, without a full stop; none for a scenario without contradictions."""
    return [*_networks(scenario), *_nodes_without_network(scenario), *_blind_channels(scenario)]


def _networks(scenario: Scenario) -> list[str]:
    found = []
    for network in scenario.networks:
        reached = [plan for plan in scenario.nodes if plan.name in network.reach]
        passwords = {
            entry.get("password") for plan in reached for entry in _known(plan) if entry.get("ssid") == network.ssid
        }
        if not passwords:
            found.append(f'network "{network.ssid}": no node in its reach has it in its settings')
        elif network.password not in passwords:
            found.append(f'network "{network.ssid}": its password is not the one in the settings of the nodes')
    return found


def _nodes_without_network(scenario: Scenario) -> list[str]:
    found = []
    for plan in scenario.nodes:
        there = {network.ssid for network in scenario.networks if plan.name in network.reach}
        if not there.intersection(entry.get("ssid") for entry in _known(plan)):
            found.append(f"{plan.name}: no network of its settings is ever in reach, so nothing will be delivered")
    return found


def _blind_channels(scenario: Scenario) -> list[str]:
    """The rehearsal has a climate and a battery; what else a board may read, it cannot know."""
    found = []
    for plan in scenario.nodes:
        names = [name for sensor in plan.settings.get("sensor", []) for name in sensor["read"] if name not in SENSED]
        names += [entry["name"] for entry in plan.settings.get("analog", []) if not entry["name"].startswith(PINS)]
        if names:
            found.append(
                f"{plan.name}: nothing is simulated for {', '.join(names)}; it will count as a failed sensor"
            )
    return found


def _known(plan) -> list[dict]:
    return plan.settings.get("network", [])
