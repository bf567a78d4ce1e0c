"""The one file that talks to the engine: connecting, comparing versions, sending work, waiting for it."""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from importlib import import_module
from typing import Any
from uuid import uuid4

from route3d.cluster.versions import difference, processor, versions
from route3d.errors import ClusterError, MissingExtraError

CONNECT_S = 10.0
ALONE_S = 60.0  # how long a check waits for new workers after the last one is gone
_LOOK_S = 2.0  # how often it is looked whether anybody is left
_RETRIES = 8  # of what the engine has given up, since workers died while they had it

NOT_INSTALLED = "Checking on a cluster needs the optional part cluster: pip install 'route3d[cluster]'."


class Engine:
    """An engine that is connected to, with workers that have the same versions as this machine."""

    def __init__(self, library: Any, client: Any, address: str) -> None:
        self._library, self._client, self._address = library, client, address
        self._name, self._count = f"route3d-{uuid4().hex[:12]}", 0
        self._retried: dict[str, int] = {}
        self._left_alone: float | None = None

    @property
    def cores(self) -> int:
        """How many pieces of work are done at once."""
        return max(1, sum(int(n) for n in self._client.ncores().values()))

    def submit(self, function: Callable[..., Any], *given: Any) -> Any:
        """Send work; what is given may be work itself. It is remembered until its answer and those on it are let go."""
        self._count += 1
        key = f"{self._name}-{function.__name__}-{self._count}"
        # that large data comes with the work is meant: a lost worker's data is then sent again by the engine itself
        with import_module("dask").config.set({"distributed.admin.large-graph-warning-threshold": "1 TiB"}):
            return self._client.submit(function, *given, key=key, pure=False)

    def answers(self, work: Mapping[int, Any]) -> Iterator[tuple[int, Any]]:
        """Return the answers to some work as they come, each with its number.

        Raises
        ------
        ClusterError
            All workers are gone for longer than ``ALONE_S``, the engine is gone, or something kills every worker.
        """
        waiting = dict(work)
        while waiting:
            with self._told(), self._client.as_current():
                try:
                    self._library.wait(list(waiting.values()), timeout=_LOOK_S, return_when="FIRST_COMPLETED")
                except TimeoutError:
                    self._look_for_workers()
                    continue
            self._left_alone = None
            for number in [n for n, future in waiting.items() if future.done()]:
                with self._told():
                    answer = self._answer(waiting[number])
                if answer is not None:
                    del waiting[number]
                    yield number, answer

    def _answer(self, future: Any) -> Any:
        """Return an answer, or None where it was lost with its worker and is being worked on again."""
        try:
            return future.result(timeout=_LOOK_S)
        except TimeoutError:
            self._look_for_workers()
            return None
        except self._library.KilledWorker as error:
            self._retried[future.key] = self._retried.get(future.key, 0) + 1
            if self._retried[future.key] > _RETRIES:
                raise ClusterError(
                    f"The cluster {self._address} lost worker after worker while they did the same piece of the check "
                    f"({future.key}); give each worker more memory, or look at their logs."
                ) from error
            future.retry()
            return None

    def _look_for_workers(self) -> None:
        if self._client.status != "running":
            raise ClusterError(_lost(self._address))
        if self._client.ncores():
            self._left_alone = None
            return
        now = time.monotonic()
        self._left_alone = now if self._left_alone is None else self._left_alone
        if now - self._left_alone > ALONE_S:
            raise ClusterError(
                f"The cluster {self._address} has had no workers for {ALONE_S:.0f} s; start some and check again."
            )

    @contextmanager
    def _told(self) -> Iterator[None]:
        """Turn what the engine raises when it goes away into one sentence."""
        try:
            yield
        except (self._library.CancelledError, self._library.comm.CommClosedError) as error:
            raise ClusterError(_lost(self._address)) from error


@contextmanager
def connected(address: str) -> Iterator[tuple[Engine, str]]:
    """Connect to an engine; also given is a remark on its machines, or nothing.

    Raises
    ------
    MissingExtraError
        The optional part is not installed.
    ClusterError
        Nobody answers, there are no workers, or their versions are others.
    """
    try:
        library = import_module("distributed")
    except ImportError as error:
        raise MissingExtraError(NOT_INSTALLED) from error
    with _quiet(), _client(library, address) as client:
        yield Engine(library, client, address), _compared(client, address)


@contextmanager
def _quiet() -> Iterator[None]:
    """Silence the library's own loggers: a lost connection is told in one sentence, the rest with ``-v``."""
    loud = logging.getLogger().isEnabledFor(logging.INFO)
    names = [] if loud else [n for n in logging.root.manager.loggerDict if n.partition(".")[0] == "distributed"]
    before = {name: logging.getLogger(name).level for name in names}
    try:
        for name in names:
            logging.getLogger(name).setLevel(logging.CRITICAL)
        yield
    finally:
        for name, level in before.items():
            logging.getLogger(name).setLevel(level)


@contextmanager
def _client(library: Any, address: str) -> Iterator[Any]:
    # one that never got through would wait twenty seconds more when it is thrown away; all others are closed below
    kind = type("Connection", (library.Client,), {"__del__": lambda self: None})
    try:
        client = kind(address, timeout=CONNECT_S, set_as_default=False)
    except Exception as error:
        # an address can be wrong in many ways, and what answers there may be anything
        raise ClusterError(
            f"No Dask scheduler answers at {address!r} within {CONNECT_S:.0f} s; give the address of one that runs, "
            "such as tcp://host:8786."
        ) from error
    try:
        yield client
    finally:
        client.close(timeout=CONNECT_S)


def _compared(client: Any, address: str) -> str:
    """Compare versions everywhere; return a remark where processors differ."""
    try:
        client.wait_for_workers(1, timeout=CONNECT_S)
    except TimeoutError as error:
        raise ClusterError(
            f"The cluster {address} has no workers; start some with `dask worker {address} --nthreads 1`."
        ) from error
    own = versions()
    try:
        there = {f"worker {name}": answer for name, answer in client.run(versions).items()}
        there["scheduler"] = client.run_on_scheduler(versions)
        others = set(client.run(processor).values()) - {processor()}
    except Exception as error:
        # whatever goes wrong in calling two small functions of this program: it is not there, or another one
        raise ClusterError(
            f"The scheduler or a worker of {address} cannot run this version of route3d ({error}); install the same "
            "version of route3d on all machines of the cluster."
        ) from error
    for name, answer in there.items():
        unlike = difference(own, answer)
        if unlike:
            raise ClusterError(
                f"The {name} of {address} has other versions than this machine ({unlike}); install the same on both."
            )
    if others:
        return (
            f"Some workers have another kind of processor ({', '.join(sorted(others))}) than this machine: numbers "
            "may differ from a check here in digits far behind the micrometre."
        )
    return ""


def _lost(address: str) -> str:
    return f"The connection to the cluster {address} was lost; nothing was decided. See that it runs, and check again."
