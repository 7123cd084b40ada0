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
    """One requirement: its name, verdict and sentence."""

    name: str
    verdict: Verdict
    text: str


@dataclass(frozen=True)
class Suite:
    """One job: what it is called, its cases, and words for whoever looks further (cause, change)."""

    name: str
    cases: tuple[Case, ...]
    notes: tuple[str, ...] = ()


def junit_xml(suites: Sequence[Suite]) -> str:
    """The document, UTF-8, ending in a newline."""
    root = ElementTree.Element("testsuites", {"name": "lobetrace", **_counts([c for s in suites for c in s.cases])})
    for suite in suites:
        element = ElementTree.SubElement(root, "testsuite", {"name": _text(suite.name), **_counts(suite.cases)})
        for case in suite.cases:
            attributes = {"classname": _text(suite.name), "name": _text(case.name), "time": "0"}
            this = ElementTree.SubElement(element, "testcase", attributes)
            if case.verdict in _TAG:
                attributes = {"message": _text(f"{WORD[case.verdict]}: {case.text}"), "type": case.verdict.replace(" ", "-")}
                ElementTree.SubElement(this, _TAG[case.verdict], attributes).text = _text(case.text)
        if suite.notes:
            ElementTree.SubElement(element, "system-out").text = _text("\n".join(suite.notes))
    ElementTree.indent(root, " ")
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + ElementTree.tostring(root, encoding="unicode") + "\n"


def _counts(cases: Sequence[Case]) -> dict[str, str]:
    tags = [_TAG.get(case.verdict, "") for case in cases]
    return {"tests": str(len(tags)), "failures": str(tags.count("failure")), "errors": str(tags.count("error")), "skipped": "0"}


def _text(text: str) -> str:
    """Without the characters that XML 1.0 cannot hold."""
    return "".join(c if c in "\t\n" or " " <= c <= "\ud7ff" or "\ue000" <= c <= "\ufffd" or c > "\uffff" else "?" for c in text)
