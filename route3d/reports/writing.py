"""Files that appear whole or not at all, as every deliverable is written; see ``route3d.files``."""

from route3d.files import whole_file, write_whole

__all__ = ["whole_file", "write_whole"]
