"""TLS to a real broker. Law: with a certificate that does not fit no reading leaves the node, and none is lost."""

import pytest

from hostsim import diary_format, rehearse

FAULTS = ("wrong-ca", "wrong-host", "expired", "not-yet-valid")


def lived(mosquitto_tls, kind, runtime, hours):
    port, ca = mosquitto_tls(kind)
    scenario = rehearse.load(None, days=hours / 24)
    run = rehearse.Rehearsal(scenario, None, broker=("127.0.0.1", port), ca_file=ca, runtime=runtime)
    return run, run.run(None)


@pytest.mark.parametrize("runtime", rehearse.RUNTIMES)
def test_a_good_certificate_lets_every_reading_through(mosquitto_tls, runtime):
    run, results = lived(mosquitto_tls, "good", runtime, 6)
    assert not run.traces
    assert not [entry for entry in results["invariants"] if entry["state"] == "broken"]
    for node in results["nodes"]:
        assert node["readings"]["stored"] == node["readings"]["delivered"] == node["due"] == 37


@pytest.mark.parametrize("runtime", rehearse.RUNTIMES)
@pytest.mark.parametrize("kind", FAULTS)
def test_a_certificate_that_does_not_fit_is_refused(mosquitto_tls, kind, runtime):
    run, results = lived(mosquitto_tls, kind, runtime, 6)
    assert not run.traces
    assert not [entry for entry in results["invariants"] if entry["state"] == "broken"]
    for node, entry in zip(run.world.nodes, results["nodes"], strict=True):
        assert entry["readings"]["delivered"] == entry["readings"]["lost"] == 0
        assert entry["readings"]["waiting"] == entry["readings"]["stored"] == entry["due"] == 37
        assert diary_format.faults(node.retained)["tls"] > 0


def test_the_battery_is_not_drained_by_retries(mosquitto_tls):
    good, bad = (lived(mosquitto_tls, kind, "fast", 96)[1] for kind in ("good", "wrong-ca"))
    for well, ill in zip(good["nodes"], bad["nodes"], strict=True):
        assert ill["sessions"]["tried"] < well["sessions"]["tried"] / 2
        # a session that fails is longer than one that does not, since a second network is tried
        assert ill["energy"]["charge_mah"] < 1.05 * well["energy"]["charge_mah"]
