"""Law: a cell never gives more charge than is left in it, and nothing but a draw or ageing takes charge away.

Charging is out of scope. Charge is counted in uAh at 25 degC; cold hides part of it and warmth gives it back.
"""

from math import exp, log

SECONDS_PER_MONTH = 730.5 * 3600  # a twelfth of 365.25 days

# Open-circuit voltage, mV, at SoC 0.00, 0.05 .. 1.00. The points at 0.05, 0.10, 0.20 .. 0.90, 0.95 and 1.00
# are PyBaMM's parameter sets, the others halve the step between their neighbours. PyBaMM's own warning
# holds: the sets do not claim to be representative. The 0 % ends are stated here, not modelled: 3.0 V, where
# the regulator of a board gives up on a pouch cell; 2.5 V, the lower limit of the NMC set.
_ANCHORS = (0.0, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 1.0)
OCV_ANCHORS_MV = {
    # Ai2020: LCO pouch cell, 2.28 Ah
    "lipo": (3000, 3542, 3640, 3695, 3733, 3762, 3792, 3836, 3909, 3994, 4088, 4138, 4200),
    # Chen2020: NMC 811 round cell 21700, 5 Ah
    "nmc": (2500, 3109, 3296, 3485, 3581, 3667, 3751, 3841, 3948, 4042, 4097, 4124, 4200),
}
# Part of the capacity that is usable at a temperature: about 0.85 at 0 degC, 0.65 at -20 degC (from memory;
# data sheets spread 0.8..0.9 and 0.6..0.7). Below -20 degC the line goes on, to a floor.
_FULL_AT_DEGC, _ZERO, _COLD_DEGC = 20.0, 0.85, -20.0
_PER_C_ABOVE_0 = (1.0 - _ZERO) / _FULL_AT_DEGC
_PER_C_BELOW_0 = (_ZERO - 0.65) / -_COLD_DEGC
_FLOOR = 0.3
# Internal resistance doubles for every 25 degC below 25 degC (from memory, an order of magnitude only)
_RESISTANCE_PER_C = log(2.0) / 25.0


def usable_fraction(t_degc):
    """Part (0.3..1) of a cell's capacity that can be drawn at `t_degc`."""
    if t_degc >= _FULL_AT_DEGC:
        return 1.0
    fraction = _ZERO + t_degc * (_PER_C_ABOVE_0 if t_degc >= 0 else _PER_C_BELOW_0)
    return fraction if fraction > _FLOOR else _FLOOR


def mean_current_ma(phases):
    """Mean current, mA, over `[(current_ma, duration_s), ...]`: sum(I t) / sum(t).

    ValueError for a negative duration, or if no time passes.
    """
    total_s = sum(duration_s for _, duration_s in phases)
    if total_s <= 0 or min(duration_s for _, duration_s in phases) < 0:
        raise ValueError("the phases must have durations of 0 or more, and some time must pass")
    return sum(current_ma * duration_s for current_ma, duration_s in phases) / total_s


def self_discharge_ma(capacity_mah, percent_per_month):
    """Constant current, mA, that takes `percent_per_month` of `capacity_mah` in a month of 730.5 h."""
    return capacity_mah * percent_per_month / 100.0 * 3600.0 / SECONDS_PER_MONTH


def life_h(capacity_mah, mean_ma, self_discharge_ma=0.0):
    """Hours (not days) that `capacity_mah` lasts: C / (I + I_sd). ValueError if nothing is drawn."""
    drawn_ma = mean_ma + self_discharge_ma
    if capacity_mah < 0 or mean_ma < 0 or self_discharge_ma < 0 or drawn_ma <= 0:
        raise ValueError("capacity and currents must be 0 or more, and some current must flow")
    return capacity_mah / drawn_ma


class Cell:
    """A rechargeable lithium cell that is only discharged.

    kind: "lipo" or "nmc"; capacity_mah at 25 degC; self_discharge_percent_per_month of what is left (0..100);
    internal_resistance_ohm at 25 degC; state_of_charge 0..1 at the start. ValueError for anything else.
    `empty` and `usable_uah` hold for `temperature_degc`, the last one told (25 before).
    """

    def __init__(
        self,
        kind="lipo",
        capacity_mah=2000.0,
        self_discharge_percent_per_month=3.0,
        internal_resistance_ohm=0.15,
        state_of_charge=1.0,
    ):
        if kind not in OCV_ANCHORS_MV:
            raise ValueError(f"unknown cell kind {kind!r}: one of {', '.join(sorted(OCV_ANCHORS_MV))}")
        if not (capacity_mah > 0 and internal_resistance_ohm >= 0):
            raise ValueError("capacity_mah must be above 0 and internal_resistance_ohm 0 or more")
        if not (0 <= self_discharge_percent_per_month < 100 and 0 <= state_of_charge <= 1):
            raise ValueError("self-discharge must be 0 to below 100 percent and state_of_charge 0..1")
        self._ocv_mv = _even_table(OCV_ANCHORS_MV[kind])
        self._capacity_uah = capacity_mah * 1000.0
        self._left_uah = self._capacity_uah * state_of_charge
        self._decay_per_s = log(1.0 - self_discharge_percent_per_month / 100.0) / SECONDS_PER_MONTH
        self._resistance_ohm = internal_resistance_ohm
        self._tell(25.0)

    def _tell(self, t_degc):
        self.temperature_degc = t_degc
        self._fraction = usable_fraction(t_degc)
        self._hidden_uah = (1.0 - self._fraction) * self._capacity_uah
        self._load_ohm = self._resistance_ohm
        if t_degc < 25.0:
            self._load_ohm *= exp((25.0 - t_degc) * _RESISTANCE_PER_C)

    @property
    def state_of_charge(self):
        """What is left, 0..1 of the capacity at 25 degC, whether or not the cold hides it."""
        return self._left_uah / self._capacity_uah

    @property
    def usable_uah(self):
        """Charge that can still be drawn at `temperature_degc`, uAh."""
        usable = self._left_uah - self._hidden_uah
        return usable if usable > 0.0 else 0.0

    @property
    def empty(self):
        """True when nothing can be drawn at `temperature_degc`; a cell that is empty in frost may come
        back.
        """
        return self._left_uah <= self._hidden_uah

    def draw_uah(self, charge_uah):
        """Take charge; returns what was really given, uAh: less than asked if the cell runs empty.

        ValueError for a negative charge.
        """
        if charge_uah < 0:
            raise ValueError(f"cannot draw {charge_uah} uAh: charging is out of scope")
        usable = self.usable_uah
        if charge_uah < usable:
            self._left_uah -= charge_uah
            return charge_uah
        # exactly down to what the cold hides: a subtraction could leave a rounding rest, never empty
        self._left_uah = min(self._left_uah, self._hidden_uah)
        return usable

    def age_s(self, dt_s):
        """Self-discharge over `dt_s` seconds (0 or more): each month takes its percentage of what is left."""
        self._left_uah *= exp(self._decay_per_s * dt_s)

    def voltage_mv(self, load_ma=0.0, t_degc=None):
        """Terminal voltage under `load_ma` at `t_degc` (None: as told before), whole mV.

        0 when the internal resistance leaves nothing for the load. Does not draw charge: that is `draw_uah`.
        """
        if t_degc is not None and t_degc != self.temperature_degc:
            self._tell(t_degc)
        ocv_mv = self._ocv_mv
        last = len(ocv_mv) - 1
        x = self.usable_uah / (self._fraction * self._capacity_uah) * last
        i = int(x)
        if i >= last:
            i = last - 1
        low_mv = ocv_mv[i]
        loaded_mv = low_mv + (ocv_mv[i + 1] - low_mv) * (x - i) - load_ma * self._load_ohm
        return int(loaded_mv + 0.5) if loaded_mv > 0.0 else 0


def _even_table(anchors_mv):
    """The anchors at 21 evenly spaced states of charge, so that a look-up is one multiplication."""
    table = []
    for step in range(21):
        soc = step / 20.0
        above = next(i for i, anchor in enumerate(_ANCHORS) if anchor >= soc - 1e-9)
        if abs(_ANCHORS[above] - soc) < 1e-9:
            table.append(float(anchors_mv[above]))
        else:
            table.append(0.5 * (anchors_mv[above - 1] + anchors_mv[above]))
    return tuple(table)
