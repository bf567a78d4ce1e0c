"""Known vulnerabilities in what is installed and in what the page is bundled from.

Ends with 1 where one is known and not allowed, or where an allowance is over. Without the advisory services it ends
with 0 and says that nothing, or how much, was looked up: that is no clean bill. Allowances stand in
``allowed-advisories.toml`` beside this file, each with a reason and a last day.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any, NamedTuple

HERE = Path(__file__).parent
PAGE = HERE.parent / "route3d" / "viewer" / "page"
NOT_SHIPPED = ("route3d", "pip", "setuptools")  # ourselves, and what sets the environment up
SECONDS = 240


class Known(NamedTuple):
    """One vulnerability of one package."""

    package: str
    names: frozenset[str]  # all ids of it
    mended_in: str


class Looked(NamedTuple):
    """What one of the services said: how many packages it knew, how many not, and why not."""

    of: str
    known: list[Known]
    looked_up: int
    not_looked_up: int
    why: str = ""


def answer(*command: str) -> tuple[Any, str]:
    """Return the JSON that a tool prints, and what it says otherwise."""
    try:
        done = subprocess.run(command, capture_output=True, text=True, timeout=SECONDS, cwd=PAGE, check=False)
    except (OSError, subprocess.TimeoutExpired) as error:
        return None, str(error)
    try:
        return json.loads(done.stdout), done.stderr
    except ValueError:
        return None, (done.stderr.strip() or done.stdout.strip() or "no answer").splitlines()[-1]


def python_packages() -> Looked:
    """Ask about every installed package."""
    said, why = answer(sys.executable, "-m", "pip_audit", "--local", "--format", "json", "--progress-spinner", "off")
    if not isinstance(said, dict):
        return Looked("Python packages", [], 0, 0, why)
    packages = [p for p in said.get("dependencies", []) if p["name"] not in NOT_SHIPPED]
    skipped = [p for p in packages if "skip_reason" in p]
    known = [
        Known(f"{p['name']} {p['version']}", frozenset([v["id"], *v.get("aliases", [])]), ", ".join(v["fix_versions"]))
        for p in packages
        for v in p.get("vulns", [])
    ]
    why = "the service does not know them"
    return Looked("Python packages", known, len(packages) - len(skipped), len(skipped), why)


def page_packages() -> Looked:
    """Ask about everything that the page's lock file names."""
    said, why = answer("npm", "audit", "--json", "--package-lock-only")
    if not isinstance(said, dict) or "vulnerabilities" not in said:
        return Looked("packages of the page", [], 0, 0, why if said is None else str(said.get("message", said))[:200])
    known = [
        Known(name, frozenset([str(via.get("url", via.get("source"))).rsplit("/", 1)[-1]]), "see npm audit")
        for name, one in said["vulnerabilities"].items()
        for via in one.get("via", [])
        if isinstance(via, dict)
    ]
    count = said.get("metadata", {}).get("dependencies", {}).get("total", 0)
    return Looked("packages of the page", known, int(count), 0)


def allowed(text: str, today: date) -> tuple[frozenset[str], list[str]]:
    """Return the ids that are allowed today, and a sentence for each allowance that is over or incomplete."""
    ids, wrong = set(), []
    for one in tomllib.loads(text).get("allowed", []):
        name, until, why = one.get("id"), one.get("until"), one.get("why")
        if not name or not why or not isinstance(until, date):
            wrong.append(f"an allowance needs id, until (a date) and why: {one}")
        elif until < today:
            wrong.append(f"the allowance of {name} ended on {until}: mend it, or look at it again and give a new day")
        else:
            ids.add(name)
    return frozenset(ids), wrong


def report(looked: Looked, ids: frozenset[str]) -> Iterator[tuple[bool, str]]:
    """Tell what was found: whether it fails, and a line."""
    for one in looked.known:
        passes = bool(one.names & ids)
        words = f"{one.package}: {', '.join(sorted(one.names))}; mended in: {one.mended_in or 'nothing yet'}"
        yield not passes, f"{'allowed' if passes else 'KNOWN VULNERABILITY'}: {words}"
    if not looked.looked_up:
        yield False, f"{looked.of}: NOT AUDITED, the advisory service cannot be asked ({looked.why or 'no answer'})"
        return
    part = f"; {looked.not_looked_up} could not be looked up ({looked.why})" if looked.not_looked_up else ""
    yield False, f"{looked.of}: {looked.looked_up} looked up, {len(looked.known)} vulnerabilities known{part}"


def main() -> int:
    """Ask both services; 1 where something is known that nobody allowed."""
    ids, wrong = allowed((HERE / "allowed-advisories.toml").read_text(encoding="utf-8"), datetime.now(UTC).date())
    fails = bool(wrong)
    for words in wrong:
        print(words)
    for looked in (python_packages(), page_packages()):
        for bad, words in report(looked, ids):
            fails |= bad
            print(words)
    return int(fails)


if __name__ == "__main__":
    raise SystemExit(main())
