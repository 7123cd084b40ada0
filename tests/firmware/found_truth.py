"""What a board's captures come to, against the truth of the rig that turned it."""

from __future__ import annotations

from typing import Any

import pytest

from acquire.simulator.truth import Truth


def finds_the_truth(result: dict[str, Any], true: Truth) -> None:
    """Both lobes of a result, as `analyze --json` prints it, and the camshaft."""
    lobes = {lobe["valve"]: lobe for lobe in result["lobes"]}
    for valve in ("intake", "exhaust"):
        lobe, known = lobes[valve], true.lobe(valve)
        assert lobe["centerline_deg"]["value"] == pytest.approx(known.centerline_by["equal_lift"], abs=0.1)
        assert lobe["peak_lift_mm"]["value"] == pytest.approx(known.peak_lift_mm, abs=0.01)
        assert lobe["latency_ms"]["value"] == pytest.approx(0, abs=1)
        event = next(e for e in lobe["events"] if (e["lift_mm"], e["at"]) == (1.27, "lobe"))
        real = next(e for e in known.events if (e.lift_mm, e.at) == (1.27, "lobe"))
        assert event["opens_deg"]["value"] == pytest.approx(real.opens_deg, abs=0.1)
        assert event["closes_deg"]["value"] == pytest.approx(real.closes_deg, abs=0.1)
    assert result["cam"]["separation_deg"]["value"] == pytest.approx(true.cam.separation_deg, abs=0.05)
