"""Law: with the weather held still the enclosure moves towards one equilibrium, whatever the step length.

A sensor board in a housing as two thermal masses:

    shell_j_per_k  dTs/dt = sun - sky - Uo (Ts - Tout) - K (Ts - Ti)
    inside_j_per_k dTi/dt = board_heat_w + K (Ts - Ti) - V (Ti - Tout)

    sun = absorptance (1 - shade) area_m2 GHI          sky = (1 - shade) area_m2 sky_loss_w_m2
    Uo = surface_m2 (still_w_m2k + wind_w_m2k_per_m_s v)   V = ventilation_w_k + ventilation_w_k_per_m_s v

The weather is constant within a step, so the step is the exact matrix exponential of a 2 x 2 system with real
negative eigenvalues. The inside breathes: its vapour pressure is that of the outside air.
"""

from math import exp, sqrt

from .humid_air import rh_after_warming

# Convection and long-wave exchange together: 5.7 + 3.8 v W/m2K, a common engineering fit (from memory);
# at 3 m/s it gives the 17 W/m2K that the sol-air method uses.
_COMMON = {
    "still_w_m2k": 5.7,
    "wind_w_m2k_per_m_s": 3.8,
    "calm_m_s": 0.5,  # a warm body makes its own draught: the wind never counts as less
    # a clear sky takes 63 W/m2 from a horizontal face (sol-air method), an overcast one almost nothing
    "sky_loss_w_m2": 30.0,
    "shade": 0.0,  # 0 open to the sky .. 1 none of it seen
    "board_heat_w": 0.0,
}
PRESETS = {
    # a closed grey plastic box of about 12 x 8 x 5.5 cm: dimensions from a sketch, the rest assumed
    "box": {
        **_COMMON,
        "absorptance": 0.7,
        "area_m2": 0.012,  # what meets the sun, as a horizontal face
        "surface_m2": 0.04,  # what meets the air
        "shell_j_per_k": 150.0,
        "inside_j_per_k": 60.0,
        "shell_to_inside_w_k": 0.15,
        "ventilation_w_k": 0.005,
        "ventilation_w_k_per_m_s": 0.003,
    },
    # a white multi-plate radiation shield without a fan, fitted to the radiation error that makers state:
    # 1.5 / 0.7 / 0.4 K at 1 / 2 / 3 m/s and 1080 W/m2 (from memory)
    "shield": {
        **_COMMON,
        "absorptance": 0.23,
        "area_m2": 0.02,
        "surface_m2": 0.08,
        "shell_j_per_k": 300.0,
        "inside_j_per_k": 20.0,
        "shell_to_inside_w_k": 0.05,
        "ventilation_w_k": 0.038,
        "ventilation_w_k_per_m_s": 0.1,
    },
}
_MUST_BE_POSITIVE = ("shell_j_per_k", "inside_j_per_k", "surface_m2", "still_w_m2k")
_AT_MOST_1 = ("absorptance", "shade")


def parameters(changes=None):
    """All parameters of an enclosure: those of `changes["preset"]` ("box" if not given), then `changes`.

    ValueError, naming the key, for an unknown preset or key and for a value that is not a number in bounds.
    """
    changes = dict(changes or {})
    preset = changes.pop("preset", "box")
    if preset not in PRESETS:
        raise ValueError(f"preset {preset!r} is unknown: one of {', '.join(sorted(PRESETS))}")
    result = dict(PRESETS[preset])
    for key, value in changes.items():
        if key not in result:
            raise ValueError(f"{key} is not a parameter of an enclosure: one of {', '.join(sorted(result))}")
        if isinstance(value, bool) or not isinstance(value, (int, float)) or not 0 <= value < 1e9:
            raise ValueError(f"{key} = {value!r} must be a number of 0 or more")
        if (key in _MUST_BE_POSITIVE and value == 0) or (key in _AT_MOST_1 and value > 1):
            raise ValueError(f"{key} = {value!r} is out of bounds")
        result[key] = float(value)
    return result


class Enclosure:
    """Housing with a board in it. Before the first step it is at the outside temperature of that step.

    `shell_degc`, `inside_degc`: state after the last step (None before the first).
    """

    def __init__(self, params=None):
        p = parameters(params)
        open_m2 = p["area_m2"] * (1.0 - p["shade"])
        self._sun_m2 = p["absorptance"] * open_m2
        self._sky_w = p["sky_loss_w_m2"] * open_m2
        self._board_w = p["board_heat_w"]
        self._still_w_k = p["surface_m2"] * p["still_w_m2k"]
        self._wind_w_k = p["surface_m2"] * p["wind_w_m2k_per_m_s"]
        self._calm_m_s = p["calm_m_s"]
        self._couple_w_k = p["shell_to_inside_w_k"]
        self._vent_w_k = p["ventilation_w_k"]
        self._vent_wind_w_k = p["ventilation_w_k_per_m_s"]
        if self._couple_w_k + self._vent_w_k + self._vent_wind_w_k * self._calm_m_s <= 0:
            raise ValueError("shell_to_inside_w_k and ventilation_w_k are both 0: the inside exchanges nothing")
        self._shell_j_k = p["shell_j_per_k"]
        self._inside_j_k = p["inside_j_per_k"]
        self.shell_degc = None
        self.inside_degc = None

    def step(self, dt_s, t_out_degc, ghi_w_m2, wind_m_s):
        """Let `dt_s` seconds (0 or more) pass in this weather: exact while the weather is constant."""
        wind = wind_m_s if wind_m_s > self._calm_m_s else self._calm_m_s
        outer = self._still_w_k + self._wind_w_k * wind
        vent = self._vent_w_k + self._vent_wind_w_k * wind
        couple = self._couple_w_k
        shell_w = self._sun_m2 * ghi_w_m2 - self._sky_w
        # equilibrium, as kelvin above the outside air
        shell_loss, inside_loss = outer + couple, vent + couple
        determinant = shell_loss * inside_loss - couple * couple
        shell_end = t_out_degc + (shell_w * inside_loss + couple * self._board_w) / determinant
        inside_end = t_out_degc + (self._board_w * shell_loss + couple * shell_w) / determinant
        if self.inside_degc is None:
            self.shell_degc = self.inside_degc = t_out_degc
        # exp(M t) = exp(m t) (cosh(q t) I + sinh(q t) / q (M - m I)), written without overflow
        half_difference = 0.5 * (inside_loss / self._inside_j_k - shell_loss / self._shell_j_k)
        mean = -0.5 * (inside_loss / self._inside_j_k + shell_loss / self._shell_j_k)
        from_inside, from_shell = couple / self._shell_j_k, couple / self._inside_j_k
        q = sqrt(half_difference * half_difference + from_inside * from_shell)
        slow, fast = exp((mean + q) * dt_s), exp((mean - q) * dt_s)
        even = 0.5 * (slow + fast)
        odd = 0.5 * (slow - fast) / q if q > 0.0 else 0.0  # q 0: its factors below are 0 too
        shell, inside = self.shell_degc - shell_end, self.inside_degc - inside_end
        self.shell_degc = shell_end + even * shell + odd * (half_difference * shell + from_inside * inside)
        self.inside_degc = inside_end + even * inside + odd * (from_shell * shell - half_difference * inside)

    def inside_humidity_percent(self, t_out_degc, rh_out_percent):
        """Relative humidity inside, percent: the outside air's vapour at the inside temperature; at most
        100.
        """
        return rh_after_warming(t_out_degc, rh_out_percent, self.inside_degc)
