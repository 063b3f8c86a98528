"""Where the leads are and what state the board is in: the questions a meter can be asked."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["COLDEST_C", "HOTTEST_C", "Hold", "Probing", "Setup"]

COLDEST_C, HOTTEST_C = -60.0, 175.0  # of a board on the bench


@dataclass(frozen=True, slots=True, order=True)
class Hold:
    """A gate held at a voltage against its own emitter while a reading is taken.

    Parameters
    ----------
    position : str
        Switch position (``UH``); holds every parallel gate there, ``AH_1`` one of them.
    volts : float
        Voltage of the floating source [V].
    ohms : float
        Resistance the source sits behind [ohm].
    """

    position: str
    volts: float
    ohms: float = 1000.0

    def __str__(self) -> str:
        text = f"{self.position}@{self.volts:g}"
        return text if self.ohms == 1000.0 else f"{text}/{self.ohms:g}"


@dataclass(frozen=True, slots=True)
class Probing:
    """One placement of the leads: what sheet, prediction, advice, journal and puzzle share.

    Parameters
    ----------
    red, black : str
        Terminal or ``PART.pin`` under each lead.
    mode : str
        ``diode``, ``ohms``, ``continuity`` or ``volts``.
    range_name : str or None
        A fixed ohms range (``2k``); None lets the meter choose.
    hold : tuple of Hold
        Gates held during this reading, sorted.
    lift : tuple of str
        ``PART.pin`` lifted for this reading, sorted.
    """

    red: str
    black: str
    mode: str = "diode"
    range_name: str | None = None
    hold: tuple[Hold, ...] = ()
    lift: tuple[str, ...] = ()

    @property
    def mode_text(self) -> str:
        """The mode as a readings file writes it, ``ohms:2k`` for a fixed range."""
        return self.mode if self.range_name is None else f"{self.mode}:{self.range_name}"

    @property
    def hold_text(self) -> str:
        """The held gates as a readings file writes them."""
        return " ".join(str(hold) for hold in self.hold)

    @property
    def lift_text(self) -> str:
        """The lifted pins as a readings file writes them."""
        return " ".join(self.lift)

    @property
    def swapped(self) -> Probing:
        """The same reading with the leads exchanged."""
        return Probing(self.black, self.red, self.mode, self.range_name, self.hold, self.lift)


@dataclass(frozen=True, slots=True)
class Setup:
    """The state of the bench that holds for a whole set of readings.

    Parameters
    ----------
    connected : frozenset of str
        What was left connected: ``motor``, ``coil``, ``transformer``, ``brake-resistor``, ``mains``.
    lifted : tuple of str
        ``PART.pin`` lifted for every reading, sorted.
    relay_closed : bool
        Whether relays are energised.
    bus_volts : float
        Charge left on the bus capacitor [V].
    unplugged : bool
        Whether the gate board is off.
    dwell_s : float
        How long the leads rest before the display is read [s].
    temperature_c : float
        Temperature of the board [deg C].
    """

    connected: frozenset[str] = frozenset()
    lifted: tuple[str, ...] = ()
    relay_closed: bool = False
    bus_volts: float = 0.0
    unplugged: bool = False
    dwell_s: float = 3.0
    temperature_c: float = 25.0
