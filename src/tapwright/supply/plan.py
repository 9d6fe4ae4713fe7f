"""The supply plan as nouns: cells, converter, regulator, board, switch, instrument, loads, use.

Every field has the name of its key in PLAN.toml, units in the name. `ranges` holds what was given as a range, by dotted
key; the field itself then holds the middle.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any, TypeVar

from tapwright.supply.quantity import Quantity

CHEMISTRIES = ("alkaline", "nimh", "lithium")
SIZES = ("AA", "AAA")
CONVERTER_KINDS = ("boost", "buck-boost", "linear", "none")
SWITCH_KINDS = ("enable", "mosfet")
DEFAULT_SHELF_DAYS = 180.0
DEFAULT_TEMPERATURE_C = 20.0
HOURS_A_DAY = 24.0

P = TypeVar("P")


@dataclass(frozen=True, kw_only=True)
class Cells:
    """A string of equal cells; `open_v` and `contact_ohm` are the string's, `ohm` and `curve` a cell's."""

    series: int
    chemistry: str | None = None
    size: str = "AA"
    open_v: Quantity | None = None
    ohm: Quantity | None = None
    contact_ohm: Quantity = 0.0
    temperature_c: Quantity = DEFAULT_TEMPERATURE_C
    curve: tuple[tuple[Quantity, Quantity, Quantity], ...] | None = None


@dataclass(frozen=True, kw_only=True)
class Converter:
    """What stands between cells and board; `efficiency` is a number or rows of (input volts, output amps, efficiency).

    `inductor_h`, `frequency_hz` and `inductor_peak_a` describe a boost's coil and the peak at which it cuts off.
    """

    kind: str
    output_v: Quantity | None = None
    input_min_v: Quantity | None = None
    start_v: Quantity | None = None
    input_max_v: Quantity | None = None
    input_max_a: Quantity | None = None
    output_max_a: Quantity | None = None
    efficiency: Quantity | tuple[tuple[Quantity, Quantity, Quantity], ...] | None = None
    quiescent_a: Quantity = 0.0
    shutdown_a: Quantity = 0.0
    dropout_v: Quantity = 0.0
    load_disconnect: bool = True
    enable_high_v: Quantity | None = None
    inductor_h: Quantity | None = None
    frequency_hz: Quantity | None = None
    inductor_peak_a: Quantity | None = None

    @property
    def switching(self) -> bool:
        """Whether it draws constant power (boost, buck-boost)."""
        return self.kind in ("boost", "buck-boost")


@dataclass(frozen=True, kw_only=True)
class Regulator:
    """A linear regulator on the added board, after the converter."""

    output_v: Quantity
    dropout_v: Quantity = 0.0
    quiescent_a: Quantity = 0.0


@dataclass(frozen=True, kw_only=True)
class Board:
    """The board's own supply limits."""

    min_v: Quantity | None = None
    max_v: Quantity | None = None


@dataclass(frozen=True, kw_only=True)
class Switch:
    """What takes the board off: the converter's enable input, or a MOSFET before the converter."""

    kind: str
    max_a: Quantity | None = None
    ohm: Quantity = 0.0
    control_v: Quantity | None = None
    full_on_v: Quantity | None = None
    off_a: Quantity = 0.0


@dataclass(frozen=True, kw_only=True)
class Instrument:
    """What the instrument itself draws from the string, on and off, and where it warns or stops."""

    amps: Quantity = 0.0
    off_a: Quantity = 0.0
    low_v: Quantity | None = None


@dataclass(frozen=True, kw_only=True)
class Load:
    """A current at the board's supply: steady, or `seconds` long every `every_s`."""

    amps: Quantity
    name: str = ""
    seconds: Quantity | None = None
    every_s: Quantity | None = None

    @property
    def pulsed(self) -> bool:
        """Whether it comes in pulses."""
        return self.seconds is not None

    @property
    def duty(self) -> Quantity:
        """Its share of time, 0 to 1."""
        return 1.0 if self.seconds is None or self.every_s is None else self.seconds / self.every_s


@dataclass(frozen=True, kw_only=True)
class Capacitor:
    """A capacitor for the bursts, across the converter's `output` or its `input`."""

    farad: Quantity
    esr_ohm: Quantity = 0.0
    leak_a: Quantity = 0.0
    at: str = "output"


@dataclass(frozen=True, kw_only=True)
class Use:
    """How it is used."""

    hours_per_day: Quantity | None = None
    shelf_days: Quantity = DEFAULT_SHELF_DAYS


@dataclass(frozen=True, kw_only=True)
class Plan:
    """A whole supply plan."""

    cells: Cells
    converter: Converter
    load: tuple[Load, ...]
    regulator: Regulator | None = None
    board: Board = field(default_factory=Board)
    switch: Switch | None = None
    instrument: Instrument = field(default_factory=Instrument)
    capacitor: Capacitor | None = None
    use: Use = field(default_factory=Use)
    ranges: Mapping[str, tuple[float, float]] = field(default_factory=dict)

    def with_values(self, values: Mapping[str, object]) -> Plan:
        """Return a plan with other values at dotted keys (`load.0.amps`, `cells.curve.2.1`)."""
        plan = self
        for key, value in values.items():
            plan = _put(plan, key.split("."), value)
        return plan


def _put(noun: P, path: list[str], value: object) -> P:
    head: Any = noun
    if isinstance(head, tuple):
        i = int(path[0])
        inner = value if len(path) == 1 else _put(head[i], path[1:], value)
        return (*head[:i], inner, *head[i + 1:])  # type: ignore[return-value]
    inner = value if len(path) == 1 else _put(getattr(head, path[0]), path[1:], value)
    changed: P = replace(head, **{path[0]: inner})
    return changed
