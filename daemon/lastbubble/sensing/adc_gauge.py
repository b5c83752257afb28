"""A pressure transducer with a voltage or a current output, on an analogue-to-digital converter (MCP3xxx).

The arithmetic is `AdcDecoder`, pure; `AdcGauge` reads the converter through gpiozero.

A broken wire is 0 V or 0 mA, and by the straight line that is a vacuum nobody has ever seen. So the signal has to be a
live one first: 0.4 V to 4.6 V of a ratiometric transducer at 5 V (0.1 V beyond its ends: common practice, no published
source), or 3.8 mA to 20.5 mA of a current loop (NAMUR NE 43). What lies outside is no reading at once, and a fault
after it has lasted `HOLD_S`.

The converter gets pins of its own: on the thermocouples' bus two processes would talk at once, and each one's clock
would reach the other's chip.
"""

from __future__ import annotations

import importlib
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median
from typing import Any, Final, Literal

from lastbubble.records import Reading
from lastbubble.sensing.gauge import Fault, GaugeScale, Silence

__all__ = ["CHIPS", "HOLD_S", "AdcDecoder", "AdcGauge", "AdcGaugeSettings", "Chip", "Signal"]

Chip = Literal["MCP3001", "MCP3002", "MCP3004", "MCP3008", "MCP3201", "MCP3202", "MCP3204", "MCP3208"]
Signal = Literal["ratiometric", "4-20 mA"]

#: Chip -> (bits, channels).
CHIPS: Final[dict[Chip, tuple[int, int]]] = {
    "MCP3001": (10, 1),
    "MCP3002": (10, 2),
    "MCP3004": (10, 4),
    "MCP3008": (10, 8),
    "MCP3201": (12, 1),
    "MCP3202": (12, 2),
    "MCP3204": (12, 4),
    "MCP3208": (12, 8),
}
#: So long a signal outside its limits is a fault (NAMUR NE 43 asks for a delay and leaves its length open) [s].
HOLD_S: Final = 4.0
#: Readings of one poll; their median counts.
_READS: Final = 5
#: Ends of a ratiometric transducer's line, and of its live range, over its supply.
_RATIO_ENDS: Final = (0.1, 0.9)
_RATIO_LIVE: Final = (0.08, 0.92)
#: The same of a current loop [A].
_LOOP_ENDS: Final = (4e-3, 20e-3)
_LOOP_LIVE: Final = (3.8e-3, 20.5e-3)
#: A loop's failure signal, which the converter must be able to see [A].
_LOOP_FAIL_HIGH: Final = 21e-3
#: Supply over its nominal value: outside the first a person should know, outside the second nothing can be believed.
_SUPPLY_WARN: Final = (0.95, 1.05)
_SUPPLY_LIVE: Final = (0.8, 1.2)
#: Spread of one poll's readings, of the signal's span, that is worth a word.
_NOISY: Final = 0.05
_BUS_PINS: Final = (7, 8, 9, 10, 11)


@dataclass(frozen=True, slots=True)
class AdcGaugeSettings:
    """The transducer, the converter and the wiring between.

    low_pa, high_pa : pressure at 0.5 V of 5 V (at 4 mA) and at 4.5 V (at 20 mA), as the transducer counts it    [Pa]
    chip, channel : the converter and its input;  signal : see `Signal`
    reference_v : the converter's reference voltage                                                          [V]
    divider : how many times smaller the converter sees the signal (1 = no divider)
    supply_channel : input that sees the transducer's supply over the same divider; None: `supply_v` is believed
    supply_v : the transducer's nominal supply                                                               [V]
    shunt_ohm : resistor of the current loop                                                               [ohm]
    select_pin, clock_pin, mosi_pin, miso_pin : GPIO numbers; 7 to 11 belong to the thermocouples' bus
    every_s : time between readings                                                          [s of bench time]
    """

    low_pa: float
    high_pa: float
    chip: Chip = "MCP3208"
    channel: int = 0
    signal: Signal = "ratiometric"
    reference_v: float = 3.3
    divider: float = 1.0
    supply_channel: int | None = None
    supply_v: float = 5.0
    shunt_ohm: float | None = None
    select_pin: int = 18
    clock_pin: int = 21
    mosi_pin: int = 20
    miso_pin: int = 19
    every_s: float = 0.5

    def __post_init__(self) -> None:
        """Raises ValueError: place, finding, what is allowed, the mend."""
        if self.chip not in CHIPS:
            raise ValueError(f"chip is {self.chip!r}; allowed: {', '.join(CHIPS)}")
        if not self.low_pa < self.high_pa and not self.high_pa < self.low_pa:
            raise ValueError(
                f"low is {self.low_pa:g} Pa and high {self.high_pa:g} Pa; allowed: two different pressures"
            )
        channels = CHIPS[self.chip][1]
        for name, channel in (("channel", self.channel), ("supply_channel", self.supply_channel)):
            if channel is not None and not 0 <= channel < channels:
                raise ValueError(f"{name} is {channel}; allowed 0 to {channels - 1} of an {self.chip}")
        if self.supply_channel == self.channel:
            raise ValueError(f"supply_channel is {self.channel} like channel; give the supply an input of its own")
        pins = (self.select_pin, self.clock_pin, self.mosi_pin, self.miso_pin)
        if len(set(pins)) < 4 or any(pin in _BUS_PINS or not 0 <= pin <= 27 for pin in pins):
            raise ValueError(
                f"the converter's pins (select, clock, mosi, miso) are {pins}; allowed: four different ones of 0 to 27 "
                "without 7 to 11, which belong to the thermocouples' bus. Wire it to 18, 21, 20, 19"
            )
        self._check_signal()

    def _check_signal(self) -> None:
        if not self.divider >= 1:
            raise ValueError(f"divider is {self.divider:g}; allowed: 1 or more")
        if self.signal == "ratiometric":
            highest_v = _RATIO_LIVE[1] * self.supply_v / self.divider
            mend = "use a larger divider"
        elif self.signal == "4-20 mA":
            if self.shunt_ohm is None or not self.shunt_ohm > 0:
                raise ValueError(
                    f"shunt is {self.shunt_ohm}; a current loop needs the resistor it runs through, in ohm"
                )
            highest_v = _LOOP_FAIL_HIGH * self.shunt_ohm / self.divider
            mend = "use a smaller shunt: 150 ohm for 3.3 V"
        else:
            raise ValueError(f"signal is {self.signal!r}; allowed: ratiometric, 4-20 mA")
        if not highest_v <= self.reference_v:
            raise ValueError(
                f"the signal's upper limit is {highest_v:.3g} V at the converter, above its reference of "
                f"{self.reference_v:g} V, so a fault there could not be told from a reading; {mend}"
            )


class AdcDecoder:
    """Counts of the converter -> what the transducer shows [Pa], or why it is no reading. Never raises."""

    def __init__(self, settings: AdcGaugeSettings) -> None:
        self._settings = settings
        self._volts_per_count = settings.reference_v * settings.divider / (1 << CHIPS[settings.chip][0])
        self._outside_since_s: float | None = None

    def decode(self, counts: Sequence[int], supply: Sequence[int], now_s: float) -> tuple[float | Fault | None, str]:
        """(what is shown, or a fault, or None = outside its limits and not yet for HOLD_S; a doubt or "").

        counts : readings of the signal's input, at least one;  supply : of the supply's input, may be empty
        """
        settings = self._settings
        volts = median(counts) * self._volts_per_count
        doubt = ""
        if settings.signal == "ratiometric":
            supply_v = settings.supply_v
            if supply:
                supply_v = median(supply) * self._volts_per_count
                part = supply_v / settings.supply_v
                if not _SUPPLY_LIVE[0] <= part <= _SUPPLY_LIVE[1]:
                    low_v, high_v = (edge * settings.supply_v for edge in _SUPPLY_LIVE)
                    return Fault(
                        "supply",
                        f"the transducer's supply is {supply_v:.2f} V; allowed {low_v:g} to {high_v:g} V. Check the "
                        "supply and its wire",
                    ), ""
                if not _SUPPLY_WARN[0] <= part <= _SUPPLY_WARN[1]:
                    doubt = f"the transducer's supply is {supply_v:.2f} V instead of {settings.supply_v:g} V"
            signal, ends, live = volts / supply_v, _RATIO_ENDS, _RATIO_LIVE
            said = f"{volts:.3f} V of {supply_v:.2f} V"
            allowed = f"{live[0] * supply_v:.2f} to {live[1] * supply_v:.2f} V"
        else:
            assert settings.shunt_ohm is not None
            signal, ends, live = volts / settings.shunt_ohm, _LOOP_ENDS, _LOOP_LIVE
            said = f"{signal * 1e3:.2f} mA"
            allowed = f"{live[0] * 1e3:g} to {live[1] * 1e3:g} mA"
        if not live[0] <= signal <= live[1]:
            if self._outside_since_s is None:
                self._outside_since_s = now_s
            if now_s - self._outside_since_s < HOLD_S:
                return None, ""
            return Fault(
                "wire", f"the transducer's signal is {said}; allowed {allowed}. A wire is broken or shorted: mend it"
            ), ""
        self._outside_since_s = None
        span = ends[1] - ends[0]
        per_count = self._volts_per_count * (signal / volts)
        if (max(counts) - min(counts)) * per_count > _NOISY * span:
            doubt = doubt or "the transducer's signal is noisy; shield its cable, and put 100 nF across the input"
        shown = settings.low_pa + (signal - ends[0]) / span * (settings.high_pa - settings.low_pa)
        return shown, doubt


class AdcGauge:
    """Polled source (`pressure.Polled`) of a transducer on a converter; wrap it in `pressure.Unhurried`.

    The pins are those of the process's own pin factory: gpiozero's bit-banged bus takes no other.
    """

    def __init__(self, settings: AdcGaugeSettings, scale: GaugeScale) -> None:
        self._settings = settings
        self._scale = scale
        self._decoder = AdcDecoder(settings)
        self._silence = Silence(max(5.0, 5 * settings.every_s), "the converter")
        self._inputs: list[Any] = []
        self._next_open_s = float("-inf")
        self._read_s = float("-inf")

    def poll(self, now_s: float) -> Reading | None:
        """See `pressure.Polled`. Raises nothing."""
        self._silence.since_s(now_s)
        if now_s - self._read_s < 0.9 * self._settings.every_s or now_s < self._next_open_s:
            return self._silence.verdict(now_s)
        self._read_s = now_s
        try:
            if not self._inputs:
                self._open()
            counts = [[int(source.raw_value) for _ in range(_READS)] for source in self._inputs]
        except Exception as exc:  # noqa: BLE001  # the pin libraries' own errors derive from Exception alone
            self.close()
            self._next_open_s = now_s + 5.0
            self._silence.fail(
                Fault(
                    "io",
                    f"the converter cannot be read ({type(exc).__name__}: {exc}); check its pins, and that no other "
                    "program has them",
                )
            )
            return self._silence.verdict(now_s)
        shown, doubt = self._decoder.decode(counts[0], counts[1] if len(counts) > 1 else (), now_s)
        if shown is None:
            return self._silence.verdict(now_s)
        if isinstance(shown, Fault):
            self._silence.fail(shown)
            return self._silence.verdict(now_s)
        self._silence.good(now_s)
        cause = "supply" if "supply" in doubt else "noisy"
        return self._scale.reading(shown, now_s, Fault(cause, doubt) if doubt else None)

    def close(self) -> None:
        """Let the pins go; may be called again."""
        inputs, self._inputs = self._inputs, []
        for source in inputs:
            source.close()

    def _open(self) -> None:
        # Only here: importing it looks for a pin library, which a station with a serial gauge need not have.
        gpiozero: Any = importlib.import_module("gpiozero")
        settings = self._settings
        make = getattr(gpiozero, settings.chip)
        several = CHIPS[settings.chip][1] > 1
        for channel in (settings.channel, settings.supply_channel):
            if channel is None:
                continue
            self._inputs.append(
                make(
                    **({"channel": channel} if several else {}),
                    max_voltage=settings.reference_v,
                    clock_pin=settings.clock_pin,
                    mosi_pin=settings.mosi_pin,
                    miso_pin=settings.miso_pin,
                    select_pin=settings.select_pin,
                )
            )
