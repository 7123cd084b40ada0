"""The findings of a measurement, as the result steps show them: what was said of one lobe is not said again of the other."""

from __future__ import annotations

from collections.abc import Sequence

from analysis.base.finding import VALVES, Finding


def cautioned(findings: Sequence[Finding], valve: str = "") -> list[str]:
    """What to show of them, those of a kind together; with a valve, only what concerns it.

    Of the second and later ones of a kind, a cause or an advice that an earlier one gave word for word is left out.
    """
    texts: list[str] = []
    for kind in dict.fromkeys(finding.code for finding in findings):
        said: set[str] = set()
        for finding in findings:
            if finding.code == kind and (valve not in VALVES or not finding.about or valve in finding.about):
                parts = [finding.seen, *(part for part in (finding.cause, finding.do) if part not in said)]
                texts.append(" ".join(part for part in parts if part))
                said.update(parts)
    return texts
