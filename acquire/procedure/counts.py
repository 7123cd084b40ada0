"""What a recording has come to, as numbers: for the screens, the status line and the ends of a recording alike."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Counts:
    """What a recording has come to, each as it counts for the result.

    `contacts` with the piston stop, by side (lower count, higher count). `passes`: whole passes over the lobe, forward with the
    slack taken up, of two lobes the fewer; of the piston's travel, forward runs over the top. `flat_deg` of base circle and
    `covered_deg` of the 720 of the cycle are of the lobe that has less. `turned_deg`: from where the recording began, as the board
    counts; `furthest_deg` in either direction. `seconds` by the board's clock, `still_s` of them at rest at the end.
    """

    rows: int = 0
    contacts: tuple[int, int] = (0, 0)
    passes: int = 0
    flat_deg: float = 0.0
    covered_deg: float = 0.0
    turned_deg: float = 0.0
    furthest_deg: float = 0.0
    seconds: float = 0.0
    still_s: float = 0.0
