"""The shape of a rule: a code, a weight, what it touches, and a function whose arguments say what it needs.

A rule whose arguments are not there is skipped, which is not the same as passed: `look_at` tells them apart.
"""

from __future__ import annotations

import inspect
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from types import ModuleType

from analysis.base.finding import Finding, Weight
from analysis.base.words import Units, sentence_in
from analysis.diagnosis.arguments import NAMES, Given, arguments


@dataclass(frozen=True)
class Seen:
    """What a rule saw, as `Finding` says it, with lengths in millimeters. `touches` and `weight` where they depend on what was seen;
    else the rule's own.
    """

    seen: str
    cause: str = ""
    do: str = ""
    touches: Iterable[str] | None = None
    weight: Weight | None = None


@dataclass(frozen=True)
class Rule:
    """A rule. In `touches` "{valve}" stands for the valve of the lobe looked at. `explains`: codes of what its cause makes other
    rules see as well, so that it is to be said before them.
    """

    code: str
    weight: Weight
    touches: tuple[str, ...]
    look: Callable[..., Seen | Iterable[Seen] | None]
    needs: tuple[str, ...]
    explains: tuple[str, ...] = ()

    def findings(self, given: Given) -> list[Finding] | None:
        """What it finds; None if it was skipped."""
        found: list[Finding] = []
        ran = False
        for valve, values in arguments(given, self.needs):
            ran = True
            found += [self._finding(seen, valve, given.job.measure.units) for seen in _each(self.look(**values))]
        return found if ran else None

    def _finding(self, seen: Seen, valve: str, units: Units) -> Finding:
        touches = frozenset(path.format(valve=valve) for path in (self.touches if seen.touches is None else seen.touches))
        saw, cause, do = (sentence_in(text, units) for text in (seen.seen, seen.cause, seen.do))
        finding = Finding(self.code, seen.weight or self.weight, saw, cause, do, touches)
        # On a sheet the findings of both valves stand together.
        return finding if valve in finding.text else _named(finding, valve)


def rule(
    code: str, weight: Weight, *touches: str, explains: tuple[str, ...] = ()
) -> Callable[[Callable[..., Seen | Iterable[Seen] | None]], Rule]:
    """Makes a function a rule. Its arguments are names of `arguments.NAMES`; it gives what it saw, once or several times, or None."""

    def made(look: Callable[..., Seen | Iterable[Seen] | None]) -> Rule:
        needs = tuple(inspect.signature(look).parameters)
        unknown = set(needs) - NAMES
        if unknown:
            raise TypeError(f"the rule {code} asks for {sorted(unknown)}, which there is not in arguments.py")
        return Rule(code, weight, touches, look, needs, explains)

    return made


def rules_of(modules: Iterable[ModuleType]) -> tuple[Rule, ...]:
    """The rules of some modules, in the order in which they stand there."""
    return tuple(thing for module in modules for thing in vars(module).values() if isinstance(thing, Rule))


@dataclass(frozen=True)
class Examined:
    """What rules found, and the codes of those that were skipped for want of what they look at."""

    findings: tuple[Finding, ...]
    skipped: tuple[str, ...]


def look_at(rules: Sequence[Rule], given: Given) -> Examined:
    """All findings of some rules, in the rules' order, each behind those whose cause explains it as well."""
    findings: list[Finding] = []
    skipped: list[str] = []
    for each in rules:
        found = each.findings(given)
        if found is None:
            skipped.append(each.code)
        else:
            findings += found
    explains = {each.code: each.explains for each in rules}

    def explained(finding: Finding) -> bool:
        return any(finding.code in explains[other.code] and _together(finding, other) for other in findings)

    return Examined(tuple(sorted(findings, key=explained)), tuple(skipped))


def _together(a: Finding, b: Finding) -> bool:
    """Whether two are about one lobe, or one of them about the whole."""
    return not a.about or not b.about or bool(set(a.about) & set(b.about))


def _each(seen: Seen | Iterable[Seen] | None) -> Iterator[Seen]:
    if isinstance(seen, Seen):
        yield seen
    elif seen is not None:
        yield from seen


def _named(finding: Finding, valve: str) -> Finding:
    return replace(finding, seen=f"{valve.capitalize()}: {finding.seen}")
