"""Fuzzing."""
