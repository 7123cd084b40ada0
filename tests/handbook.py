"""Readings of a published worked example."""

from __future__ import annotations

from pathlib import Path

import pandas as pd


def aiag() -> pd.DataFrame:
    """AIAG, Measurement Systems Analysis, 4th ed. (2010): 10 parts, appraisers A, B, C, three trials each."""
    text = (Path(__file__).parent / "data" / "aiag_msa_grr_10x3x3.csv").read_text(encoding="utf-8")
    rows = [line.split(",") for line in text.splitlines() if line[:2] in ("A,", "B,", "C,")]
    return pd.DataFrame(
        [(appraiser, part, float(value)) for appraiser, _, *values in rows for part, value in enumerate(values)],
        columns=["group", "part", "value"],
    )
