"""Many lobes, each swept once or several times, against one of them, their mean, the rest of them, or a nominal profile."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

from analysis.base.errors import DataError
from analysis.compare.difference import Difference, difference
from analysis.compare.laid import Cells, Laid, Shape, lay, marks_of, weighted
from analysis.compare.overlay import of_one_lobe, same_lobe
from analysis.lobe.result import Lobe

Against = Literal["first", "mean", "rest", "nominal"]


@dataclass(frozen=True)
class LobeCompared:
    """One lobe: its sweeps, by their places in the list that was given, and what is different about the mean of them and about each.
    None: that is what the others are compared with.
    """

    sweeps: tuple[int, ...]
    whole: Difference | None
    each: tuple[Difference | None, ...]


@dataclass(frozen=True)
class _OnCells:
    """What was given, laid on one template: `laid` and `lobes` by place in the list, `groups` of places that are sweeps of one
    lobe.
    """

    cells: Cells
    lobes: Sequence[Lobe]
    laid: dict[int, Laid]
    groups: list[list[int]]

    def mean(self, group: Sequence[int]) -> Laid:
        """Of the sweeps of one lobe."""
        return weighted(*((1.0 / len(group), self.laid[k]) for k in group))

    def against(self, mine: Laid, reference: Laid | None) -> Difference:
        """Of a sweep, or a mean, and the reference; None: the template itself."""
        return difference(self.cells, mine if reference is None else weighted((1.0, mine), (-1.0, reference)))

    def all_against(self, reference: Laid | None) -> tuple[LobeCompared, ...]:
        """Every lobe against the same."""
        return tuple(self.compared(group, reference) for group in self.groups)

    def compared(self, group: list[int], reference: Laid | None) -> LobeCompared:
        """One lobe and each of its sweeps. Where some of them are larger by a share and others are not, the indicator leaned."""
        each = [self.against(self.laid[k], reference) for k in group]
        whole = each[0] if len(group) == 1 else self.against(self.mean(group), reference)
        sized = [found.of("scale") is not None for found in each]
        if any(sized) and not all(sized):
            each, whole = [of_one_lobe(found) for found in each], of_one_lobe(whole)
        return LobeCompared(tuple(group), whole, tuple(each))


def compare_lobes(lobes: Sequence[Lobe], against: Against, nominal: Shape | None = None) -> tuple[LobeCompared, ...]:
    """Sweeps of one valve at one place of the indicator, lobe by lobe in the order in which they come.

    "first": against the first sweep; "mean": the mean of all lobes; "rest": the mean of those others that do not differ from theirs;
    "nominal": the profile given. Raises DataError if there is nothing to compare with, or too little in common.
    """
    laid = _laid(lobes, nominal)
    if against == "nominal":
        return laid.all_against(None)
    if len(lobes) < 2:
        raise DataError("there is only one sweep to compare", do="Sweep it again, or the same valve of another cylinder")
    if against == "first":
        return _against_first(laid)
    if len(laid.groups) == 1:
        laid = replace(laid, groups=[[k] for k in laid.groups[0]])  # sweeps of one lobe, against each other
        found = laid.all_against(laid.mean([k for (k,) in laid.groups])) if against == "mean" else _against_rest(laid)
        return tuple(
            replace(each, whole=of_one_lobe(_there(each.whole)), each=(of_one_lobe(_there(each.whole)),)) for each in found
        )
    if against == "mean":
        return laid.all_against(_of_groups(laid, laid.groups))
    return _against_rest(laid)


def _there(found: Difference | None) -> Difference:
    assert found is not None
    return found


def _laid(lobes: Sequence[Lobe], nominal: Shape | None) -> _OnCells:
    """All sweeps on the first one's curve, or on the nominal. Sweeps with one TDC, of one cylinder, are of one lobe."""
    cells = Cells.of(lobes[0].swept.curve.spline if nominal is None else nominal)
    groups: dict[tuple[str, int], list[int]] = {}
    for k, lobe in enumerate(lobes):
        groups.setdefault((marks_of(lobe)["tdc"], lobe.cylinder), []).append(k)
    return _OnCells(cells, lobes, {k: lay(cells, lobe) for k, lobe in enumerate(lobes)}, list(groups.values()))


def _of_groups(laid: _OnCells, groups: Sequence[list[int]]) -> Laid:
    """Mean of lobes, each with the same say however often it was swept."""
    return weighted(*((1.0 / len(groups), laid.mean(group)) for group in groups))


def _against_first(laid: _OnCells) -> tuple[LobeCompared, ...]:
    """Every sweep against the first, which the others of its lobe are compared with as well."""
    reference = laid.laid[0]
    first, *others = laid.groups
    rest = laid.compared(first[1:], reference) if len(first) > 1 else LobeCompared((), None, ())
    rest = replace(
        rest,
        whole=of_one_lobe(rest.whole) if rest.whole else None,
        each=tuple(of_one_lobe(each) for each in rest.each if each is not None),
    )
    mine = LobeCompared((0, *rest.sweeps), rest.whole, (None, *rest.each))
    found = [laid.compared(group, reference) for group in others]
    one = [same_lobe(laid.lobes[0], laid.lobes[group[0]]) for group in others]
    return mine, *(_all_of_one(each) if same else each for each, same in zip(found, one, strict=True))


def _all_of_one(found: LobeCompared) -> LobeCompared:
    """Sweeps of the lobe that they are compared with."""
    return replace(found, whole=of_one_lobe(_there(found.whole)), each=tuple(of_one_lobe(_there(each)) for each in found.each))


def _against_rest(laid: _OnCells) -> tuple[LobeCompared, ...]:
    """Every lobe against the mean of the others, of which the odd ones are left out one by one, the clearest first, as long as more
    than half are left.
    """
    odd: list[list[int]] = []
    while len(laid.groups) - len(odd) > max(2, len(laid.groups) // 2):
        left = [group for group in laid.groups if group not in odd]
        found = [(_clearness(laid.against(laid.mean(group), _rest(laid, left, group))), group) for group in left]
        clear, clearest = max(found, key=lambda each: each[0])
        if clear == 0.0:
            break
        odd.append(clearest)
    left = [group for group in laid.groups if group not in odd]
    return tuple(laid.compared(group, _rest(laid, left, group)) for group in laid.groups)


def _rest(laid: _OnCells, groups: Sequence[list[int]], but: list[int]) -> Laid:
    return _of_groups(laid, [group for group in groups if group != but])


def _clearness(found: Difference) -> float:
    """How many standard uncertainties the clearest thing is that differs; 0 if nothing does."""
    return max((abs(each.size.value) / max(each.size.u, 1e-9) for each in found.named), default=0.0)
