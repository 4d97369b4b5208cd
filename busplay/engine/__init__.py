"""A second engine for the road after the core: encode, wire, receive and display in one loop."""
