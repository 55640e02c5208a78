"""What is known of one tube type: `Tube` and its `Ratings`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from tubekit.devices.law import Parameter
from tubekit.devices.pentode import Pentode
from tubekit.devices.published import FIGURES, TOLERANCE, Residual
from tubekit.devices.published_laws import PublishedLaw, published_sets
from tubekit.devices.rectifier import GasDiode, SiliconDiode, TubeDiode
from tubekit.devices.triode import Triode
from tubekit.devices.tube_point import TubePoint, tube_point
from tubekit.devices.tube_spread import NewTubeSpread
from tubekit.errors import InputError
from tubekit.text import Printed, Table, headed, quantity

Pins = Mapping[str, int | str | tuple[int, ...]]
TubeLaw: TypeAlias = Triode | Pentode | TubeDiode | SiliconDiode | GasDiode | PublishedLaw

NINE_IN_TEN = 1.645
"""Standard deviations on either side that hold 90 % of a normal distribution."""
SCATTER = {"current": "idle_plate", "gain": "gain", "power": "power"}
"""The figure whose tolerance is what published ones scatter by themselves. Rows left out in turn lie within
90 % bands so made for 92 % of 134 currents, 89 % of 75 gains and 94 % of 36 powers; without it for 75, 67
and 75 % (`tests.benchmarks.unseen`)."""
BEYOND = 0.10
"""A law is trusted this far beyond the rows it was fitted to, as a share of them; common practice."""
PLATE_CURRENTS = ("plate", "idle_plate", "full_plate", "stage_plate", "chart_plate")
DESIGN_CENTER = "design-center"
HEATER_TAP = "heater center"


def pins_of(value: int | str | tuple[int, ...]) -> tuple[int | str, ...]:
    """The pins of one terminal."""
    return tuple(value) if isinstance(value, list | tuple) else (value,)


@dataclass(frozen=True, eq=False)
class Ratings:
    """Limits of a type, None where none is stated. `system` says how the maker meant them.

    Design-center ratings hold at nominal line voltage and leave room for a line 10 % off it; design-maximum
    and absolute ones hold whatever line and parts do (rating systems of the RCA manuals, from memory).
    """

    system: str = ""
    status: str = ""
    source: str = ""
    plate_v: float | None = quantity("V", "Vp", "plate voltage", default=None)
    plate_w: float | None = quantity("W", "Pp", "plate dissipation", default=None)
    plates_w: float | None = quantity("W", "Pp", "dissipation of all plates together", default=None)
    screen_v: float | None = quantity("V", "Vg2", "screen voltage", default=None)
    screen_w: float | None = quantity("W", "Pg2", "screen dissipation", default=None)
    cathode_a: float | None = quantity("A", "Ik", "cathode current", default=None)
    heater_cathode_v: float | None = quantity("V", "Vhk", "peak heater to cathode voltage", default=None)
    heater_positive_v: float | None = quantity(
        "V", "Vhk", "the same with the heater positive, where it differs", default=None
    )
    grid_leak_fixed: float | None = quantity("ohm", "Rg1", "grid leak with fixed bias", default=None)
    grid_leak_cathode_bias: float | None = quantity("ohm", "Rg1", "grid leak at cathode bias", default=None)
    grid_leak_light: float | None = quantity(
        "ohm", "Rg1", "grid leak while the plate dissipates little", default=None
    )
    light_w: float | None = quantity("W", "Pp", "plate dissipation up to which that holds", default=None)
    piv: float | None = quantity("V", "PIV", "peak inverse voltage of a plate", default=None)
    peak_a: float | None = quantity("A", "Ipk", "repetitive peak current of a plate", default=None)
    surge_a: float | None = quantity("A", "Isurge", "one surge of a plate, as in hot switching", default=None)
    dc_a: float | None = quantity("A", "Idc", "direct current of the whole tube", default=None)
    reservoir_max_f: float | None = quantity("F", "C", "first filter capacitor", default=None)
    least_a: float | None = quantity("A", "I", "least current at which a regulator holds", default=None)
    strike_v: float | None = quantity("V", "V", "voltage at which a regulator strikes", default=None)

    def surge_limit(self) -> tuple[float | None, str]:
        """The limit for one surge of a plate [A], as when a standby switch closes on a warm rectifier.

        The repetitive peak is no measure for it: a single surge may be several times as high.

        Returns
        -------
        limit : None where no maker's figure is known.
        words : the limit in words, for a table or a sentence.

        Examples
        --------
        >>> from tubekit.devices.catalogue import tube
        >>> tube("5AR4").ratings.surge_limit()
        (3.7, 'hot-switching limit of a plate, from memory')
        >>> tube("5Y3GT").ratings.surge_limit()
        (None, 'no hot-switching limit known')
        """
        known = "hot-switching limit of a plate, from memory"
        return self.surge_a, known if self.surge_a is not None else "no hot-switching limit known"


@dataclass(frozen=True, eq=False, repr=False)
class Tube(Printed):
    """A tube type: what it fits, what it stands, and the law of one of its sections.

    `pins` goes by terminal ('plate', or 'plate a' and 'plate b' in a twin; a pin may be 'top cap');
    `capacitances` [F] by 'grid_plate', 'grid_cathode' (screen and beam plates included), 'plate_cathode'.
    `law` is that of one section or, in a rectifier, of one plate. `valid` gives the voltages [V] that the
    fitted rows cover, `spread` how far new tubes lie apart. Of the law's parameters `assumed` were set by
    hand, `usual` are what the rows leave open, `at_bound` ended at a bound of the fit; `leaves` has the
    standard deviation [%] that the law as a whole ('all') and each of these leave in current, gain and power
    near the rows: the law's own, beside which new tubes spread. `known` says for base, pins and
    capacitances how they are known.

    `like` is the type whose law it has, where that is another's.

    A tube with unlike sections has them in `systems`, in the order of their letters; its own law,
    ratings and capacitances are those of the last of them.
    """

    type: str
    equivalents: tuple[str, ...]
    kind: str
    title: str
    base: str
    sections: int
    pins: Pins
    heater_volts: float | None
    heater_amps: float | None
    ratings: Ratings
    law: TubeLaw
    capacitances: Mapping[str, float]
    known: str
    directly_heated: bool | None = None
    valid: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    fit: tuple[Residual, ...] = ()
    conflicts: tuple[str, ...] = ()
    assumed: Mapping[str, float] = field(default_factory=dict)
    usual: tuple[str, ...] = ()
    at_bound: tuple[str, ...] = ()
    leaves: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    notes: str = ""
    spread: NewTubeSpread = field(default_factory=NewTubeSpread)
    systems: tuple[Tube, ...] = ()
    emission: Parameter = 1.0
    current_factor: Parameter = 1.0
    like: str = ""

    def system(self, place: int) -> Tube:
        """The section at a place, 0 for section a; of a tube with sections alike the tube itself.

        Examples
        --------
        >>> from tubekit.devices.catalogue import tube
        >>> tube("6BM8").system(0).type, tube("12DW7").system(1).type
        ('6BM8 triode', '12DW7 section b')
        """
        return self.systems[place] if self.systems else self

    def moved_pins(self, drawn: Tube) -> tuple[str, ...]:
        """Terminals of both types that are on other pins than in a type `drawn` for the socket.

        Examples
        --------
        >>> from tubekit.devices.catalogue import tube
        >>> tube("6SN7GT").moved_pins(tube("6SL7GT")), "plate" in tube("7591").moved_pins(tube("6V6GT"))
        ((), False)
        """
        both = [terminal for terminal in drawn.pins if terminal in self.pins]
        return tuple(t for t in both if set(pins_of(drawn.pins[t])) != set(pins_of(self.pins[t])))

    def added_pins(self, drawn: Tube) -> tuple[str, ...]:
        """Terminals on pins that a type `drawn` for the socket leaves free."""
        used = {pin for pins in drawn.pins.values() for pin in pins_of(pins)}
        return tuple(
            terminal for terminal, pins in self.pins.items()
            if terminal not in drawn.pins and not set(pins_of(pins)) <= used
        )  # fmt: skip

    def fits(self, drawn: Tube) -> bool:
        """Whether it works in a socket wired for a type `drawn`, each electrode and the heater on its pins.

        What the heater is fed with is not looked at.

        Examples
        --------
        >>> from tubekit.devices.catalogue import tube
        >>> drawn = tube("12AU7")
        >>> tube("12AX7").fits(drawn), tube("6CG7").fits(drawn), tube("EL34").fits(tube("6V6GT"))
        (True, False, False)
        """
        tap = HEATER_TAP in self.pins, HEATER_TAP in drawn.pins
        moved = self.moved_pins(drawn) or "suppressor" in self.added_pins(drawn)
        return self.base == drawn.base and not moved and tap[0] == tap[1]

    def aged(self, *, emission: Parameter = 1.0, spread: Parameter = 1.0) -> Tube:
        """The same type with a worn cathode, or one that leaves the mean of new tubes.

        Parameters
        ----------
        emission : cathode current left, 1 is new; 0.5 of a tube that testers call weak (common practice).
        spread : current of this tube when new, relative to the mean; `Tube.spread` has the band.

        Arrays make a batch of tubes. Both scale the current that the cathode gives at fixed voltages.

        Raises
        ------
        InputError : a factor that is not above zero.

        Examples
        --------
        >>> from tubekit.devices.catalogue import tube
        >>> worn = tube("6V6GT").aged(emission=0.7).at(plate=250, screen=250, grid=-12.5)
        >>> f"{worn.plate_a * 1e3:.1f} mA"
        '31.3 mA'
        """
        for name, factor in (("emission", emission), ("spread", spread)):
            if not (np.all(np.isfinite(factor)) and np.all(np.asarray(factor) > 0)):
                raise InputError(
                    f"{name} {factor!r} is not above zero", part=self.type, fix="1 is the mean new tube"
                )
        both = np.multiply(emission, spread)
        return replace(
            self,
            law=self.law.worn(both if np.ndim(both) else float(both)),
            systems=tuple(each.aged(emission=emission, spread=spread) for each in self.systems),
            emission=np.multiply(self.emission, emission)[()],
            current_factor=np.multiply(self.current_factor, spread)[()],
        )

    def outside(
        self,
        *,
        plate: npt.ArrayLike,
        grid: npt.ArrayLike,
        plate_a: npt.ArrayLike,
        screen: npt.ArrayLike | None = None,
    ) -> tuple[str, ...]:
        """What takes a working point out of the range the law was fitted in, in words; up to 10 % is none.

        Parameters
        ----------
        plate, grid, screen : volts to cathode [V]; of a batch, the furthest counts.
        plate_a : plate current [A]; compared with the highest published current that was met.

        Examples
        --------
        >>> from tubekit.devices.catalogue import tube
        >>> tube("6V6GT").outside(plate=410, screen=240, grid=-14, plate_a=0.03)
        ('plate 410 V (fitted 180 to 315 V)',)
        """
        result = []
        for name, volts in (("plate", plate), ("screen", screen), ("grid", grid)):
            if volts is None or name not in self.valid:
                continue
            low, high = self.valid[name]
            values = np.asarray(volts, float).reshape(-1)
            far = values[np.argmax(np.maximum(low - values, values - high))]
            if max(low - far, far - high) > BEYOND * max(abs(low), abs(high)):
                span = f"{low:g} V" if low == high else f"{low:g} to {high:g} V"
                result.append(f"{name} {far:.3g} V (fitted {span})")
        met = [r.published for r in self.fit if r.used and r.unit == "A" and r.quantity in PLATE_CURRENTS]
        top = float(np.max(plate_a))
        if met and top > (1.0 + BEYOND) * max(met):
            result.append(f"plate current {1e3 * top:.3g} mA (fitted to {1e3 * max(met):.3g} mA)")
        return tuple(result)

    @property
    def law_bands(self) -> dict[str, float]:
        """Half the range [%] of 90 % of published figures about the law, had its fit not seen them.

        What the fit leaves open near its rows, with what published figures scatter by themselves.
        """
        return {
            word: NINE_IN_TEN * float(np.hypot(value, 100.0 * TOLERANCE[SCATTER[word]]))
            for word, value in self.leaves.get("all", {}).items()
        }

    def law_uncertainty(self) -> str:
        """`law_bands` in words; empty where they are not known.

        Examples
        --------
        >>> from tubekit.devices.catalogue import tube
        >>> tube("6V6GT").law_uncertainty()
        'current ±9 %, gain ±14 %, power ±14 %'
        """
        return ", ".join(f"{word} ±{value:.0f} %" for word, value in self.law_bands.items())

    @property
    def published(self) -> tuple[str, ...]:
        """Parameter sets that others printed, to be had by ``tube(type, law="published <name>")``."""
        return published_sets(self.type, self.equivalents)

    def at(
        self, *, plate: npt.ArrayLike, grid: npt.ArrayLike = 0.0, screen: npt.ArrayLike | None = None
    ) -> TubePoint:
        """Currents, gm, rp and mu at voltages to cathode [V]; arrays broadcast.

        Of a triode and pentode in one tube, the pentode where a screen voltage is given.

        Raises
        ------
        InputError : a screen voltage for a tube without a screen, none for one with it, a grid for a
            rectifier, or two unlike triodes.

        Examples
        --------
        >>> from tubekit.devices.catalogue import tube
        >>> point = tube("12AX7").at(plate=250, grid=-2)
        >>> print(f"{point.plate_a * 1e3:.2f} mA, mu {point.mu:.0f}")
        1.20 mA, mu 100
        """
        if self.systems:
            fitting = [one for one in self.systems if ("screen" in one.law.terminals) is (screen is not None)]
            if len(fitting) != 1:
                names = " or ".join(f"tube('{one.type}')" for one in self.systems)
                raise InputError("its sections are not alike", part=self.type, fix=f"Ask one: {names}")
            return fitting[0].at(plate=plate, grid=grid, screen=screen)
        if "grid" not in self.law.terminals:
            raise InputError(
                "a rectifier has no grid to set",
                part=self.type,
                fix="Ask its law: tube(...).law.evaluate or .through",
            )
        has_screen = "screen" in self.law.terminals
        if screen is not None and not has_screen:
            raise InputError(
                "a triode has no screen", part=self.type, fix="Leave screen= out: at(plate=..., grid=...)"
            )
        if screen is None and has_screen:
            raise InputError(
                f"a {self.kind} needs its screen voltage",
                part=self.type,
                fix="Give screen= [V]; for triode connection the same as plate=",
            )
        return tube_point(self.type, self.law, plate, grid, screen)

    def headline(self) -> str:
        """Type and kind in one sentence, and what was said of its cathode."""
        others = f" ({', '.join(self.equivalents)})" if self.equivalents else ""
        state = "".join(
            f" {words} {np.mean(factor):g}."
            for words, factor in (("Emission", self.emission), ("New current", self.current_factor))
            if np.any(np.asarray(factor) != 1.0)
        )
        return f"{self.type}{others}: {self.title}, {self.base} base.{state}"

    def tables(self) -> list[Table]:
        """Ratings, and how far the law is from each published figure."""
        if self.systems:
            return [table for each in self.systems for table in each.tables()]
        ratings = [
            (entry.metadata["doc"], (getattr(self.ratings, entry.name), entry.metadata["unit"]))
            for entry in fields(self.ratings)
            if entry.metadata and getattr(self.ratings, entry.name) is not None
        ]
        note = f"{self.ratings.system}, {self.ratings.status}: {self.ratings.source}"
        result = [Table(f"Ratings of {self.type}", headed("limit", "value"), ratings, note=note)]
        return [*result, self._left_over()] if self.fit else result

    def _left_over(self) -> Table:
        columns = headed("row", "quantity", "published", "law", "off [%] +.1f", "in fit", "status")
        figures = {name: figure.get("words", name) for name, figure in FIGURES.items()}
        rows = [
            (
                r.row, figures.get(r.quantity, r.quantity), (r.published, r.unit), (r.law, r.unit),
                100.0 * r.error, "yes" if r.used else "no", r.status,
            )
            for r in self.fit
        ]  # fmt: skip
        words = (
            ("Assumed", tuple(self.assumed)),
            ("Left open by the rows", self.usual),
            ("At a bound", self.at_bound),
            ("Figures at odds with each other", self.conflicts),
        )
        note = " ".join(f"{name}: {', '.join(names)}." for name, names in words if names)
        if self.leaves:
            note += f" The law's own uncertainty (range of 90 % of unseen figures): {self.law_uncertainty()}"
            parts = [
                f"{n} {' '.join(f'{v:.1f}' for v in s.values())}"
                for n, s in self.leaves.items()
                if n != "all"
            ]
            note += f"; standard deviation left by {'; '.join(parts)}." if parts else "."
        if any(r.quantity == "distortion" for r in self.fit):
            note += " A distortion's 'off' is in percentage points."
        return Table("Model compared with published values", columns, rows, note=note)
