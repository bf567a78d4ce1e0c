"""A review as JUnit XML, which test servers read: one suite per run, one case per check."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from xml.etree import ElementTree

from route3d.model.finding import Finding, Review
from route3d.reports.bcf_topic import plain


def junit(review: Review, checks: Sequence[str]) -> bytes:
    """Return the review as JUnit XML. A violation is a failure; what could not be judged is an error, never a pass.

    ``checks`` are those that ran. What concerns the whole job, and what was not read, is the suite of the job.
    """
    checks = (*checks, *dict.fromkeys(f.check for f in review.findings if f.check not in checks))
    found: dict[tuple[str | None, str], list[Finding]] = defaultdict(list)
    for finding in review.findings:
        found[(finding.run, finding.check)].append(finding)
    root = ElementTree.Element("testsuites", name=plain(review.project))
    unread = [f"{u.file} {u.handle} {u.layer}: {u.reason}" for u in review.unread]
    _suite(root, review, None, [(check, found.get((None, check), [])) for check in checks], not_read=unread)
    for run in review.runs:
        run_id = run.fitted.run.run_id
        cases = [(check, found.get((run_id, check), [])) for check in checks]
        said = any(f.unchecked or f.severity == "violation" for _, findings in cases for f in findings)
        # a verdict that no finding of the run explains still takes the pass
        silent = () if run.verdict == "pass" or said else (f"the verdict of the run is {run.verdict}",)
        _suite(root, review, run_id, cases, verdict=silent)
    for without in review.not_routed:
        _suite(root, review, without.run_id, (), verdict=("the run has no route yet: nothing of it was checked",))
    for name in ("tests", "failures", "errors"):
        root.set(name, str(sum(int(suite.get(name, "0")) for suite in root)))
    ElementTree.indent(root)
    return bytes(ElementTree.tostring(root, encoding="utf-8", xml_declaration=True)) + b"\n"


def _suite(
    root: ElementTree.Element,
    review: Review,
    run: str | None,
    cases: Sequence[tuple[str, list[Finding]]],
    *,
    verdict: Sequence[str] = (),
    not_read: Sequence[str] = (),
) -> None:
    name = "the whole job" if run is None else plain(run)
    suite = ElementTree.SubElement(root, "testsuite", name=name, timestamp=review.made.removesuffix("Z"))
    properties = ElementTree.SubElement(suite, "properties")
    for key, value in (("rules", review.rules), ("caution", review.caution)):
        ElementTree.SubElement(properties, "property", name=key, value=plain(value))
    for check, findings in cases:
        case = ElementTree.SubElement(suite, "testcase", classname=name, name=check)
        _judged(case, findings)
    for title, lines in (("verdict", verdict), ("not read", not_read)):
        if lines or (title == "not read" and run is None):
            case = ElementTree.SubElement(suite, "testcase", classname=name, name=title)
            if lines:
                error = ElementTree.SubElement(case, "error", type=title, message=plain(lines[0]))
                error.text = plain("\n".join(lines), lines=True)
    suite.set("tests", str(len(suite.findall("testcase"))))
    suite.set("failures", str(len(suite.findall("testcase/failure"))))
    suite.set("errors", str(len(suite.findall("testcase/error"))))


def _judged(case: ElementTree.Element, findings: Sequence[Finding]) -> None:
    violations = [f for f in findings if f.severity == "violation"]
    unchecked = [f for f in findings if f.unchecked and f.severity != "violation"]
    rest = [f for f in findings if not f.unchecked and f.severity != "violation"]
    # one element a case: servers show the first and count no more
    if violations or unchecked:
        kind, shown = ("failure", violations + unchecked) if violations else ("error", unchecked)
        node = ElementTree.SubElement(case, kind, type=shown[0].severity, message=plain(shown[0].message))
        node.text = plain("\n\n".join(_told(f) for f in shown), lines=True)
    if rest:
        ElementTree.SubElement(case, "system-out").text = plain("\n\n".join(_told(f) for f in rest), lines=True)


def _told(finding: Finding) -> str:
    return (
        f"{finding.severity} {finding.finding_id}: {finding.message}\n"
        f"Rule: {finding.rule}\nRemedy: {finding.remedy}"
    )  # fmt: skip
