"""Tests of people's own graphics programs: what the fixtures of `busplay.pytest_plugin` return."""
