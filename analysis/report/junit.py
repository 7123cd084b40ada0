"""Checked jobs as JUnit XML, the form of test results that continuous integration shows: a suite for each job, a case for each
requirement. Outside is a failure; what cannot be told, is in doubt, or cannot be compared is an error.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from xml.etree import ElementTree

from analysis.decision.verdict import Verdict
from analysis.report.sentences import WORD

_TAG = {"outside": "failure", "cannot tell": "error", "not compared": "error", "inconclusive": "error"}


@dataclass(frozen=True)
class Case:
    """One requirement: its name, verdict and sentence, and the cylinder that it is about where it is about one."""

    name: str
    verdict: Verdict
    text: str
    cylinder: int | None = None


@dataclass(frozen=True)
class Suite:
    """One job: what it is called, its cases, words for whoever looks further (cause, change, findings), and how long it took."""

    name: str
    cases: tuple[Case, ...]
    notes: tuple[str, ...] = ()
    seconds: float = 0.0


def junit_xml(suites: Sequence[Suite]) -> str:
    """The document, UTF-8, ending in a newline.

    A case is known by its classname (the job and the cylinder) and its name (valve and line), which stay the same from run to
    run. All lines of a job come of one measurement, so that each has an equal share of its time.
    """
    all_cases = [case for suite in suites for case in suite.cases]
    counts = _counts(all_cases, sum(suite.seconds for suite in suites))
    root = ElementTree.Element("testsuites", {"name": "lobetrace", **counts})
    for suite in suites:
        element = ElementTree.SubElement(root, "testsuite", {"name": _text(suite.name), **_counts(suite.cases, suite.seconds)})
        share = f"{suite.seconds / max(len(suite.cases), 1):.6f}"
        for case in suite.cases:
            of = suite.name if case.cylinder is None else f"{suite.name}/cylinder {case.cylinder}"
            attributes = {"classname": _text(of), "name": _text(case.name), "time": share}
            this = ElementTree.SubElement(element, "testcase", attributes)
            if case.verdict in _TAG:
                attributes = {"message": _text(f"{WORD[case.verdict]}: {case.text}"), "type": case.verdict.replace(" ", "-")}
                ElementTree.SubElement(this, _TAG[case.verdict], attributes).text = _text(case.text)
        if suite.notes:
            ElementTree.SubElement(element, "system-out").text = _text("\n".join(suite.notes))
    ElementTree.indent(root, " ")
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + ElementTree.tostring(root, encoding="unicode") + "\n"


def _counts(cases: Sequence[Case], seconds: float) -> dict[str, str]:
    tags = [_TAG.get(case.verdict, "") for case in cases]
    counts = {"tests": len(tags), "failures": tags.count("failure"), "errors": tags.count("error"), "skipped": 0}
    return {name: str(count) for name, count in counts.items()} | {"time": f"{seconds:.6f}"}


def _text(text: str) -> str:
    """Without the characters that XML 1.0 cannot hold."""
    return "".join(c if c in "\t\n" or " " <= c <= "\ud7ff" or "\ue000" <= c <= "\ufffd" or c > "\uffff" else "?" for c in text)
