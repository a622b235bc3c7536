"""Parts of a widget that speak: a slider with words, a list, text that is read aloud when it changes, taps to be marked."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import anywidget
import traitlets

_CODE = Path(__file__).with_name("inputs.js")


class Slider(anywidget.AnyWidget):
    """A slider over values in words: a screen reader speaks ``5,000 flight hours``, not a number of its own.

    Parameters
    ----------
    label : str
        What is chosen.
    options : list of str
        The values in words.
    index : int
        Which is chosen.
    """

    _esm = _CODE
    part = traitlets.Unicode("slider").tag(sync=True)
    label = traitlets.Unicode("").tag(sync=True)
    options = traitlets.List(traitlets.Unicode()).tag(sync=True)
    index = traitlets.Int(0).tag(sync=True)


class Choice(Slider):
    """A list to choose from by its arrow keys, which the notebook does not take for its own.

    Parameters
    ----------
    label, options, index : object
        As of `Slider`.
    """

    part = traitlets.Unicode("choice").tag(sync=True)

    @property
    def value(self) -> str:
        """What is chosen, in words."""
        return self.options[self.index]

    def choose(self, options: Sequence[str], index: int = 0) -> None:
        """Offer other things, and choose one of them; nobody is told.

        Parameters
        ----------
        options : sequence of str
            The values in words.
        index : int
            Which is chosen.
        """
        with self.hold_trait_notifications():
            self.options, self.index = list(options), index


class Spoken(anywidget.AnyWidget):
    """Words that are read aloud when they change, and a picture below them.

    Parameters
    ----------
    words, drawn : str
        HTML, escaped by who made it.
    moves : int
        How often it was changed.
    """

    _esm = _CODE
    part = traitlets.Unicode("spoken").tag(sync=True)
    words = traitlets.Unicode("").tag(sync=True)
    drawn = traitlets.Unicode("").tag(sync=True)
    moves = traitlets.Int(0).tag(sync=True)

    def show(self, words: str, drawn: str = "") -> None:
        """Show other words and another picture, as one change.

        Parameters
        ----------
        words, drawn : str
            HTML, escaped by who made it.
        """
        with self.hold_sync():
            self.words, self.drawn, self.moves = words, drawn, self.moves + 1


class TapMarks(anywidget.AnyWidget):
    """The taps of a panel, marked by click, or by arrow keys with d (dull), c (clear), u (not tapped) and space.

    Parameters
    ----------
    label : str
        What a screen reader says of it.
    points : list of list of float
        Places of the taps, on one square grid [mm].
    pitch : float
        Step of the grid [mm].
    bounds : list of float
        Of the outline: aft, low, forward, high [mm].
    marks : list of int
        Of each tap: 0 not tapped, 1 clear, 2 dull.
    under, region : str
        SVG in panel coordinates, below the taps: the panel, and the region that the marks make.
    """

    _esm = _CODE
    part = traitlets.Unicode("taps").tag(sync=True)
    label = traitlets.Unicode("").tag(sync=True)
    points = traitlets.List(traitlets.List(traitlets.Float())).tag(sync=True)
    pitch = traitlets.Float(25.0).tag(sync=True)
    bounds = traitlets.List(traitlets.Float()).tag(sync=True)
    marks = traitlets.List(traitlets.Int()).tag(sync=True)
    under = traitlets.Unicode("").tag(sync=True)
    region = traitlets.Unicode("").tag(sync=True)
