"""Works out from a cup's temperature alone how fast its resin heats it and how far it has reacted.

A cup small against its room is one lump.  With T its temperature, Tr the room's, tau its cooling time and q the
heating rate of the reaction (what an insulated cup would do),

    dT/dt = q - (T - Tr)/tau            so            rise := integral q dt = T - T0 + integral (T - Tr)/tau dt

and conversion = rise / adiabatic rise, the adiabatic rise being heat of reaction over specific heat.  The probe lags
as a first-order element, P' = (T - P)/lag.  Both are linear: the rise worked out from P alone is the true rise seen
through the same lag, so   rise = rise_P + lag * d(rise_P)/dt   exactly, and a smooth peak of its rate comes `lag`
later in the probe's record than in the cup.

A label's pot life is that of its own mass.  No published rule carries it to another mass, so none is applied here;
the doubt it leaves is in the width of the forecast.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchd.stored import stored

Array = npt.NDArray[np.float64]

LABEL_TEMP_C = 23.0
"""The temperature a label's times are given for [common practice, no source]."""

KELVIN_PER_DOUBLING = 10.0
"""A cup this much colder takes twice as long [common practice, no source]."""


def label_time_factor(temp_c: float) -> float:
    """What a label's time is multiplied by when the resin is at temp_c [C] instead of 23 C: 2^((23 - T)/10).

    temp_c: the resin's temperature T [C].  Two doublings for 20 K: 4 at 3 C, 1 at 23 C, 1/4 at 43 C.  Common practice;
    E = 51 kJ/mol gives the same near 25 C.

    >>> label_time_factor(13.0)
    2.0
    """
    return float(2.0 ** ((LABEL_TEMP_C - temp_c) / KELVIN_PER_DOUBLING))


@stored("heat-balance")
@dataclass(slots=True)
class HeatBalance:
    """The compensated rise of one probe record, T - T0 + integral (T - Tr)/tau dt, sample by sample, in O(1).

    tau_s: cooling time of the cup [s]; lag_s: the probe's time constant [s].  `rise_k` is what the reaction has put in
    since the first sample [K], still seen through the probe's lag.
    """

    tau_s: float
    lag_s: float = 0.0
    first_c: float | None = None
    t: float = 0.0
    excess_k: float = 0.0
    lost_k: float = 0.0

    def update(self, t: float, probe_c: float, room_c: float) -> float:
        """Take one sample [unix s, C, C] and return the rise so far [K]; trapezoid between samples."""
        excess_k = probe_c - room_c
        if self.first_c is None:
            self.first_c = probe_c
        else:
            self.lost_k += 0.5 * (excess_k + self.excess_k) * (t - self.t) / self.tau_s
        self.t, self.excess_k = t, excess_k
        return probe_c - self.first_c + self.lost_k
