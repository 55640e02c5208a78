"""What is known of one tube type: `Tube` and its `Ratings`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields

import numpy.typing as npt

from tubekit.devices.pentode import Pentode
from tubekit.devices.rectifier import SiliconDiode, TubeDiode
from tubekit.devices.residual import Residual
from tubekit.devices.triode import Triode
from tubekit.devices.tube_point import TubePoint, tube_point
from tubekit.errors import InputError
from tubekit.text import Column, Printed, Table, quantity

Pins = Mapping[str, int | tuple[int, ...]]
TubeLaw = Triode | Pentode | TubeDiode | SiliconDiode

_WORDS = {
    "plate": "plate current",
    "screen": "screen current",
    "grid": "grid current",
    "plate_full": "plate current, full drive",
    "screen_full": "screen current, full drive",
}


@dataclass(frozen=True, eq=False)
class Ratings:
    """Limits of a type, None where none is stated. `system` says how the maker meant them.

    Design-centre ratings hold at nominal mains, design-maximum ones whatever the mains and parts do.
    """

    system: str = ""
    status: str = ""
    source: str = ""
    plate_v: float | None = quantity("V", "Vp", "plate voltage", default=None)
    plate_w: float | None = quantity("W", "Pp", "plate dissipation", default=None)
    screen_v: float | None = quantity("V", "Vg2", "screen voltage", default=None)
    screen_w: float | None = quantity("W", "Pg2", "screen dissipation", default=None)
    cathode_a: float | None = quantity("A", "Ik", "cathode current", default=None)
    heater_cathode_v: float | None = quantity("V", "Vhk", "heater to cathode voltage", default=None)
    grid_leak_fixed: float | None = quantity("ohm", "Rg1", "grid leak with fixed bias", default=None)
    grid_leak_cathode_bias: float | None = quantity("ohm", "Rg1", "grid leak at cathode bias", default=None)
    piv: float | None = quantity("V", "PIV", "peak inverse voltage of a plate", default=None)
    peak_a: float | None = quantity("A", "Ipk", "peak current of a plate", default=None)
    dc_a: float | None = quantity("A", "Idc", "direct current of the whole rectifier", default=None)
    reservoir_max_f: float | None = quantity("F", "C", "first filter capacitor", default=None)


@dataclass(frozen=True, eq=False, repr=False)
class Tube(Printed):
    """A tube type: what it fits, what it stands, and the law of one of its sections.

    `pins` goes by terminal ('plate', or 'plate a' and 'plate b' in a twin); `capacitances` [F] by
    'grid_plate', 'grid_cathode' (screen and beam plates included), 'plate_cathode'. `law` is that of
    one section or, in a rectifier, of one plate. `valid` gives the voltages [V] that the fitted rows
    cover. `known` says for base, pins and capacitances how they are known.
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
    notes: str = ""

    def at(
        self, *, plate: npt.ArrayLike, grid: npt.ArrayLike = 0.0, screen: npt.ArrayLike | None = None
    ) -> TubePoint:
        """Currents, gm, rp and mu at voltages to cathode [V]; arrays broadcast.

        Raises
        ------
        InputError : a screen voltage for a tube without a screen, none for one with it, or a grid
            for a rectifier.

        Examples
        --------
        >>> from tubekit.devices.catalogue import tube
        >>> point = tube("12AX7").at(plate=250, grid=-2)
        >>> print(f"{point.plate_a * 1e3:.2f} mA, mu {point.mu:.0f}")
        1.20 mA, mu 101
        """
        if not isinstance(self.law, (Triode, Pentode)):
            raise InputError(
                "a rectifier has no grid to set",
                part=self.type,
                fix="Ask its law: tube(...).law.evaluate or .through",
            )
        if isinstance(self.law, Triode) and screen is not None:
            raise InputError(
                "a triode has no screen", part=self.type, fix="Leave screen= out: at(plate=..., grid=...)"
            )
        if isinstance(self.law, Pentode) and screen is None:
            raise InputError(
                f"a {self.kind} needs its screen voltage",
                part=self.type,
                fix="Give screen= [V]; for triode connection the same as plate=",
            )
        return tube_point(self.type, self.law, plate, grid, screen)

    def headline(self) -> str:
        """Type and kind in one sentence."""
        others = f" ({', '.join(self.equivalents)})" if self.equivalents else ""
        return f"{self.type}{others}: {self.title}, {self.base} base."

    def tables(self) -> list[Table]:
        """Ratings, and how far the law is from each published figure."""
        ratings = [
            (entry.metadata["doc"], (getattr(self.ratings, entry.name), entry.metadata["unit"]))
            for entry in fields(self.ratings)
            if entry.metadata and getattr(self.ratings, entry.name) is not None
        ]
        note = f"{self.ratings.system}, {self.ratings.status}: {self.ratings.source}"
        found = [Table("Ratings", (Column("limit"), Column("value")), ratings, note=note)]
        if self.fit:
            columns = (
                Column("row"), Column("quantity"), Column("published"), Column("law"),
                Column("off", "%", format="+.1f"), Column("status"),
            )  # fmt: skip
            rows = [
                (
                    r.row, _WORDS.get(r.quantity, r.quantity), (r.published, r.unit), (r.law, r.unit),
                    100.0 * r.error, r.status,
                )
                for r in self.fit
            ]  # fmt: skip
            assumed = ", ".join(self.assumed) or "nothing"
            found.append(Table("Law beside what was published", columns, rows, note=f"Assumed: {assumed}."))
        return found
