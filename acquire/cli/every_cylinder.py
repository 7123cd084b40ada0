"""What `lobetrace analyze` says of one job: every cylinder that was swept, as sheets or as JSON."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from analysis.base.errors import DataError
from analysis.base.samples import Capture
from analysis.decision.cylinders import at_cylinder, measure_each, spacings
from analysis.job import Job
from analysis.lobe.result import Measurement
from analysis.lobe.result_json import result_json
from analysis.report.budget import budget_json, budget_text
from analysis.report.sheet import sheet

CANNOT_TELL = 2


@dataclass(frozen=True)
class EveryCylinder:
    """What each cylinder that was swept came to, the job's own first, and why others could not be measured."""

    job: Job
    found: dict[int, Measurement]
    refused: dict[int, DataError]

    def tree(self, budget: bool) -> dict[str, Any]:
        """As JSON."""
        first, *others = (_json(measured, budget) for measured in self.found.values())
        more: dict[str, Any] = {"others": others} if others else {}
        if self.refused:
            more["refused"] = [{"cylinder": cylinder, "error": str(error)} for cylinder, error in self.refused.items()]
        return first | more

    def text(self, budget: bool) -> str:
        """As sheets."""
        blocks = [_text(at_cylinder(self.job, cylinder), measured, budget) for cylinder, measured in self.found.items()]
        if len(self.found) + len(self.refused) > 1:
            blocks.append("\n".join(self._table()))
        return "\n\n\n".join(blocks)

    def _table(self) -> list[str]:
        """Of several cylinders. What only these need is imported for them."""
        from analysis.decision.decide import Cylinder
        from analysis.report.lobe_table import lobe_rows, lobe_table

        cylinders = [Cylinder(number, measured) for number, measured in self.found.items()]
        cylinders += [Cylinder(number, None, error=error) for number, error in self.refused.items()]
        return lobe_table(self.job, list(lobe_rows(self.job, cylinders, spacings(self.job, self.found))))

    @property
    def code(self) -> int:
        """2 if a lobe that was swept could not be measured, else 0."""
        return CANNOT_TELL if self.refused or any(measured.refused for measured in self.found.values()) else 0


def every_cylinder(job: Job, captures: Sequence[Capture]) -> EveryCylinder:
    """What the captures of a job come to. DataError if no cylinder can be measured."""
    return EveryCylinder(job, *measure_each(job, captures))


def _text(job: Job, measured: Measurement, budget: bool) -> str:
    text = sheet(measured, job).rstrip("\n")
    return f"{text}\n\n{budget_text(measured, job.measure.units).rstrip()}" if budget else text


def _json(measured: Measurement, budget: bool) -> dict[str, Any]:
    return result_json(measured) | ({"budget": budget_json(measured)} if budget else {})
