"""The loop: change an input, try it in a child process, keep what reached new lines, write down what broke.

A child tries many inputs and writes the one at hand to disk first, so that a crash, a hang or a killed process is still
known by its input. Which lines of ours an input reaches is asked of the interpreter (``sys.settrace``); no package is
needed for it, and libraries are not traced.
"""

from __future__ import annotations

import base64
import contextlib
import hashlib
import json
import logging
import os
import random
import resource
import select
import signal
import sys
import time
import traceback
import warnings
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from types import FrameType
from typing import Any

from route3d.errors import Route3DError

ROOT = Path(__file__).parents[2]
SECONDS_MAX = 20.0  # of processor time, for one input; they are all small
SILENT_MAX = 180.0  # of the clock, until a child is taken for hung
BYTES_MORE = 3 << 30  # of address space, beyond what the child began with
BATCH = 200


@dataclass(frozen=True)
class Target:
    """One thing to fuzz: whole inputs to begin with, how they are changed, and how one is tried.

    ``attempt`` gets the path of the input and returns a word for what happened; ``Route3DError`` is an answer, any
    other exception is a fault. ``WrongError`` says that the answer itself is one.
    """

    name: str
    seeds: Callable[[Path], dict[str, bytes]]
    change: Callable[[bytes, random.Random], bytes]
    attempt: Callable[[Path], str]


class WrongError(AssertionError):
    """An answer that is none: half of a file is read and nothing says so, an exit status that means something else."""


@dataclass
class Told:
    """What came of one target."""

    tried: int = 0
    kept: int = 0  # inputs that reached new lines
    lines: int = 0
    answers: dict[str, int] = field(default_factory=dict)
    faults: dict[str, tuple[str, Path]] = field(default_factory=dict)  # signature -> (what, input)


def fuzz(target: Target, folder: Path, *, seed: int, tries: int | None, seconds: float, guided: bool = True) -> Told:
    """Try ``target`` until ``tries`` or ``seconds`` are over; inputs that broke something stay in ``folder``."""
    logging.disable(logging.CRITICAL)
    told = Told()
    rnd = random.Random(f"{target.name} {seed}")
    corpus = list(target.seeds(folder).items())
    trying = folder / "trying"
    trying.mkdir(exist_ok=True)
    for name, data in corpus:  # what is compiled on first use is compiled here, once
        (trying / name).write_bytes(data)
        with contextlib.suppress(Route3DError):
            target.attempt(trying / name)
    reached: set[int] = set()
    until = time.monotonic() + seconds
    while time.monotonic() < until and (tries is None or told.tried < tries):
        count = BATCH if tries is None else min(BATCH, tries - told.tried)
        _batch(target, folder, rnd.getrandbits(60), corpus, reached, told, count, until, guided)
    told.lines = len(reached)
    return told


def _batch(
    target: Target,
    folder: Path,
    seed: int,
    corpus: list[tuple[str, bytes]],
    reached: set[int],
    told: Told,
    count: int,
    until: float,
    guided: bool,
) -> None:
    """Try ``count`` inputs in one child; whatever becomes of it, what it was at is known."""
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(reading)
        status = 1
        with contextlib.suppress(BaseException):
            _child(target, folder, seed, corpus, reached, count, until, guided, writing)
            status = 0
        os._exit(status)
    os.close(writing)
    raw, late = b"", False
    heard = time.monotonic()
    with os.fdopen(reading, "rb", buffering=0) as pipe:
        while True:
            ready, _, _ = select.select([pipe], [], [], 0.5)
            if ready:
                part = pipe.read(1 << 20)
                if not part:
                    break
                raw, heard = raw + part, time.monotonic()
            elif time.monotonic() - heard > SILENT_MAX:
                late = True
                os.kill(child, signal.SIGKILL)
                break
    _, how = os.waitpid(child, 0)
    whole = _take(raw, folder, corpus, reached, told)
    if late or how or not whole:
        what = "hangs" if late else f"dies of signal {how & 127}" if how & 127 else "ends early"
        told.tried += 1
        _broke(told, folder, what, what, _at_hand(folder))


def _take(raw: bytes, folder: Path, corpus: list[tuple[str, bytes]], reached: set[int], told: Told) -> bool:
    """Take over what a child said, one record a line of its length; True where it came to its end."""
    at = 0
    while at + 8 <= len(raw):
        size = int.from_bytes(raw[at : at + 8], "little")
        if at + 8 + size > len(raw):
            return False
        said: dict[str, Any] = json.loads(raw[at + 8 : at + 8 + size])
        at += 8 + size
        if said.get("end"):
            return True
        data = base64.b64decode(said["data"])
        told.tried += 1
        told.answers[said["answer"]] = told.answers.get(said["answer"], 0) + 1
        if said["new"]:
            reached.update(said["new"])
            corpus.append((said["name"], data))
            told.kept += 1
        if said["fault"] is not None:
            path = folder / f"broke-{hashlib.sha256(data).hexdigest()[:12]}-{said['name']}"
            if said["signature"] not in told.faults:
                path.write_bytes(data)
            _broke(told, folder, said["signature"], said["fault"], path)
    return False


def _broke(told: Told, folder: Path, signature: str, what: str, path: Path) -> None:
    told.faults.setdefault(signature, (what, path))


def _at_hand(folder: Path) -> Path:
    tried = sorted((p for p in (folder / "trying").iterdir() if p.is_file()), key=lambda p: p.stat().st_mtime)
    if not tried:
        return folder
    kept = folder / f"broke-{hashlib.sha256(tried[-1].read_bytes()).hexdigest()[:12]}-{tried[-1].name}"
    kept.write_bytes(tried[-1].read_bytes())
    return kept


def _child(
    target: Target,
    folder: Path,
    seed: int,
    corpus: list[tuple[str, bytes]],
    reached: set[int],
    count: int,
    until: float,
    guided: bool,
    out: int,
) -> None:
    rnd = random.Random(seed)
    quiet = os.open(os.devnull, os.O_RDWR)
    for stream in (0, 1, 2):
        os.dup2(quiet, stream)
    sys.stdout = sys.stderr = open(os.devnull, "w")  # noqa: SIM115 - for as long as the process lives
    warnings.simplefilter("error")
    used = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
    resource.setrlimit(resource.RLIMIT_AS, (used + BYTES_MORE, resource.RLIM_INFINITY))
    signal.signal(signal.SIGPROF, _too_long)
    trying = folder / "trying"
    seen = set(reached)
    for _ in range(count):
        if time.monotonic() > until:
            break
        name, data = rnd.choice(corpus[-40:] if rnd.random() < 0.5 else corpus)
        if rnd.random() < 0.98:
            for _ in range(rnd.choice((1, 1, 1, 2, 3, 6))):
                data = target.change(data, rnd)
        for old in trying.iterdir():
            if old.is_file():
                old.unlink()
        path = trying / name
        path.write_bytes(data)
        said = _try(target, path, guided and rnd.random() < 0.4)  # watching slows libraries down
        new = said.pop("lines") - seen
        seen |= new
        said |= {"name": name, "data": base64.b64encode(data).decode(), "new": sorted(new)}
        _say(out, said)
    _say(out, {"end": True})


def _try(target: Target, path: Path, guided: bool) -> dict[str, Any]:
    lines: set[int] = set()
    fault, signature, answer = None, "", ""
    signal.setitimer(signal.ITIMER_PROF, SECONDS_MAX)
    if guided:
        sys.settrace(_tracer(lines))
    try:
        answer = target.attempt(path)
    except Route3DError as error:
        answer = "refused"
        if not str(error).strip():
            fault, signature = "a refusal without a word", "no word"
    except BaseException as error:
        answer = "fault"
        fault = "".join(traceback.format_exception(error))[-3000:]
        signature = _signature(error)
    finally:
        sys.settrace(None)
        signal.setitimer(signal.ITIMER_PROF, 0.0)
    return {"answer": answer, "fault": fault, "signature": signature, "lines": lines}


def _signature(error: BaseException) -> str:
    """Kind of exception, and the last line of ours that it came through."""
    frames = [f for f in traceback.extract_tb(error.__traceback__) if f.filename.startswith(str(ROOT / "route3d"))
              or f.filename.startswith(str(ROOT / "importers"))]  # fmt: skip
    place = f"{Path(frames[-1].filename).name}:{frames[-1].lineno}" if frames else "outside"
    words = f" {error}" if isinstance(error, WrongError) else ""
    return f"{type(error).__name__} {place}{words}"[:160]


def _tracer(lines: set[int]) -> Callable[..., Any]:
    ours = (str(ROOT / "route3d"), str(ROOT / "importers"))
    bases: dict[Any, int | None] = {}

    def inside(frame: FrameType, event: str, _: object) -> Any:
        base = bases[frame.f_code]
        assert base is not None
        lines.add(base + frame.f_lineno)
        return inside

    def enter(frame: FrameType, event: str, _: object) -> Any:
        code = frame.f_code
        if code not in bases:
            mine = code.co_filename.startswith(ours)
            bases[code] = hash_of(code.co_filename) if mine else None
        return inside if bases[code] is not None else None

    return enter


def hash_of(name: str) -> int:
    """Return a number for a file that leaves room for its lines, the same in every process."""
    return int.from_bytes(hashlib.sha256(name.encode()).digest()[:5], "little") << 20


def _say(out: int, said: dict[str, Any]) -> None:
    body = json.dumps(said).encode()
    view = memoryview(len(body).to_bytes(8, "little") + body)
    while view:
        view = view[os.write(out, view) :]


def _too_long(*_: object) -> None:
    raise TimeoutError(f"longer than {SECONDS_MAX:g} s")
