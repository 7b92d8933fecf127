"""Law: damper air never means drier wood.

Equilibrium moisture content: USDA Forest Products Laboratory, Wood Handbook (FPL-GTR-282), chapter 4,
equation 4-5 (Hailwood-Horrobin, two hydrates), coefficients for degC.
"""


def equilibrium_moisture_percent(t_degc, rh_percent):
    """Moisture that wood settles at, in percent of its dry mass, in air of `t_degc` and `rh_percent`.

    ValueError for a humidity outside 0..100. The fit follows the handbook's own table to 0.06 between -1 and
    38 degC and is the worse, the hotter it gets (about +0.4 at 60 degC).
    """
    if not 0.0 <= rh_percent <= 100.0:
        raise ValueError(f"relative humidity {rh_percent} % is outside 0..100")
    square = t_degc * t_degc
    w = 349.0 + 1.29 * t_degc + 0.0135 * square
    k = 0.805 + 0.000736 * t_degc - 0.00000273 * square
    k1 = 6.27 - 0.00938 * t_degc - 0.000303 * square
    k2 = 1.91 + 0.0407 * t_degc - 0.000293 * square
    kh = k * rh_percent / 100.0
    first = k1 * kh
    second = k1 * k2 * kh * kh
    return 1800.0 / w * (kh / (1.0 - kh) + (first + 2.0 * second) / (1.0 + first + second))
