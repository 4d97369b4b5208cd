"""Captures as rows of cells, in the shapes that analysers export."""
