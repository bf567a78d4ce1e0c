"""One file per check; each is a function from a ``Scene`` to an ``Outcome``."""
