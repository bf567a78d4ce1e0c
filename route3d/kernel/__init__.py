"""Geometry on plain arrays: no class of the trade, no rule, no file."""
