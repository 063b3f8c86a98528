"""A tungsten lamp: its resistance against the voltage across it.

References
----------
Fink & Beaty, Standard Handbook for Electrical Engineers, 11th ed., p. 22-8: the current of a lamp goes with the power
0.55 of its voltage. Its resistance cold is about a fifteenth of that at rated voltage (published encyclopaedias).
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from bridge.errors import InputError
from bridge.wording import quoted

__all__ = ["CURRENT_EXPONENT", "HOT_OVER_COLD", "Lamp", "parse_lamp"]

CURRENT_EXPONENT = 0.55
HOT_OVER_COLD = 15.0
# share of its rated voltage at which the power law alone would have come down to the cold resistance
_COLD_SHARE = HOT_OVER_COLD ** (-1.0 / (1.0 - CURRENT_EXPONENT))
_TYPED = re.compile(r"\s*([0-9]+(?:[.,][0-9]+)?)\s*V?\s*[xX*\u00d7]\s*([0-9]+(?:[.,][0-9]+)?)\s*W?\s*")
_VOLTS = (1.0, 300.0)
_WATTS = (0.1, 1000.0)


@dataclass(frozen=True, slots=True)
class Lamp:
    """A tungsten lamp by what is printed on it.

    Parameters
    ----------
    volts : float
        Rated voltage [V].
    watts : float
        Rated power [W].

    Examples
    --------
    >>> lamp = Lamp(230.0, 100.0)
    >>> round(lamp.hot_ohms), round(lamp.cold_ohms)
    (529, 35)
    """

    volts: float
    watts: float

    def __str__(self) -> str:
        return f"{self.volts:g} V {self.watts:g} W"

    @property
    def hot_ohms(self) -> float:
        """Resistance at rated voltage [ohm]."""
        return self.volts**2 / self.watts

    @property
    def cold_ohms(self) -> float:
        """Resistance before it is lit [ohm]."""
        return self.hot_ohms / HOT_OVER_COLD

    def ohms_at(self, volts: float) -> float:
        """Return the resistance once the filament has settled [ohm].

        Parameters
        ----------
        volts : float
            Voltage across the lamp [V].

        Notes
        -----
        R = R_hot ((v/V)^2 + c^2)^(0.45/2) follows the handbook's power law near rated voltage and runs smoothly into
        the cold resistance at none. Between, where the filament is dark, nothing published backs it.
        """
        share = volts / self.volts
        return float(self.hot_ohms * (share * share + _COLD_SHARE**2) ** (0.5 * (1.0 - CURRENT_EXPONENT)))


def parse_lamp(text: str) -> Lamp:
    """Return the lamp written ``VOLTSxWATTS``.

    Parameters
    ----------
    text : str
        As typed: ``12x5``, ``12Vx5W``.

    Raises
    ------
    InputError
        Not of that form, or no lamp anybody has: 1 to 300 V, 0.1 to 1000 W.

    Examples
    --------
    >>> parse_lamp("12Vx5W")
    Lamp(volts=12.0, watts=5.0)
    """
    accepted = "accepted: VOLTSxWATTS as in 12x5, from 1 to 300 V and 0.1 to 1000 W"
    found = _TYPED.fullmatch(text)
    if found is None:
        raise InputError(f"{quoted(text)}; {accepted}", where="--lamp")
    volts, watts = (float(number.replace(",", ".")) for number in found.groups())
    inside = _VOLTS[0] <= volts <= _VOLTS[1] and _WATTS[0] <= watts <= _WATTS[1]
    if not inside or not math.isfinite(volts * watts):
        raise InputError(f"{quoted(text)}; {accepted}", where="--lamp")
    return Lamp(volts, watts)
