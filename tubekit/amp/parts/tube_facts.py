"""The one question asked of the tube catalog while a file is read: what is this type?"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import ClassVar

from tubekit.amp.fields import as_text
from tubekit.amp.parts.diodes import TypeName
from tubekit.devices import catalogue
from tubekit.devices.pentode import Pentode
from tubekit.devices.rectifier import GasDiode
from tubekit.devices.triode import Triode
from tubekit.errors import InputError, TubekitError, UnknownTube, near_matches

WIRE_ENDED = "wire ended"
REGULATOR = "regulator tube"
LETTERS = "abc"
"""Of the sections in one tube, as in [V1.a]; its pins and its unlike sections go by them."""


@dataclass(frozen=True)
class TubeFacts:
    """What wiring needs to know of a type: family, sections, base, heater.

    `family` is 'triode', 'pentode' (beam tetrodes too), 'rectifier', or 'triode and pentode' for a tube
    with one of each; `sections` counts its sections (plates, for a rectifier), `systems` has those of a
    tube with unlike sections, a first; heater volts are 0 where there is none.
    """

    type: str
    family: str
    sections: int
    base: str
    heater_volts: float
    heater_amps: float
    tapped: bool = False
    filament: bool = False
    systems: tuple[TubeFacts, ...] = ()

    def section(self, letter: str) -> TubeFacts | None:
        """The section of a letter; of a tube with sections alike the tube, None for a letter without one."""
        of = dict(zip(LETTERS, self.systems, strict=False))
        return of.get(letter) if of else self

    def electrodes(self, letter: str = "") -> tuple[str, ...]:
        """Electrodes a section has pins for, but the heater: a filament is its own cathode, gas has no grid.

        Examples
        --------
        >>> facts("6V6GT").electrodes(), facts("2A3").electrodes(), facts("0A2").electrodes()
        (('plate', 'screen', 'grid', 'cathode'), ('plate', 'grid'), ('plate', 'cathode'))
        """
        if self.systems:
            return (self.section(letter) or self.systems[0]).electrodes()
        if self.family == "rectifier":
            return ("plates", "cathode")
        if self.family == REGULATOR:
            return ("plate", "cathode")
        screen = ["screen"] if self.family == "pentode" else []
        return ("plate", *screen, "grid", *([] if self.filament else ["cathode"]))

    @property
    def words(self) -> str:
        """Family and sections in trade words, for messages."""
        if self.family in ("rectifier", REGULATOR) or len({one.family for one in self.systems}) > 1:
            return f"a {self.family}"
        return f"a {'twin ' if self.sections > 1 else ''}{self.family}"


@dataclass(frozen=True)
class TubeType(TypeName):
    """A type designation that the catalogue knows."""

    batch: ClassVar[bool] = True
    example = "12AX7"

    def names(self) -> list[str]:
        """Types that plug into a socket."""
        return [name for name in catalogue.tube_types() if name not in catalogue.silicon_types()]

    def read(self, raw: object) -> str:
        """The type as written, once the catalogue knows it."""
        if not isinstance(raw, str):
            raise InputError(f"is {as_text(raw)}, not a tube type", fix='Write it like "12AX7"', code="text")
        if facts(raw).base == WIRE_ENDED:
            raise InputError(
                f"{as_text(raw)} is a silicon diode with wire ends, not a tube",
                fix="Enter it as CR1. For a plug-in solid-state rectifier, enter 'silicon'",
                code="not_a_tube",
                word=raw,
            )
        return raw.strip()

    def show(self, value: str | tuple[str, ...]) -> str:
        """The type, or the types of a batch."""
        return value if isinstance(value, str) else ", ".join(value)


@lru_cache(maxsize=512)
def facts(tube_type: str) -> TubeFacts:
    """Facts of the catalogue about a type, as far as wiring needs it.

    Raises
    ------
    InputError : no such type; near matches listed.

    Examples
    --------
    >>> facts("12AX7").words
    'a twin triode'
    """
    try:
        tube = catalogue.tube(tube_type.strip())
    except UnknownTube as error:
        near = error.near or near_matches(tube_type, catalogue.tube_types())
        problem = f"{as_text(tube_type)} is not a known tube type"
        raise InputError(problem, fix=error.fix, near=near, code=error.code, word=tube_type) from error
    except InputError as error:  # a damaged file of our own
        problem = f"{as_text(tube_type)} cannot be used: {error}"
        raise InputError(problem, fix="Fix that file", code="tube_file", word=tube_type) from error
    systems = tuple(facts(each.type) for each in tube.systems)
    return TubeFacts(
        type=tube.type,
        family=" and ".join(dict.fromkeys(each.family for each in systems)) or _family(tube.law),
        sections=tube.sections,
        base=tube.base,
        heater_volts=tube.heater_volts or 0.0,
        heater_amps=tube.heater_amps or 0.0,
        tapped="heater center" in tube.pins,
        filament=bool(tube.directly_heated),
        systems=systems,
    )


@lru_cache(maxsize=512)
def types_for_socket(tube_type: str, known: tuple[str, ...]) -> tuple[str, ...]:
    """Types of `known` that work in a socket wired for a type, whatever their heaters need, and obey a law
    of the same form; those with a law of their own first.

    Examples
    --------
    >>> types_for_socket("6SL7GT", ("6SL7GT", "6SN7GT", "6V6GT", "12SN7GT"))
    ('6SN7GT', '12SN7GT')
    """
    own, drawn = facts(tube_type), catalogue.tube(tube_type)
    result: dict[str, str] = {}
    for name in known:
        try:
            other, new = facts(name), catalogue.tube(name)
        except TubekitError:  # a damaged record keeps only itself out
            continue
        alike = (other.family, other.sections) == (own.family, own.sections) and new.fits(drawn)
        if alike and name != own.type and isinstance(new.law, type(drawn.law)):
            result[name] = new.like
    return tuple(sorted(result, key=lambda name: bool(result[name])))


def _family(law: object) -> str:
    if isinstance(law, Triode):
        return "triode"
    if isinstance(law, GasDiode):
        return REGULATOR
    return "pentode" if isinstance(law, Pentode) else "rectifier"
