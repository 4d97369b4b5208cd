"""Tests of what `busplay new` writes."""
