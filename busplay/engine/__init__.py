"""A second engine after the core: encode, wire, receive and display in one loop."""
