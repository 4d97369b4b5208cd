"""The overlays of the units that are shown, made anew when what they show has changed."""

from __future__ import annotations

from collections.abc import Mapping

from busplay.display.display import Display
from busplay.player.inspector import WriteSums
from busplay.units import NS_PER_S
from busplay.view.draw import Scene
from busplay.view.instrument.instrument import Instrument
from busplay.view.instrument.overlays import (
    Layer,
    counts_of,
    difference_layer,
    layer_image,
    write_layer,
)
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
        displays = instrument.player.playable.displays
        layers = self._layers(overlay, displays)
        scene.images = {
            name: layer_image(layer, displays[name].image()) for name, layer in layers.items()
        }
        scene.layer = next(iter(layers.values()), None)

    def _layers(self, overlay: Overlay, displays: Mapping[str, Display]) -> dict[str, Layer]:
        """Return the overlay of each unit that has one."""
        times = self._instrument.times
        if times is None:
            return {}
        if overlay is Overlay.DIFFERENCE:
            beside = self._instrument.beside() or {}
            return {
                name: difference_layer(beside[name], display)
                for name, display in displays.items()
                if name in beside
            }
        sums = {name: self._sums(overlay, name) for name in displays}
        found = {name: one for name, one in sums.items() if one is not None}
        most = max(
            (int(counts_of(overlay, one).max(initial=0)) for one in found.values()), default=0
        )
        return {
            name: write_layer(overlay, one, displays[name].byte_offsets(), times, most=most)
            for name, one in found.items()
        }

    def _sums(self, overlay: Overlay, unit: str) -> WriteSums | None:
        instrument = self._instrument
        inspector = instrument.inspector
        if inspector is None:
            return None
        if overlay is Overlay.ROUTINE:
            routine = instrument.state.routine
            if routine is None:
                return None
            return inspector.routine_sums(unit, routine, *instrument.passage)
        first_edge = instrument.overlay_first_edge
        unchanged = overlay is Overlay.UNCHANGED
        return inspector.write_sums(unit, first_edge, unchanged=unchanged)
