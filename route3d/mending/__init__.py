"""Runs that do not pass changed so that they do, and routes for runs of which only the ends are given."""
