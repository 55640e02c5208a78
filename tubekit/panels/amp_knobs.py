"""The amp's own controls (volume, tone, hum balance) as sliders of its panel."""

from __future__ import annotations

from tubekit.amp import Amp
from tubekit.amp.parts import Part
from tubekit.panels.controls import Control, LevelControl, Tell


def knobs_of(amp: Amp) -> list[tuple[Part, str]]:
    """The amp's own controls, each with what it is called on the panel."""
    found = [part for part in amp.parts.values() if part.is_control]
    words = [short_role(part) for part in found]
    return [
        (part, f"{word} {part.designator}" if words.count(word) > 1 else word)
        for part, word in zip(found, words, strict=True)
    ]


def amp_knob(part: Part, words: str, tell: Tell) -> Control:
    """The slider of one of them."""
    knob = LevelControl(f"{part.designator}.position", words, "position", 0.0, 1.0, 0.01, tell)
    knob.slider.style.description_width = "92px"
    knob.slider.tooltip = f"{part.designator}, {part.role}: 0 to 1; arrow keys move it"
    return knob


def short_role(part: Part) -> str:
    """What a control is called on the panel of its amp.

    Examples
    --------
    >>> from tubekit import load_amp
    >>> parts = load_amp("fescue").parts
    >>> short_role(parts["R53"]), short_role(parts["R51"]), short_role(parts["R54"])
    ('tone', 'volume', 'hum balance')
    """
    words = part.role or part.designator
    for end in (",", ";", ":", "(", " of "):
        words = words.partition(end)[0]
    return words.strip()
