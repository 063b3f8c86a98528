"""The lamp rig as a netlist written by hand, element by element, without the package's boards, laws or faults."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from tests.crosscheck.netlist import mosfet_parameters, saturation_amps, threshold_offset

VT = "0.0256925785"  # kT/q at 25 deg C [V]

# What each fault does to the elements of the rig, in the designators of the netlist below: c e g are the switch's own.
# A dash leaves an element out.
DAMAGE: Mapping[str, tuple[str, ...]] = {
    "good": (),
    "Q_L:ce-short": ("rce c e {ohms}",),
    "Q_L:ce-leak": ("rce c e {ohms}",),
    "Q_L:ge-short": ("rge g e {ohms}",),
    "Q_L:ge-leak": ("rge g e {ohms}",),
    "Q_L:gc-short": ("rgc g c {ohms}",),
    "Q_L:all-short": ("rce c e {ohms}", "rge g e {ohms}"),
    "Q_L:burst": ("-bq", "-mosfet-diode"),
    "Q_L:never-on": ("-bq",),
    "Q_L:always-on": ("+gate15",),
    "Q_L:emitter-open": ("-bq", "-dq"),  # one joint for switch and diode
    "D_L:short": ("rd k e {ohms}",),
    "D_L:leak": ("rd k e {ohms}",),
    "D_L:open": ("-dq",),
    "LAMP:open": ("-bl",),
    "R_SER:open": ("-rs",),
    "R_PULL:open": ("-rp",),
}

QUESTIONS = {"gate": "gs 0", "lamp": "p cs", "switch": "cs 0", "own": "g e"}


@dataclass(frozen=True)
class HandRig:
    """The numbers on the rig: volts, watts and ohms as printed on its parts."""

    kind: str
    threshold: float
    on: float
    diode_drop: float | None
    supply: float
    lamp_volts: float
    lamp_watts: float
    series: float
    pull_down: float
    rated: tuple[float, float] | None = None  # drop at rated current, and that current


def netlist(rig: HandRig, fault: str, ohms: float | None, turned: bool, pressed: bool, charge: float, ask: str) -> str:
    """Return the rig with one fault; ``ask`` names the voltage that is its answer, charge is on the gate [V]."""
    marks = [mark.format(ohms=ohms) for mark in DAMAGE[fault]]
    hot = rig.lamp_volts**2 / rig.lamp_watts
    # R = hot ((v/rated)^2 + c^2)^0.225, c chosen for hot/15 at no voltage: c^0.45 = 1/15
    cold_share = 15.0 ** (-1.0 / 0.45)
    vge = "15" if "+gate15" in marks else "v(g,e)"
    lines = [
        f"vs s 0 {rig.supply!r}",
        "rsupply s p 0.05",
        f"bl p cs i=v(p,cs)/({hot!r}*((v(p,cs)/{rig.lamp_volts!r})**2+{cold_share**2!r})**0.225)",
        *(["rb p b 0.05"] if pressed else []),
        f"rs b gs {rig.series!r}",
        f"rp gs 0 {rig.pull_down!r}",
        "vg gs g 0",
        *(["vc cs e 0", "ve 0 k 0"] if turned else ["vc cs k 0", "ve 0 e 0"]),
        f"vq q e {charge!r}",
        "rq q g 1e9",
    ]
    if rig.kind == "igbt":
        offset = threshold_offset(rig.threshold, 0.5)
        isc = saturation_amps(rig.on, 1.5, 0.0)
        half = f"(({vge}-({offset!r}))/0.09)"
        limit = f"(0.5*(max({half},0)+ln(1+exp(-abs({half}))))**2+1e-60)"
        growth = f"exp(max(min(v(c,e)/(1.5*{VT}),60),-60))"
        lines.append(f"bq c e i={isc!r}*({growth}-1)*{limit}/({isc!r}*({growth}+1)+{limit})")
        drop, amps = rig.rated or (0.0, 1.0)
        junction = 1.5 * float(VT) * math.log1p(amps / isc)
        lines.append(f"rbulk k c {max(drop - junction, 1e-12) / amps!r}")
    else:
        specific, offset = mosfet_parameters(rig.threshold, rig.on)
        halves = [f"(({gate}-({offset!r}))/0.09)" for gate in (vge, f"({vge}-v(c,e))")]
        ahead, back = (f"(max({half},0)+ln(1+exp(-abs({half}))))**2" for half in halves)
        lines.append(f"bq c e i={specific!r}*({ahead}-{back})")
        lines.append("vbulk k c 0")
    if rig.diode_drop is not None:
        saturation = saturation_amps(rig.diode_drop, 1.6, 0.03)
        lines.append("dq e k dap")
        lines.append(f".model dap d(is={saturation!r} n=1.6 rs=0.03 tnom=25 xti=3 eg=1.11)")
    left_out = {mark[1:] for mark in marks if mark.startswith("-")}
    if "mosfet-diode" in left_out and rig.kind == "mosfet":
        left_out.add("dq")
    lines = [line for line in lines if line.split()[0] not in left_out]
    lines += [mark for mark in marks if mark[0] not in "-+"]
    question = [f"ejack jack 0 {QUESTIONS[ask]} 1", "rjack jack 0 1e9"]
    return "\n".join(["* lamp rig", *lines, *question, ".temp 25", ".end", ""])
