"""The ids by which others know our findings (topics), made from names so that nothing has to be stored to know them."""

from __future__ import annotations

import uuid

_SPACE = uuid.UUID("5a4c7be2-7f1e-5d0b-9a0e-3a6f0c1d8e52")  # of our own, drawn once


def made_guid(*parts: str) -> str:
    """Return the id (version 5, by name) that always stands for these parts."""
    # names from files may hold halves of letters, which no encoding takes
    name = "\x1f".join(parts).encode("utf-8", "backslashreplace").decode("utf-8")
    return str(uuid.uuid5(_SPACE, name))


def topic_guid(project: str, finding_id: str) -> str:
    """Return the id of the topic of a finding; the same as long as project and finding are called the same."""
    return made_guid("topic", project, finding_id)
