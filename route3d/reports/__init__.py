"""A review, written down: one deliverable per file."""
