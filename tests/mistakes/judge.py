"""What a job came to against the truth: what was said first, and which wrong numbers stood there without a doubt."""

from __future__ import annotations

from dataclasses import dataclass

from analysis.base.errors import LobetraceError
from analysis.base.finding import DOUBT, NOTE, REFUSAL, doubts
from analysis.capture import parse
from analysis.diagnosis.examine import examine
from analysis.job import parse_job
from analysis.lobe.result import Measurement
from tests.mistakes.bench import Bench
from tests.mistakes.catalog import Case

# An interval of 95 % may miss by a little; a wrong number misses by half as much again.
WRONG = 1.5


@dataclass(frozen=True)
class Outcome:
    """`first`: the words of the first refusal or doubt, "" without any; `codes` of all of them; `notes`: the words of the
    rest; `silent`: path, error and interval of
    each wrong number that no doubt touches; `given`: how many numbers were given.
    """

    first: str
    codes: tuple[str, ...]
    notes: tuple[str, ...]
    silent: tuple[tuple[str, float, float], ...]
    given: int


def judge(case: Case, units: str = "mm") -> Outcome:
    """Measure a case, with a sheet in some units, and compare."""
    try:
        job = parse_job(case.job.replace("[measure]", f'[measure]\nunits = "{units}"'))
        captures = [parse(text.encode(), f"{k + 1}.csv") for k, text in enumerate(case.captures)]
        found = examine(job, captures)
    except LobetraceError as error:
        return Outcome(str(error), ("refused",), (), (), 0)
    weighty = [f for f in found.findings if f.weight in (DOUBT, REFUSAL)]
    notes = tuple(f.text for f in found.findings if f.weight is NOTE)
    errors = errors_of(found, case.bench)
    silent = tuple(
        (path, error, u95)
        for path, error, u95 in errors
        if abs(error) > WRONG * u95 and not doubts(found.findings, _rests_on(path))
    )
    return Outcome(weighty[0].text if weighty else "", tuple(f.code for f in weighty), notes, silent, len(errors))


def _rests_on(path: str) -> list[str]:
    """A number, and top dead center where an angle is counted from there."""
    return [path, "tdc"] if path.endswith(("opens", "closes", "centerline")) else [path]


def errors_of(found: Measurement, bench: Bench) -> list[tuple[str, float, float]]:
    """Path, error and 95 % uncertainty of each number whose truth is known."""
    compared = []
    quantities = dict(found.quantities())
    for valve in ("intake", "exhaust"):
        lobe = found.lobe(valve)
        if lobe is None:
            continue
        for event in lobe.events:
            opens, closes = (bench.true_event(valve, event.lift_mm, opens=side) for side in (True, False))
            for word, quantity, truth in (
                ("opens", event.opens, opens), ("closes", event.closes, closes), ("duration", event.duration, closes - opens),
            ):  # fmt: skip
                compared.append((f"{valve}.events.{event.lift_mm:g}.{word}", quantity.value - truth, quantity.expanded()))
        true = bench.intake if valve == "intake" else bench.exhaust
        compared.append(
            (f"{valve}.peak_lobe_lift", lobe.peak_lobe_lift.value - (true.lift_mm - true.worn_mm), lobe.peak_lobe_lift.expanded())
        )
    off = (found.tdc.count.value - bench.tdc_count + bench.cpr / 2) % bench.cpr - bench.cpr / 2
    compared.append(("tdc", off, found.tdc.count.expanded()))
    assert all(path in quantities or path == "tdc" for path, _, _ in compared), sorted(quantities)
    return compared
