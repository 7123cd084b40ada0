"""The cautions of a measurement, as the result steps show them: what was said of one lobe is not said again of the other."""

from __future__ import annotations

import re
from collections.abc import Sequence

from analysis.base.finding import Caution

_VALVES = ("intake", "exhaust")


def cautioned(cautions: Sequence[Caution], valve: str = "") -> list[str]:
    """What to show of them, those of a kind together; with a valve, only what concerns it.

    Of the second and later ones of a kind, a sentence that stands word for word in an earlier one (cause, what to do) is left out.
    """
    kinds = list(dict.fromkeys(caution.code for caution in cautions))
    texts: list[str] = []
    for kind in kinds:
        said: set[str] = set()
        for caution in cautions:
            if caution.code == kind and _concerns(caution.text, valve):
                sentences = re.split(r"(?<=[.!?]) (?=[A-Z])", caution.text)
                texts.append(" ".join(each for each in sentences if each not in said))
                said.update(sentences)
    return [text for text in texts if text]


def _concerns(text: str, valve: str) -> bool:
    named = [each for each in _VALVES if each in text.lower()]
    return not named or valve not in _VALVES or valve in named
