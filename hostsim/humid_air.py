"""Law: warming or cooling air never changes its vapour pressure until it is saturated.

Formulas: WMO-No. 8, Guide to Instruments and Methods of Observation, Volume I, Annex 4.B (over water, valid
-45..60 degC). By the convention of the same guide relative humidity refers to water at every temperature,
below 0 degC too; so "dew point" here is the dew point over supercooled water, not the frost point.
The enhancement factor of moist air (about 0.4 %) is left out.
"""

from math import exp, log

WATER_HPA = 6.112
WATER_A = 17.62
WATER_B_DEGC = 243.12
KELVIN_AT_0_DEGC = 273.15
VAPOUR_J_PER_KG_K = 461.5  # specific gas constant of water vapour


def saturation_vapour_pressure_hpa(t_degc):
    """Saturation vapour pressure over water, hPa, at `t_degc` (a number above -243.12)."""
    return WATER_HPA * exp(WATER_A * t_degc / (WATER_B_DEGC + t_degc))


def dew_point_degc(t_degc, rh_percent):
    """Temperature at which air of `t_degc` and `rh_percent` is saturated, degC.

    ValueError for a humidity of 0 or less: perfectly dry air has no dew point.
    """
    if rh_percent <= 0:
        raise ValueError(f"no dew point at a relative humidity of {rh_percent} %")
    exponent = log(rh_percent / 100.0) + WATER_A * t_degc / (WATER_B_DEGC + t_degc)
    return WATER_B_DEGC * exponent / (WATER_A - exponent)


def rh_after_warming(t_out_degc, rh_out_percent, t_in_degc):
    """Relative humidity, percent, of outside air brought to `t_in_degc` with its vapour kept; at most 100."""
    exponent_out = t_out_degc / (WATER_B_DEGC + t_out_degc)
    exponent_in = t_in_degc / (WATER_B_DEGC + t_in_degc)
    rh_percent = rh_out_percent * exp(WATER_A * (exponent_out - exponent_in))
    return rh_percent if rh_percent < 100.0 else 100.0


def absolute_humidity_g_m3(t_degc, rh_percent):
    """Mass of water vapour in a cubic metre, g (ideal gas: e / (Rv T))."""
    vapour_pa = rh_percent * saturation_vapour_pressure_hpa(t_degc)  # percent x hPa = Pa
    return 1000.0 * vapour_pa / (VAPOUR_J_PER_KG_K * (t_degc + KELVIN_AT_0_DEGC))
