"""How many days: what the check says, a rehearsal of the same settings comes to, within a few per cent."""

import shutil
from dataclasses import replace

import pytest

from deploy import check_forecast
from deploy.check_forecast import draw, life_days
from hostsim import board, rehearse
from hostsim.runtimes.settings_check import judged
from hostsim.scenario import DEFAULT

YARD = board.load(board.BUNDLED / "yard.toml")
STEADY = replace(YARD, states={name: replace(state, spread=0.0) for name, state in YARD.states.items()})


def settings(**more):
    complete, problems = judged((DEFAULT.parent / "north-stack.toml").read_bytes())
    assert not problems
    return {**complete, **more}


@pytest.fixture
def scenario(tmp_path):
    """The bundled scenario with a board whose true currents are the profile's own."""
    folder = tmp_path / "yard"
    shutil.copytree(DEFAULT.parent, folder)
    profile = (board.BUNDLED / "yard.toml").read_text()
    lines = [line for line in profile.splitlines() if not line.startswith("spread")]
    (folder / "steady.toml").write_text("\n".join(lines))
    scenario = (folder / "scenario.toml").read_text().replace('board = "yard"', 'board = "steady.toml"')
    (folder / "scenario.toml").write_text(scenario)
    return folder


def test_it_says_what_a_year_of_the_bundled_scenario_comes_to(scenario):
    found = rehearse.load(scenario)
    # the outages of a whole year, for one of the boards
    found = replace(found, nodes=found.nodes[1:2])
    energy = rehearse.Rehearsal(found, None).run(None)["nodes"][0]["energy"]
    said = draw(judged(found.nodes[0].settings_toml)[0], STEADY)
    days = life_days(5000, said.mean_ua, percent_per_month=2)
    assert said.mean_ua == pytest.approx(energy["mean_ua"], rel=0.05)
    assert days == pytest.approx(energy["battery_days"], rel=0.03)


def test_currents_drawn_from_the_spread_stay_within_its_bounds():
    found = rehearse.load(None, days=20)
    for node, plan in zip(rehearse.Rehearsal(found, None).run(None)["nodes"], found.nodes, strict=True):
        said = draw(judged(plan.settings_toml)[0], YARD)
        assert said.low_ua < node["energy"]["mean_ua"] < said.high_ua


@pytest.mark.parametrize(
    ("sample_s", "transmit_s"), [(60, 60), (60, 3600), (600, 600), (600, 86400), (3600, 86400), (86400, 604800)]
)
def test_it_says_what_a_quiet_rehearsal_comes_to(scenario, sample_s, transmit_s):
    text = (scenario / "north-stack.toml").read_text()
    text = text.replace("sample_every_s = 600", f"sample_every_s = {sample_s}")
    text = text.replace("transmit_every_s = 3600", f"transmit_every_s = {transmit_s}")
    (scenario / "north-stack.toml").write_text(text)
    found = rehearse.load(scenario, days=max(3, 6 * transmit_s / 86400))
    alone = replace(
        found,
        nodes=[found.nodes[0]],
        faults=[],
        networks=[replace(found.networks[0], windows=[], rtt_ms=40)],
        broker_windows=[],
        time_windows=[],
    )
    node = rehearse.Rehearsal(alone, None).run(None)["nodes"][0]
    said = draw(judged(alone.nodes[0].settings_toml)[0], STEADY)
    assert said.mean_ua == pytest.approx(node["energy"]["mean_ua"], rel=0.06)


def test_what_is_stretched_draws_less():
    often, seldom = settings(sample_every_s=300), settings(sample_every_s=1200, transmit_every_s=3600)
    assert draw(often, YARD).mean_ua > 1.3 * draw(seldom, YARD).mean_ua
    sent, kept = settings(transmit_every_s=600), settings(transmit_every_s=21600)
    assert draw(sent, YARD).mean_ua > 1.5 * draw(kept, YARD).mean_ua


def test_the_spread_of_the_profile_is_the_bounds():
    said = draw(settings(), YARD)
    assert said.low_ua < said.mean_ua < said.high_ua
    steady = draw(settings(), STEADY)
    assert steady.low_ua == pytest.approx(steady.mean_ua)
    assert steady.mean_ua == pytest.approx(said.mean_ua)
    assert sum(share for _, share in said.share) == pytest.approx(1.0)


def test_a_board_that_sleeps_deeper_lasts_longer():
    asleep = replace(YARD.states["asleep"], current_ua=10.0)
    deep = replace(YARD, states={**YARD.states, "asleep": asleep})
    assert draw(settings(), YARD).mean_ua - draw(settings(), deep).mean_ua == pytest.approx(100.0, rel=0.01)


def test_what_the_simulator_does_not_sense_takes_its_time_all_the_same():
    sensors = settings()["sensor"]
    strange = [{**sensors[0], "read": ["pm25_env", "gas", "CO2"]}]
    without = draw(settings(sensor=[{**sensors[0], "read": ["temperature"]}]), YARD)
    sound = {**settings(), "sensor": strange, "sound": [_microphone()]}
    more_ua = (2 * 12 + check_forecast.SOUND_MS) / 600_000 * (39000 - 110)
    assert draw(sound, YARD).mean_ua - without.mean_ua == pytest.approx(more_ua, rel=0.25)


def _microphone():
    text = 'node = "n"\n[broker]\nhost = "b"\n[[network]]\nssid = "s"\npassword = ""\n'
    complete, _ = judged((text + '[[sound]]\nsensitivity_tenth_dbfs = -260\nclock = "D1"\ndata = "D2"\n').encode())
    return {**complete["sound"][0], "warm_up_ms": 0}


def test_no_secret_and_no_name_goes_in():
    alike = check_forecast._alike(settings())
    text = repr(alike)
    for private in ("larch-and-spruce", "twelve-planks-high", "slow-and-even-heat", "yard-office", "north-stack"):
        assert private not in text


def test_frost_takes_charge_and_a_larger_cell_lasts_longer():
    assert life_days(2500, 250, -10.0) < 0.8 * life_days(2500, 250)
    assert 1.5 * life_days(2500, 250) < life_days(5000, 250) < 2 * life_days(2500, 250)
    # 2500 mAh at 250 uA without self-discharge: 10,000 h
    assert life_days(2500, 250, percent_per_month=0) == pytest.approx(10_000 / 24)
