"""Whether intake and exhaust stand around the same top dead center: a camshaft fitted half a turn of itself out shows only here."""

from __future__ import annotations

from analysis.base.finding import DOUBT, Finding
from analysis.lobe.result import Measurement
from analysis.tdc.carrying import same_count


def different_turns(measured: Measurement) -> tuple[Finding, ...]:
    """A finding if the overlap TDC of the two lobes lies an odd number of crank turns apart.

    The crank alone cannot tell overlap TDC from firing TDC; two sweeps of one count can tell whether both lobes mean the same one.
    """
    intake, exhaust = measured.lobe("intake"), measured.lobe("exhaust")
    if intake is None or exhaust is None or not same_count(intake.swept.sweep.header, exhaust.swept.sweep.header):
        return ()
    counts = intake.swept.overlap_tdc - exhaust.swept.overlap_tdc
    if round(counts / intake.swept.sweep.cpr) % 2 == 0:
        return ()
    text = (
        "One camshaft stands 180 cam degrees (a whole turn of the crank) out against the other, or the count was set back between "
        "the two sweeps."
    )
    evidence = (
        "The intake lobe has its overlap at one top dead center and the exhaust lobe at the next: there is no overlap at all."
    )
    return (Finding("camshaft-half-turn", DOUBT, evidence, text, touches=frozenset({"*"})),)
