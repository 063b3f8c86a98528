"""Small random boards, as board files, and what stands in them."""

from __future__ import annotations

import math
import random
from dataclasses import dataclass

from tests.physics.benchboards import diode, part, resistor


@dataclass(frozen=True, slots=True)
class RandomBoard:
    """A random board: its nets (all terminals) and its parts as text."""

    nets: tuple[str, ...]
    parts: tuple[str, ...]

    @property
    def terminals(self) -> str:
        """Terminals as :func:`tests.physics.benchboards.make_board` takes them."""
        return " ".join(self.nets)


def _ohms(rng: random.Random, low: float, high: float) -> float:
    return float(f"{math.exp(rng.uniform(math.log(low), math.log(high))):.4g}")


def draw_board(seed: int) -> RandomBoard:
    """Return a connected random board of diodes, resistors, drivers, IGBTs and MOSFETs on four to seven nets."""
    rng = random.Random(seed)
    nets = tuple("ABCDEFG"[: rng.randint(4, 7)])
    # every net hangs on the others by some resistance, so that each has a voltage
    parts = [
        resistor(f"R_{number}", net, rng.choice(nets[:number]), _ohms(rng, 10.0, 1e6))
        for number, net in enumerate(nets)
        if number
    ]
    for number in range(rng.randint(4, 8)):
        kind = rng.choice(("diode", "diode", "diode", "resistor", "igbt", "mosfet", "driver"))
        first, second, third = rng.sample(nets, 3)
        if kind == "diode":
            drop, ideality = round(rng.uniform(0.2, 0.8), 3), round(rng.uniform(1.0, 2.0), 2)
            parts.append(diode(f"D_{number}", first, second, drop, ideality))
        elif kind == "resistor":
            parts.append(resistor(f"R_X{number}", first, second, _ohms(rng, 1.0, 1e5)))
        elif kind == "driver":
            pins = {"out": first, "common": second, "supply": third}
            parts.append(part(f"DRV_{number}", "driver", pins, drop_1ma=0.62, off_ohms=1e5))
        else:
            mosfet = kind == "mosfet"
            pins = {"drain" if mosfet else "collector": first, "source" if mosfet else "emitter": second}
            # low enough for a meter to reach, so that channels take part
            threshold = round(rng.uniform(0.6, 2.5), 3)
            values = {"on_ohms": _ohms(rng, 0.2, 5.0)} if mosfet else {"on_drop_1ma": 0.65}
            parts.append(part(f"Q_{number}", kind, pins | {"gate": third}, gate_threshold=threshold, **values))
    return RandomBoard(nets, tuple(parts))
