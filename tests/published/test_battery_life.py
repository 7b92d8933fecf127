"""Battery life by hand, as printed examples have it, and open-circuit voltage against a battery model."""

import pytest

from hostsim.cell import Cell, life_h, mean_current_ma, self_discharge_ma

# PyBaMM 26.10.1.1, SPM at a vanishing rate (C_rate 1e-6): state of charge -> V
PYBAMM_V = {
    "lipo": {  # parameter set Ai2020
        0.05: 3.5421, 0.1: 3.6396, 0.2: 3.6954, 0.3: 3.7331, 0.4: 3.7622, 0.5: 3.7925,
        0.6: 3.8365, 0.7: 3.9089, 0.8: 3.9945, 0.9: 4.0879, 0.95: 4.1384, 1.0: 4.2,
    },
    "nmc": {  # parameter set Chen2020
        0.05: 3.1094, 0.1: 3.2959, 0.2: 3.4852, 0.3: 3.5814, 0.4: 3.6670, 0.5: 3.7509,
        0.6: 3.8406, 0.7: 3.9479, 0.8: 4.0421, 0.9: 4.0967, 0.95: 4.1236, 1.0: 4.2,
    },
}  # fmt: skip
PYBAMM_SETS = {"lipo": "Ai2020", "nmc": "Chen2020"}


def test_a_display_makers_example():
    # Orient Display, application note: 40 mA for 2 s, 0.1 mA for 8 s -> 8.08 mA; 2200 mAh -> 272.3 h
    mean_ma = mean_current_ma([(40, 2), (0.1, 8)])
    assert mean_ma == pytest.approx(8.08)
    assert life_h(2200, mean_ma) == pytest.approx(272.3, abs=0.05)


def test_an_hour_in_three_states():
    # public question and answer: 0.05 mA for 3473 s, 56 mA for 120 s, 0.44 mA for 6 s -> 1.9 mAh in the hour
    charge_mas = 0.05 * 3473 + 56 * 120 + 0.44 * 6
    mean_ma = mean_current_ma([(0.05, 3473), (56, 120), (0.44, 6)])
    assert mean_ma * 3599 == pytest.approx(charge_mas)
    assert charge_mas / 3600 == pytest.approx(1.9156, abs=5e-5)


@pytest.mark.parametrize(
    ("every_s", "asleep_ma", "mean_ma", "days_of_2000_mah"),
    [
        (10, 1.5, 100.0, 0.8333),
        (60, 1.5, (100 * 10 + 1.5 * 50) / 60, 4.6512),
        (600, 1.0, (1000 + 590) / 600, 31.447),
        (600, 1.5, 3.141667, 26.525),
        (600, 2.0, (1000 + 1180) / 600, 22.936),
    ],
)
def test_a_board_that_runs_ten_seconds_a_cycle(every_s, asleep_ma, mean_ma, days_of_2000_mah):
    """Common practice, no source: about 100 mA while a cycle of 10 s runs, 1 to 2 mA asleep."""
    mean = mean_current_ma([(100, 10), (asleep_ma, every_s - 10)])
    assert mean == pytest.approx(mean_ma, rel=1e-6)
    assert life_h(2000, mean) / 24 == pytest.approx(days_of_2000_mah, rel=1e-4)


def test_capacity_over_current_is_hours_not_days():
    # a chip maker's web page divides mAh by mAh a day, then by 24, and calls it days: 24 times too short
    capacity_mah, mah_per_day = 2400, 24.0
    assert life_h(capacity_mah, mah_per_day / 24) / 24 == pytest.approx(capacity_mah / mah_per_day)


def test_self_discharge_as_a_current():
    # 3 % a month of 2000 mAh = 60 mAh in 730.5 h = 82.1 uA (arithmetic)
    assert self_discharge_ma(2000, 3) == pytest.approx(0.0821, abs=5e-5)
    assert life_h(2000, 0.1, self_discharge_ma(2000, 3)) == pytest.approx(2000 / 0.182136, rel=1e-4)


@pytest.mark.parametrize(("percent", "left"), [(2, 0.7847), (3, 0.6938)])
def test_self_discharge_of_a_year(percent, left):
    # 2 to 3 % a month is the usual table value; (1 - 0.02)^12 and (1 - 0.03)^12 (arithmetic)
    cell = Cell("lipo", 2000, self_discharge_percent_per_month=percent)
    for _ in range(12):
        cell.age_s(730.5 * 3600)
    assert cell.state_of_charge == pytest.approx(left, abs=5e-5)


@pytest.mark.parametrize(("t_degc", "lowest", "highest"), [(0, 0.8, 0.9), (-20, 0.6, 0.7), (25, 1.0, 1.0)])
def test_capacity_in_the_cold(t_degc, lowest, highest):
    """From memory: 80 to 90 % of the capacity at 0 degC and 60 to 70 % at -20 degC, at 0.2 C."""
    cell = Cell("lipo", 1000)
    cell.voltage_mv(0, t_degc)
    given_uah = 0.0
    while not cell.empty:
        given_uah += cell.draw_uah(1000)
    assert lowest <= given_uah / 1e6 <= highest


@pytest.mark.parametrize("kind", PYBAMM_V)
def test_open_circuit_voltage_against_the_recorded_model(kind):
    for soc, volts in PYBAMM_V[kind].items():
        assert Cell(kind, 1000, state_of_charge=soc).voltage_mv() == pytest.approx(1000 * volts, abs=1.0)


@pytest.mark.parametrize("kind", PYBAMM_V)
def test_open_circuit_voltage_against_the_model_itself(kind):
    pybamm = pytest.importorskip("pybamm", reason="pybamm is not installed")
    numpy = pytest.importorskip("numpy", reason="numpy comes with pybamm")
    values = pybamm.ParameterValues(PYBAMM_SETS[kind])
    for soc in (0.1, 0.3, 0.5, 0.7, 0.9):
        x, y = pybamm.lithium_ion.get_initial_stoichiometries(soc, values)
        positive_v = values.evaluate(values["Positive electrode OCP [V]"](pybamm.Scalar(y)))
        negative_v = values.evaluate(values["Negative electrode OCP [V]"](pybamm.Scalar(x)))
        model_v = numpy.asarray(positive_v - negative_v).item()
        print(f"{PYBAMM_SETS[kind]} at {soc:.0%}: {model_v:.4f} V")
        assert Cell(kind, 1000, state_of_charge=soc).voltage_mv() == pytest.approx(1000 * model_v, abs=5)
