"""Figures from recorded runs and descriptions."""
