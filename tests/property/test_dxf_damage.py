"""Damaged drawings: cut off anywhere, or with bytes changed. There is a result or one sentence, in bounded time."""

import logging
import random
import time
import warnings
from pathlib import Path

import pytest

from importers.dxf import read_model
from importers.dxf_routes import read_routes
from route3d.errors import InputError

DATA = Path(__file__).parents[1] / "data"
FILES = sorted(DATA.glob("*.dxf"))
SECONDS = 0.7  # of processor time for each file; more is only tried on slower days
WORST = 10.0  # for a single damaged file of this size


@pytest.fixture(autouse=True)
def _quiet():
    logging.disable(logging.CRITICAL)
    yield
    logging.disable(logging.NOTSET)


def damaged(raw, rnd):
    """Yield a file in ever other damaged forms: first cut off, then with bytes changed, lost or doubled."""
    cuts = list(range(1, 50))
    rnd.shuffle(cuts)
    while True:
        if cuts and rnd.random() < 0.4:
            yield raw[: len(raw) * cuts.pop() // 50]
            continue
        data = bytearray(raw)
        for _ in range(rnd.choice([1, 3, 20])):
            at = rnd.randrange(len(data))
            kind = rnd.random()
            if kind < 0.6:
                data[at] = rnd.randrange(256)
            elif kind < 0.8:
                del data[at : at + rnd.randrange(40)]
            else:
                data[at:at] = data[at : at + rnd.randrange(200)]
        yield bytes(data)


@pytest.mark.parametrize("file", FILES, ids=lambda path: path.stem)
def test_damage_gives_a_result_or_one_sentence(file, tmp_path):
    raw, path = file.read_bytes(), tmp_path / "d.dxf"
    rnd = random.Random(file.stem)
    said = []
    until = time.process_time() + SECONDS
    for data in damaged(raw, rnd):
        path.write_bytes(data)
        start = time.process_time()
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            try:
                drawing = read_model(
                    path, name="d", role_of=lambda *_: "duct", units="mm", move_m=(0, 0, 0), chord_tolerance_m=1e-3
                )
                assert drawing.elements or drawing.unread or drawing.source.notes
            except InputError as error:
                said.append(str(error))
            try:
                read_routes(path, name="d", wanted=lambda _: True, units="mm")
            except InputError as error:
                said.append(str(error))
        now = time.process_time()
        assert now - start < WORST
        if now > until:
            break
    assert not any("\n" in sentence for sentence in said)
