"""The review as a picture without a display, and as a window. Importing this package loads no graphics library."""
