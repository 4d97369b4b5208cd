"""Why a pixel is so: the chain from its colour back to the edges on the wires."""
