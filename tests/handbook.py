"""Published worked examples."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

# Of cranks by radius and rod (mm): how far the piston is below its top (mm), by crank degrees. J. B. Heywood (1988) eq. 2.5, from
# memory, computed outside; the first crank is that of the TCC-III engine (stroke 86, rod 231).
PISTON_TRAVEL_MM = {
    (43.0, 231.0): {
        5.0: 0.194030919,
        10.0: 0.773978186,
        15.0: 1.733439409,
        30.0: 6.763625045,
        45.0: 14.604233947,
        60.0: 24.521382582,
        90.0: 47.037448023,
        120.0: 67.521382582,
        150.0: 81.241809770,
    },
    (45.0, 135.0): {10.0: 0.909993531, 30.0: 7.917061710, 60.0: 28.247340453, 90.0: 52.720779386, 120.0: 73.247340453},
}


def aiag() -> pd.DataFrame:
    """AIAG, Measurement Systems Analysis, 4th ed. (2010): 10 parts, appraisers A, B, C, three trials each."""
    text = (Path(__file__).parent / "data" / "aiag_msa_grr_10x3x3.csv").read_text(encoding="utf-8")
    rows = [line.split(",") for line in text.splitlines() if line[:2] in ("A,", "B,", "C,")]
    return pd.DataFrame(
        [(appraiser, part, float(value)) for appraiser, _, *values in rows for part, value in enumerate(values)],
        columns=["group", "part", "value"],
    )
