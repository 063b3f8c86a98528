"""How far real parts and benches stray from what files say: ranking assumes it, virtual boards are drawn from it."""

from __future__ import annotations

__all__ = [
    "BATCH_SPREAD_V",
    "DISCRETE_SPREAD_V",
    "MODULE_SPREAD_V",
    "OFF_SPREAD_DOWN",
    "OFF_SPREAD_UP",
    "PART_SPREADS",
    "PART_SPREAD_V",
    "TEMPERATURE_SPREAD_C",
    "THRESHOLD_SPREAD_V",
]

BATCH_SPREAD_V = (
    0.035  # one board's drops against its board file's; 60 mV spread for one part number over public models
)
MODULE_SPREAD_V = 0.005  # between diodes of one module; common practice, no source
DISCRETE_SPREAD_V = 0.010  # between discrete diodes of one batch; common practice, no source
PART_SPREAD_V = {"module": MODULE_SPREAD_V, "discrete": DISCRETE_SPREAD_V}  # by construction
THRESHOLD_SPREAD_V = 0.5  # data sheets give a threshold within 1 to 1.5 V of typical, a limit of about 2.5 sigma
TEMPERATURE_SPREAD_C = 5.0  # a workshop against the temperature stated; common practice, no source
# ln: what an unpowered output stage passes is at most a few times what its board file says, and may be nothing at all;
# common practice, no source
OFF_SPREAD_DOWN, OFF_SPREAD_UP = 0.5, 3.0
PART_SPREADS = {1.0: 0.8, 2.0: 0.2}  # parts stray as far as said here, or twice; shares by common practice, no source
