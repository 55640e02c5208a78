"""The listening panel: a note through an amp before and after a change, heard and watched."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from threading import Event
from typing import Any

import anywidget
import ipywidgets as widgets
import traitlets

from tubekit.amp import Amp
from tubekit.amp.parts import Capacitor, Choke, OutputTransformer, Part, RectifierTube, Resistor, Tube
from tubekit.amp.signal_view import SignalView, signal_view
from tubekit.amp.sound import AmpSound
from tubekit.amp.stability import refuse_unstable
from tubekit.analyses.signals import KINDS, matched, wav
from tubekit.decisions.listen import (
    AFTER,
    BEFORE,
    LEVEL_V,
    NOTE_HZ,
    SECONDS,
    Listening,
    Signal,
    play_all,
    signal,
)
from tubekit.decisions.specs import Specs, specs
from tubekit.errors import TubekitError
from tubekit.panels import layout
from tubekit.panels.amp_panel import AmpPanel, opened, opens
from tubekit.panels.background import BackgroundTask, Progress
from tubekit.panels.figure_widget import FigureWidget
from tubekit.panels.markup import headline, section
from tubekit.panels.report_html import tables_html
from tubekit.panels.settings import ChoiceSetting, LevelSetting, SeriesSetting, Setting
from tubekit.panels.trial import Trial
from tubekit.plots.listen_view import HEIGHT, WIDTH, ListenView, curves

FILES = (".wav", ".flac")
FINE = "fine"
SHOWN_HZ = 50.0
"""Readings a second under the player: more than the eye follows."""
PLAY = ("Play through amp", "Calculate what this signal does in the amp, before and after the change")
SPECS = ("Spec sheet", "Calculate output, gain, distortion, damping and sag, before and after the change")
STEPS = (("usual: 2 or more a sample", "usual"), ("fine: where clipping needs them", FINE))
STOP = ("Stop", "Stop calculating, and keep what is done")
PRESS = '<p role="status">Press <strong>Play through amp</strong> to hear this setting.</p>'


@dataclass(frozen=True, eq=False)
class Heard:
    """An amp that can be played, and its sound where it was."""

    view: SignalView
    sound: AmpSound | None = None

    def headline(self) -> str:
        """Level at the output."""
        return "" if self.sound is None else self.sound.headline()


class Player(anywidget.AnyWidget):
    """Up to two sounds of one note, played in step, with what meters show at each place (player.js)."""

    _esm = Path(__file__).with_name("player.js").read_text(encoding="utf-8")
    sounds: Any = traitlets.List().tag(sync=True)
    names: Any = traitlets.List().tag(sync=True)
    meters: Any = traitlets.List().tag(sync=True)
    seconds = traitlets.Float().tag(sync=True)
    hertz = traitlets.Float(SHOWN_HZ).tag(sync=True)
    turn = traitlets.Int().tag(sync=True)

    def hold(self, result: Listening | None) -> None:
        """Take the sounds of a result, at one RMS level."""
        both = () if result is None else result.both
        even, _ = matched([one.volts for one in both])
        with self.hold_sync():
            self.sounds = [wav(each, one.rate_hz) for each, one in zip(even, both, strict=True)]
            self.names = list((BEFORE, AFTER)[-len(both) :]) if len(both) > 1 else ["sound"] * len(both)
            self.seconds = min((len(one.volts) / one.rate_hz for one in both), default=0.0)
            self.meters = _meters(both)
            self.turn += 1


def _meters(both: Sequence[AmpSound]) -> list[dict[str, Any]]:
    """Readings of plate currents, rails and cathodes, a row each, as the player shows them."""
    known: dict[str, list[list[str]]] = {}
    for k, one in enumerate(both):
        step = max(1, round(one.played.rate_hz / one.played.every / SHOWN_HZ))
        for place, unit in enumerate(("mA", "V", "V")):
            for name, _, values in curves(one)[place]:
                words = f"{name}, {unit}" + ("" if unit == "mA" else " from idle")
                row = known.setdefault(words, [[] for _ in both])
                row[k] = [f"{value:+.2f}" if place else f"{value:.1f}" for value in values[::step]]
    return [{"words": words, "values": values} for words, values in known.items()]


class ListenPanel(AmpPanel[Heard, AmpSound | None]):
    """What `listen` gives, with the amp's parts on it: the note is played when a button is pressed."""

    NAME = "listen"
    VIEW, SIZE = ListenView, (WIDTH, HEIGHT)
    HAS_LINE = True
    DETAILS = "Every current and voltage that moves; distortion by frequency and level"

    def __init__(self, amp: Amp) -> None:
        self.task, self.stopped, self.player = BackgroundTask(), Event(), Player()
        self.state = layout.words_place()
        self.listening: Listening | None = None
        self._specs: tuple[Trial, Specs] | None = None
        self.what = ChoiceSetting("signal", "signal", _signals(), "Signal, or a sound file in this folder")
        self.level = SeriesSetting("level", "level", "V", 1e-3, 10.0, series="E6", tooltip="Peak at the jack")
        self.hertz = SeriesSetting("hertz", "pitch", "Hz", 30.0, 8e3, series="E12", tooltip="Pitch")
        self.seconds = LevelSetting("seconds", "seconds", 0.5, 10.0, 0.5, form=".1f", tooltip="How long")
        self.steps = ChoiceSetting("steps", "steps", STEPS, "Fine steps take up to 4 times as long")
        for each, value in ((self.level, LEVEL_V), (self.hertz, NOTE_HZ), (self.seconds, SECONDS)):
            each.put(value)
        self.begin_button = layout.button(*PLAY, self.play, flex="1 1 auto")
        self.specs_button = layout.button(*SPECS, self.specify)
        self.stop_button = layout.button(*STOP, self.stopped.set)
        super().__init__(amp)
        for setting in (self.what, self.level, self.hertz, self.seconds, self.steps):
            setting.on_move(self._other_signal)

    def solve(self, amp: Amp, near: Heard | None) -> Heard:  # noqa: ARG002 - a tenth of a second
        """The amp at idle; the sound comes when it is asked for."""
        view = signal_view(amp)
        refuse_unstable(amp, view.stability)
        return Heard(view)

    def drawn_of(self, answer: Heard) -> AmpSound | None:
        """Its sound."""
        return answer.sound

    def figure_for(self, now: AmpSound | None, before: AmpSound | None) -> FigureWidget[AmpSound | None]:
        """Currents, rails, cathodes, spectrum, transfer curve."""
        made = super().figure_for(now, before)
        made.view.fit(now, before)
        made.show(now, before)
        made.redraw()
        return made

    def listed(self, amp: Amp) -> Iterable[Part]:
        """Tubes, then what is around them."""
        kinds = (Tube, RectifierTube, Capacitor, Resistor, Choke, OutputTransformer)
        parts = [part for part in amp.parts.values() if isinstance(part, kinds)]
        return sorted(parts, key=lambda part: not isinstance(part, Tube | RectifierTube))

    def caption(self) -> str:
        """Line voltage, what is played, what is on trial."""
        heard = (self.what, self.level, self.hertz, self.seconds)
        said = ", ".join(one.words(one.value) for one in heard if one.layout.display != "none")
        changes = ", ".join(f"{key} {now}" for key, (_, now) in self.trial.changed_words.items())
        return " · ".join(filter(None, (f"{said} s", super().caption(), changes)))

    # ---- the note

    def asked(self) -> Signal:
        """The signal as it is set; ChangeError where it cannot be."""
        return signal(
            self.what.value, level_v=self.level.value, hertz=self.hertz.value, seconds=self.seconds.value
        )

    def hear(self) -> Listening:
        """Play the signal through the amp before and after, and wait for it.

        Raises
        ------
        TubekitError : no such signal; a step does not arrive.
        """
        what = self.asked()
        self._played(what, play_all(self._unheard(what), what, fine=self.steps.value == FINE))
        assert self.listening is not None
        return self.listening

    def play(self) -> None:
        """The same in the background, as the button does it; what has been played already stays."""
        try:
            what = self.asked()
        except TubekitError as error:
            self.what.complain(str(error))
            return
        work = partial(play_all, self._unheard(what), what, fine=self.steps.value == FINE)
        self._begin(work, partial(self._played, what))

    @property
    def specs(self) -> Specs | None:
        """The spec sheet of this trial, where it was asked for."""
        return self._specs[1] if self._specs and self._specs[0] is self.trial else None

    def specify(self) -> None:
        """Calculate the spec sheet in the background."""
        trial = self.trial

        def done(result: Specs) -> None:
            self._specs = trial, result
            self.settle()

        self._begin(partial(specs, trial.amp, trial.plan.changes), done)

    def _begin(self, work: Callable[..., Any], done: Callable[[Any], None]) -> None:
        """Work that takes `progress`, in the background until Stop."""
        self.stopped.clear()
        self._busy(True)

        def watched(progress: Progress) -> Any:
            def told(share: float) -> None:
                progress(round(100 * share), 100)
                if self.stopped.is_set():
                    raise KeyboardInterrupt

            return work(progress=told)

        self.task(watched, done, self._failed, self._so_far)

    def _unheard(self, what: Signal) -> dict[str, Amp]:
        """Amps that have not been played to the end of the signal."""
        amps = {BEFORE: (self.before, self.trial.amp)}
        if self.trial.plan.changes:
            amps[AFTER] = (self.result, self.trial.after)
        whole = len(what.volts)
        return {
            name: amp
            for name, (heard, amp) in amps.items()
            if heard.sound is None or len(heard.sound.volts) < whole
        }

    def _busy(self, busy: bool) -> None:
        self.begin_button.disabled = self.specs_button.disabled = busy
        self.stop_button.disabled = not busy
        self.state.value = '<p role="status">Getting ready …</p>' if busy else ""

    def _so_far(self, step: int, of: int) -> None:
        if self.task.busy:
            words = f'<progress max="{of}" value="{step}" style="width: 100%"></progress>'
            self.state.value = f"{words}<p>Calculating: {step} %</p>"

    def _played(self, what: Signal, sounds: dict[str, AmpSound]) -> None:
        changed = bool(self.trial.plan.changes)
        self.before = replace(self.before, sound=sounds.get(BEFORE, self.before.sound))
        after = replace(self.result, sound=sounds.get(AFTER, self.result.sound))
        self.result = after if changed else self.before
        assert self.result.sound is not None
        self.listening = Listening(self.result.sound, self.before.sound if changed else None, what)
        self.rescale()
        self.settle()

    def _failed(self, error: TubekitError) -> None:
        self._busy(False)
        self.state.value = layout.complaint_html(str(error))

    def _other_signal(self, *_: Any) -> None:
        """What was heard was another signal."""
        self.what.complain("")
        self.hertz.seen(self.what.value in KINDS and self.what.value != "step")
        same = self.result is self.before
        self.before = replace(self.before, sound=None)
        self.result = self.before if same else replace(self.result, sound=None)
        self.settle()

    # ---- the one way out

    def settle(self, setting: Setting | None = None) -> None:
        """What is being played is no longer asked for."""
        self.task.stop()
        self._busy(False)
        if self.result.sound is None:
            self.listening = None
        super().settle(setting)

    def write(self) -> None:
        """Numbers, then the sounds."""
        self.player.hold(self.listening)
        super().write()

    def headline(self) -> str:
        """Level, its change and distortion."""
        return "" if self.listening is None else self.listening.headline()

    def numbers_html(self, now: Heard, before: Heard) -> str:  # noqa: ARG002 - both are in the listening
        """Level, distortion and what meters show."""
        sheet = self.specs
        figures = "" if sheet is None else _said(sheet.headline()) + tables_html(sheet.short())
        if self.listening is None:
            return figures or PRESS
        return _said(self.listening.headline()) + tables_html(self.listening.short()[:1]) + figures

    def detail(self, now: Heard, before: Heard) -> str:  # noqa: ARG002 - both are in the listening
        """Every tube, rail and cathode."""
        tables = [] if self.listening is None else [self.listening.table("moves")]
        return tables_html([*tables, *(self.specs.tables_but("figures") if self.specs else ())])

    def told(self) -> list[widgets.Widget]:
        """The player above the numbers."""
        return [self.player, self.numbers, self.details]

    def arranged(self, under: Sequence[widgets.Widget]) -> list[widgets.Widget]:
        """The signal between the amp and its parts."""
        note = widgets.VBox([
            self.what, self.level, self.hertz, self.seconds, self.steps,
            layout.row(self.begin_button, self.specs_button, self.stop_button), self.state,
        ])  # fmt: skip
        note.add_class("tubekit-group")
        return super().arranged([under[0], note, *under[1:]])


def _said(words: str) -> str:
    return section(headline(words), live=True)


def _signals() -> list[tuple[str, str]]:
    """Signals that are made here, and sound files next to the notebook."""
    files = sorted(one.name for one in Path.cwd().glob("*") if one.suffix.lower() in FILES)
    return [(each, each) for each in (*KINDS, *files)]


@opens("teasel", SolveError="The amp oscillates or has no idle state.")
def listen(amp: Amp | str | Path | None = None) -> ListenPanel:
    """The panel that answers 'what does this swap sound like, and what moves while it plays?'.

    Examples
    --------
    >>> panel = listen("vetch")
    >>> panel.seconds.value = 0.5
    >>> panel.hear().before, panel.player.names, panel.player.seconds
    (None, ['sound'], 0.5)
    """
    return opened(ListenPanel, amp, "teasel")
