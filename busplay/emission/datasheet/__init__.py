"""The data sheet of a link: what both ends must do, for who builds them."""
