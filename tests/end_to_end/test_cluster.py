"""``route3d check --cluster``: two worker processes say what one process says, also when they are killed at work."""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from distributed import Client, LocalCluster

from route3d.cluster import Sizes, check_with, connected, engine, versions
from route3d.errors import ClusterError
from route3d.model.job import Job
from route3d.review import check_job
from tests.builders import book
from tests.property.test_cluster_parts import widened
from tests.property.test_recheck import MADE, as_run, the_job, told
from tests.scratch_project import call

SAMPLE = Path(__file__).parents[2] / "sample_models" / "workshop"


@pytest.fixture(scope="module")
def cluster() -> Iterator[LocalCluster]:
    with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=":0", silence_logs=50) as made:
        yield made


def rooms() -> Job:
    """Six rooms with six runs each, of which some clash, lie together, hang badly."""
    random = np.random.default_rng(5)
    runs = []
    for n, cable in enumerate(("mc", "ten", "data", "power", "ten", "ten")):
        low = (0.3, 0.26 + 0.012 * n, 2.445)
        far = (random.uniform(1.0, 3.5), random.uniform(0.5, 3.5), random.uniform(2.4, 2.9))
        run = as_run(f"run{n}", cable, [low, (3.05, low[1], low[2]), far], [0.2, 0.5], ("box", None))
        assert run is not None
        runs.append(run)
    return widened(the_job(runs), 6)


def test_workers_killed_in_the_middle_lose_nothing(cluster: LocalCluster) -> None:
    job, killed = rooms(), []
    with Client(cluster, set_as_default=False) as client:
        pids = list(client.run(os.getpid).values())

    def kill(doing: str, share: float | None = None) -> None:
        # one while parts are being examined, the other one while they are being judged
        for step, victim in zip(("examining runs", "judging"), pids, strict=True):
            if doing == step and share and victim not in killed:
                os.kill(victim, signal.SIGKILL)
                killed.append(victim)

    with connected(cluster.scheduler_address) as (work, remark):
        review = check_with(work, job, book(), MADE, kill, Sizes(block_triangles=100, part_runs=3))
    assert remark == ""
    assert killed == pids
    assert told(review) == told(check_job(job, book(), MADE))


def test_the_sample_project_gives_the_same_file(cluster: LocalCluster, tmp_path: Path) -> None:
    files = [tmp_path / "here.json", tmp_path / "there.json"]
    for file, more in zip(files, ((), ("--cluster", cluster.scheduler_address)), strict=True):
        status, output = call("check", str(SAMPLE), "--json", str(file), "--no-cache", *more)
        assert status == 1, output
    here, there = (
        [line for line in file.read_text(encoding="utf-8").splitlines() if not line.startswith(' "made"')]
        for file in files
    )
    assert here == there and len(here) > 1000


def test_other_versions_are_refused_in_a_sentence(cluster: LocalCluster, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(versions, "VERSION", "0.0.9")
    status, output = call("check", str(SAMPLE), "--cluster", cluster.scheduler_address)
    assert status == 2
    assert "other versions" in output and "0.1.0" in output and "0.0.9" in output


def test_an_address_where_nobody_answers_is_a_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(engine, "CONNECT_S", 1.0)
    for address in ("tcp://127.0.0.1:9", "no address"):
        status, output = call("check", str(SAMPLE), "--cluster", address)
        assert status == 2
        assert "No Dask scheduler answers" in output and "Traceback" not in output


def test_without_the_optional_part_its_name_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    status, output = call("check", str(SAMPLE), "--cluster", "tcp://127.0.0.1:9")
    assert status == 2
    assert "pip install 'route3d[cluster]'" in output


def test_a_cluster_without_workers_and_one_that_goes_away_are_sentences(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(engine, "CONNECT_S", 2.0)
    job = rooms()
    with LocalCluster(n_workers=0, dashboard_address=":0", silence_logs=50) as empty:
        with pytest.raises(ClusterError, match="has no workers"), connected(empty.scheduler_address):
            pass
        monkeypatch.setattr(engine, "_compared", lambda client, address: "")
        monkeypatch.setattr(engine, "ALONE_S", 1.0)
        with (
            pytest.raises(ClusterError, match="no workers for"),
            connected(empty.scheduler_address) as (work, _),
        ):
            check_with(work, job, book(), MADE)
