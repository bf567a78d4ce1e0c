"""Where a check is done: here, or on a cluster that is connected to before anything is read."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial

import click

from route3d.model.finding import Review
from route3d.review import check_job


@contextmanager
def checking_on(address: str | None) -> Iterator[Callable[..., Review]]:
    """Give what does the work of ``check_job``: the cluster at an address, or this machine if there is none.

    Raises
    ------
    MissingExtraError
        The optional part for clusters is not installed.
    ClusterError
        The cluster cannot be reached, has no workers, or has other versions.
    """
    if address is None:
        yield check_job
        return
    from route3d.cluster import check_with, connected  # takes long to import, and a check here needs none of it

    with connected(address) as (engine, remark):
        if remark:
            click.echo(f"route3d: {remark}", err=True)
        yield partial(check_with, engine)
