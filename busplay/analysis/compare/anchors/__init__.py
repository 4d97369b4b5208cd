"""Find where two recordings run equal again after much damage."""
