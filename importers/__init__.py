"""A file in, model objects out: one module per file format."""
