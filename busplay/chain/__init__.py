"""Why a pixel has its colour: the chain from the colour back to the edges on the wires."""
