"""Devices on the processor's bus: the bus, the shipped devices, and how others are made."""
