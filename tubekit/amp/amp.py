"""The amp: its parts as drawn or as changed, with mains and test points. Nothing in it mutates."""

from __future__ import annotations

from collections.abc import Mapping, Sequence, Set as AbstractSet
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np
import numpy.typing as npt

from tubekit.amp.batches import ChangeStep, Texts, agreed, change_parts, mains_value, member, text_at
from tubekit.amp.dangers import LineSide, dangers
from tubekit.amp.fields import Value, fields_of
from tubekit.amp.findings import MAINS, Heading, TestPoint
from tubekit.amp.parts import Part
from tubekit.amp.parts_list import content
from tubekit.amp.settings import Settings
from tubekit.amp.topology import Topology, same_wiring
from tubekit.amp.wiring import loose_nodes
from tubekit.amp.write import amp_tables, toml_text
from tubekit.errors import ChangeError, InputError, Note, SolveError
from tubekit.files import writable, write_whole
from tubekit.text import Printed, Table, headed, quantity

MAINS_KEY = "mains"
SHOWN_VARIANTS = 3


@dataclass(frozen=True, eq=False, repr=False, kw_only=True)
class Amp(Printed):
    """An amp from mains plug to loudspeaker.

    `parts` is in drawn order; `notes` is what the check found worth a look; `changes`
    tells, by designator (or 'R20.position', 'mains'), the (before, after) texts against the drawn amp;
    `batch` is the number of variants held at once, or None for a single amp; `trim` is how parts of this very
    amp differ from those drawn, as readings have it (`bench.twin`). A part that is changed loses its own.

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> amp = load_amp("teasel").changed({"R14": "330"}, mains_rms=123)
    >>> amp.parts["R14"].ohms, amp.mains_rms, amp.changes["R14"]
    (330.0, 123.0, ('270 Ω', '330 Ω'))
    >>> amp.changed({"V5": ["5Y3GT", "5AR4"]}).batch
    2
    """

    name: str
    title: str
    maker: str = ""
    town: str = ""
    year: str = ""
    story: str = ""
    notes: tuple[Note, ...] = ()
    source: Path | None = None
    parts: Mapping[str, Part]
    design_mains_rms: float = quantity("V", "V_0", "RMS line voltage the transformer is designed for")
    mains_hz: float = quantity("Hz", "f", "line frequency")
    mains_rms: Value = quantity("V", "V", "RMS line voltage in use")
    test_points: Mapping[str, TestPoint] = field(default_factory=dict)
    left_open: tuple[str, ...] = ()
    changes: Mapping[str, Texts] = field(default_factory=dict)
    batch: int | None = None
    origin: Amp | None = None
    trim: Settings = field(default_factory=dict)

    def __post_init__(self) -> None:
        for name in ("parts", "test_points", "changes", "trim"):
            object.__setattr__(self, name, MappingProxyType(dict(getattr(self, name))))

    @property
    def live(self) -> bool:
        """Every answer about it begins with the caution."""
        return True

    @property
    def caution(self) -> str:
        """A list of parts gives no figures to act on."""
        return ""

    @property
    def drawn(self) -> Amp:
        """The amp as its file has it, before any change."""
        return self.origin or self

    @cached_property
    def nodes(self) -> tuple[str, ...]:
        """Every node, in the order the parts name them."""
        return tuple(dict.fromkeys(node for part in self.parts.values() for node in part.nodes))

    @cached_property
    def dangers(self) -> tuple[Note, ...]:
        """Dangers on this very amp as it is now, the gravest first; every answer begins so."""
        return tuple(dangers(self.line_side, float(np.max(self.mains_rms)), self.mains_hz))

    @cached_property
    def topology(self) -> Topology:
        """Wiring of the amp, part to part; shared by all changes that leave the wiring as drawn."""
        if self.origin is not None and same_wiring(self.parts, self.origin.parts):
            return self.origin.topology
        return Topology(self.parts)

    @cached_property
    def line_side(self) -> LineSide:
        """Parts that the plug feeds, and whether the chassis is kept apart from it."""
        return LineSide(self.topology)

    @cached_property
    def idle_dangers(self) -> tuple[Note, ...]:
        """Dangers that show once it is solved: shown before `dangers`, which need no solve."""
        from tubekit.amp.report import analyze  # noqa: PLC0415 - the report is built on this file

        try:
            return analyze(self).idle_dangers
        except (InputError, SolveError):  # whoever needs it solved says why it cannot be
            return ()

    def parts_at(self, node: str) -> tuple[Part, ...]:
        """The parts that touch a node, in drawn order (none for an unknown node).

        Parameters
        ----------
        node
            Name of the node.

        Returns
        -------
        tuple[Part, ...]
            In drawn order; none for an unknown node.
        """
        return tuple(part for part in self.parts.values() if node in part.nodes)

    def changed(self, changes: Mapping[str, object] | None = None, *, mains_rms: object = None) -> Amp:
        """A new amp with parts swapped and, where given, other line.

        Parameters
        ----------
        changes
            Designator to value ("R14": "330"), to type ("V5": "5AR4"), or to 'open', 'short', 'removed';
            "R31.position", "V3.emission", "C14.rating", "T2.primary.resistance" reach other fields. A
            sequence makes a batch; all sequences are of one length.
        mains_rms
            Mains, one value or a sequence [V RMS].

        Returns
        -------
        Amp
            The new amp; this one stays as it is.

        Raises
        ------
        ChangeError
            No such part, a value of the wrong kind or out of range, sequences of unlike length.
        """
        outcome = change_parts(self.parts, {} if changes is None else changes, self.name, self.batch)
        mains, batch, records = self.mains_rms, outcome.batch, outcome.records
        if mains_rms is not None:
            mains, count = mains_value(mains_rms, MAINS, self.name)
            batch = agreed(batch, count, ChangeStep(self.name, "mains_rms", mains_rms))
            records = records | {MAINS_KEY: (MAINS.show(self.mains_rms), MAINS.show(mains))}
        return replace(
            self,
            parts=outcome.parts,
            mains_rms=mains,
            batch=batch,
            changes=_against_drawn(self.changes, records),
            origin=self.drawn,
            trim=self._trim_without({str(key).strip().partition(".")[0] for key in changes or {}}),
        )

    def _trim_without(self, parts: AbstractSet[str]) -> Settings:
        """What is left of `trim` once these parts are others."""
        return {one: value for one, value in self.trim.items() if one.designator not in parts}

    def refuse_batch(self, problem: str = "this calculates one amp at a time") -> None:
        """ChangeError where this is a batch."""
        if self.batch is not None:
            raise ChangeError(problem, where=self.name, fix="Take one with member(0)")

    def member(self, index: int) -> Amp:
        """One amp out of the batch.

        Parameters
        ----------
        index
            From 0.

        Returns
        -------
        Amp
            The single amp.

        Raises
        ------
        ChangeError
            This is not a batch, or it has no such member.
        """
        if self.batch is None or not 0 <= index < self.batch:
            held = "this is a single amp" if self.batch is None else f"there are {self.batch} amps"
            raise ChangeError(
                f"no amp number {index}: {held}", where=self.name, fix="The first one is number 0"
            )
        parts = {name: member(part, index) for name, part in self.parts.items()}
        mains = self.mains_rms if isinstance(self.mains_rms, float) else float(self.mains_rms[index])
        one = replace(self, parts=parts, mains_rms=mains, batch=None)
        now = {key: _text(one, key) for key in self.changes}
        return replace(
            one, changes=_against_drawn(self.changes, {key: ("", text) for key, text in now.items()})
        )

    def variants(self, chosen: npt.ArrayLike) -> str:
        """Members of a batch by their own values: '2 of 5 variants (R14 100 Ω; R14 120 Ω)'.

        Parameters
        ----------
        chosen
            Mask (N,).

        Returns
        -------
        str
            Such as '2 of 5 variants (R14 100 Ω; R14 120 Ω)'.

        Examples
        --------
        >>> from tubekit.amp import load_amp
        >>> load_amp("teasel").changed({"R14": ["270", "330"]}).variants([False, True])
        '1 of 2 variants (R14 330 Ω)'
        """
        those = np.flatnonzero(chosen)
        words = []
        for k in those[:SHOWN_VARIANTS]:
            one = self.member(int(k))
            words.append(", ".join(f"{key} {_text(one, key)}" for key in self.changes))
        more = "; …" if len(those) > len(words) else ""
        return f"{len(those)} of {self.batch} variants ({'; '.join(words)}{more})"

    def save_as(self, path: str | Path, *, overwrite: bool = False) -> Path:
        """Write an amp file, or a parts list for a spreadsheet; either loads back as the same amp.

        Parameters
        ----------
        path
            Its suffix says what is written: .toml, .csv, or .xlsx (needs openpyxl).
        overwrite
            Let it replace a file that is there.

        Returns
        -------
        Path
            Where it was written.

        Raises
        ------
        AmpFileError
            Another suffix.
        RecordError
            There is such a file, or none can be written there.
        ChangeError
            A batch is many amps; take one with `member`.

        Examples
        --------
        >>> from tubekit.amp import load_amp
        >>> path = load_amp("vetch").save_as(getfixture("tmp_path") / "vetch.csv")
        >>> load_amp(path).parts["R1"].ohms == load_amp("vetch").parts["R1"].ohms
        True
        """
        target = writable(path)
        write_whole(target, content(self._tables(), target.suffix, target.name), overwrite=overwrite)
        return target

    def copy_as_text(self) -> str:
        """The text of an amp file that loads back as the same amp, changes included.

        With a part taken out the text may not load: the check then says what hangs loose.

        Returns
        -------
        str
            TOML.

        Raises
        ------
        ChangeError
            A batch is many amps; take one with `member`.
        """
        return toml_text(self._tables())

    def _tables(self) -> dict[str, Any]:
        self.refuse_batch(f"these are {self.batch} amps, and a file describes only one")
        heading = Heading(
            title=self.title,
            maker=self.maker,
            town=self.town,
            year=self.year,
            story=self.story,
            design_mains=self.design_mains_rms,
            mains_frequency=self.mains_hz,
            mains=None if self.mains_rms == self.design_mains_rms else float(self.mains_rms),
            left_open=tuple(loose_nodes(self.parts)),  # a change may leave an end hanging
        )
        return amp_tables(heading, self.parts, self.test_points)

    def headline(self) -> str:
        """Title, mains and what was changed, in one sentence."""
        words = f"{self.title}, {self.year}: " if self.year else f"{self.title}: "
        words += f"{len(self.parts)} parts, {MAINS.show(self.mains_rms)} line"
        words += f" (designed for {MAINS.show(self.design_mains_rms)})" if "mains" in self.changes else ""
        return words + (f", {self.batch} variants" if self.batch else "") + "."

    def to_json(self) -> dict[str, Any]:
        """The tables of an amp file that loads back as the same amp; ChangeError for a batch."""
        return self._tables()

    def tables(self) -> Sequence[Table]:
        """Changes, then the parts, then the test points."""
        changed = [(key, before, after) for key, (before, after) in self.changes.items()]
        parts = [_row(part) for part in self.parts.values()]
        points = [(p.name, " to ".join(p.nodes), p.volts, p.note) for p in self.test_points.values()]
        heads = headed("part", "kind", "value", "nodes", "role")
        tables = [Table("Parts", heads, parts, note=" ".join(note.text for note in self.notes))]
        if points:
            heads = headed("test point", "node", "printed [V]", "note")
            tables.append(Table("Test points", heads, points))
        if changed:
            tables.insert(0, Table("Changed", headed("what", "drawn", "now"), changed))
        return tables


def _text(amp: Amp, key: str) -> str:
    """Value of a part, a field or the line, as it is written."""
    return MAINS.show(amp.mains_rms) if key == MAINS_KEY else text_at(amp.parts, key)


def _row(part: Part) -> tuple[str, str, str, str, str]:
    mains = [spec for spec in fields_of(type(part)) if spec.main]
    values = [spec.form.show(getattr(part, spec.name)) for spec in mains]
    state = [] if part.condition == "fitted" else [part.condition]
    return part.designator, part.kind, ", ".join(values + state), ", ".join(part.nodes), part.role


def _against_drawn(old: Mapping[str, Texts], new: Mapping[str, Texts]) -> dict[str, Texts]:
    """All changes against the drawn amp: the first 'before' stays, what went back is forgotten."""
    joined = {
        **old,
        **{key: (old[key][0] if key in old else before, after) for key, (before, after) in new.items()},
    }
    return {key: (before, after) for key, (before, after) in joined.items() if before != after}
