"""The overlays of the units that are shown, made anew when what they show has changed."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busplay.display.display import Display
from busplay.player.inspector import WriteSums
from busplay.units import NS_PER_S
from busplay.view.draw import Scene
from busplay.view.instrument.instrument import Instrument
from busplay.view.instrument.overlays import Layer, difference_layer, layer_image, write_layer
from busplay.view.instrument.present import LISTS_HZ
from busplay.view.instrument.state import Overlay


class Layers:
    """Keeps a scene's overlay up to date."""

    def __init__(self, instrument: Instrument) -> None:
        self._instrument = instrument
        self._key: tuple[object, ...] = ()
        self._due_ns = 0

    def update(self, scene: Scene, now_ns: int) -> None:
        """Put the overlay that is chosen over the scene's screens.

        While it plays, it changes as often as the lists do.
        """
        instrument = self._instrument
        overlay = instrument.overlay
        if overlay is Overlay.NONE or instrument.inspector is None or not instrument.is_open:
            scene.images = scene.layer = None
            self._key = ()
            return
        key = (
            overlay,
            instrument.state.routine,
            instrument.overlay_first_edge,
            *instrument.screens_key,
        )
        is_waiting = instrument.player.playing and now_ns < self._due_ns
        if key == self._key or (is_waiting and key[:2] == self._key[:2]):
            return
        self._key = key
        self._due_ns = now_ns + NS_PER_S // LISTS_HZ
        images: dict[str, NDArray[np.uint8]] = {}
        layers: list[Layer] = []
        for name, display in instrument.player.playable.displays.items():
            layer = self._layer(overlay, display)
            if layer is not None:
                layers.append(layer)
                images[name] = layer_image(layer, display.image())
        scene.images, scene.layer = images, layers[0] if layers else None

    def _layer(self, overlay: Overlay, display: Display) -> Layer | None:
        inspector, times = self._instrument.inspector, self._instrument.times
        unit = display.unit.name
        if inspector is None or times is None:
            return None
        if overlay is Overlay.DIFFERENCE:
            actual = self._instrument.beside()
            if actual is None or unit not in actual:
                return None
            return difference_layer(actual[unit], display)
        sums: WriteSums | None
        if overlay is Overlay.ROUTINE:
            routine = self._instrument.state.routine
            if routine is None:
                return None
            sums = inspector.routine_sums(unit, routine, *self._instrument.passage)
        else:
            first_edge = self._instrument.overlay_first_edge
            unchanged = overlay is Overlay.UNCHANGED
            sums = inspector.write_sums(unit, first_edge, unchanged=unchanged)
        if sums is None:
            return None
        return write_layer(overlay, sums, display.byte_offsets(), times)
