"""How a value is said to a customer: with the digits that it holds, and never so short that it looks like its limit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from audiomeas.measurement.entered import AS_EXPECTED
from audiomeas.present.content import Finding
from audiomeas.present.digits import bound_digits, short_digits, value_digits, with_uncertainty
from audiomeas.shown_digits import outward_digits
from audiomeas.shown_units import shown_in

#: A customer compares percentages; the exact ones stay in the record.
_PERCENT_DIGITS = 3


def amount(finding: Finding, *, in_full: bool = False) -> str:
    """Return '0.0123 ± 0.0005 %', '136.0 ± 0.4 µV', 'at most 0.001 %' (the bench itself is the limit), or 'not known'.

    A percentage has at most three digits, and no ± where its uncertainty touches none of them: '0.0821 %'.
    in_full : all digits, with ± where it is known.
    """
    if finding.quantity == AS_EXPECTED:
        return finding.answer or "no answer"
    if finding.value is None:
        return "not known"
    finding = _prefixed(finding, finding.value)
    assert finding.value is not None
    unit = f" {finding.unit}" if finding.unit else ""
    if finding.bound:
        return f"{finding.bound} {_bound_digits(finding, in_full)}{unit}"
    short = None if in_full else _short(finding)
    return f"{short or with_uncertainty(finding.value, finding.uncertainty)}{unit}"


def _prefixed(finding: Finding, value: float) -> Finding:
    """Return a finding in the unit in which it is shown."""
    unit, factor = shown_in(finding.unit, value)
    uncertainty = None if finding.uncertainty is None else factor * finding.uncertainty
    return replace(finding, unit=unit, value=factor * value, uncertainty=uncertainty)


def _short(finding: Finding) -> str | None:
    if finding.value is None or finding.unit != "%" or finding.uncertainty is None:
        return None
    return short_digits(finding.value, finding.uncertainty, _PERCENT_DIGITS)


def _bound_digits(finding: Finding, in_full: bool) -> str:
    assert finding.value is not None
    if finding.unit != "%" or in_full:
        return bound_digits(finding.value, finding.uncertainty, finding.bound)
    return outward_digits(finding.value, _PERCENT_DIGITS, finding.bound)


def amounts(members: Sequence[Finding]) -> dict[tuple[str, int | None], str]:
    """Return the amount of each step and channel of one quantity, each said once however many limits stand on it.

    All are said in full where the uncertainty of one is not known: then a missing ± says just that.
    """
    unknown = without_uncertainty(members)
    texts = {}
    for place in dict.fromkeys((each.step, each.channel) for each in members):
        here = [each for each in members if (each.step, each.channel) == place]
        texts[place] = amount(here[0], in_full=unknown or any(map(_close_to_its_limit, here)))
    return texts


def amount_range(members: Sequence[Finding]) -> str:
    """Return one amount, or the least and the most of several: '0.0383 % to 0.0384 %'; what is not known first."""
    texts = amounts(members)
    order = sorted(members, key=lambda each: float("-inf") if each.value is None else each.value)
    return " to ".join(dict.fromkeys(texts[each.step, each.channel] for each in (order[0], order[-1])))


def without_uncertainty(members: Sequence[Finding]) -> bool:
    """Return whether some value stands without ± because its uncertainty is not known."""
    return any(each.value is not None and each.uncertainty is None and not each.bound for each in members)


def _close_to_its_limit(finding: Finding) -> bool:
    """Return whether few digits would move a value onto its limit or over it, or hide why it is undecided."""
    if finding.value is None:
        return False
    if finding.verdict == "undecided":
        return True
    shown = _bound_digits(finding, False) if finding.bound else _short(finding)
    if shown is None:
        return False
    rounded = float(shown.partition(" ")[0].replace("−", "-"))
    return any((rounded - edge) * (finding.value - edge) <= 0.0 for edge in finding.edges)


# ---------------------------------------------------------------- powers


def same_powers(members: Sequence[Finding]) -> list[list[Finding]]:
    """Return the findings of one power in groups of steps that gave the same one, the loudest group first.

    The same: on each channel all values lie within the smallest uncertainty of them. A power with a limit stands alone.
    """
    groups: list[list[Finding]] = []
    for step in dict.fromkeys(each.step for each in members):
        here = [each for each in members if each.step == step]
        group = next((known for known in groups if _agree([*known, *here])), None)
        if group is None:
            groups.append(here)
        else:
            group.extend(here)
    return sorted(groups, key=lambda group: -max(each.value or 0.0 for each in group))


def _agree(group: Sequence[Finding]) -> bool:
    by_channel = _by_channel(group)
    steps = len({each.step for each in group})
    if any(each.limit or each.value is None or each.bound for each in group):
        return False
    if any(len(found) != steps for found in by_channel.values()):
        return False
    for found in by_channel.values():
        values = [each.value or 0.0 for each in found]
        if max(values) - min(values) > min(each.uncertainty or 0.0 for each in found):
            return False
    return True


def _by_channel(group: Sequence[Finding]) -> dict[int | None, list[Finding]]:
    found: dict[int | None, list[Finding]] = {}
    for each in group:
        found.setdefault(each.channel, []).append(each)
    return found


def power_ranges(group: Sequence[Finding]) -> dict[int | None, str]:
    """Return what each channel gave in a group of steps: '30.00 ± 0.34 W', or '29.95 to 30.06 ± 0.34 W'."""
    return {channel: _range(found) for channel, found in _by_channel(group).items()}


def _range(found: Sequence[Finding]) -> str:
    lowest = min(found, key=lambda each: each.value or 0.0)
    highest = max(found, key=lambda each: each.value or 0.0)
    if lowest.value is None or highest.value is None or lowest.value == highest.value:
        return amount(highest)
    widest = max((each.uncertainty for each in found if each.uncertainty is not None), default=None)
    low = value_digits(lowest.value, widest)
    high = f"{with_uncertainty(highest.value, widest)} {highest.unit}"
    return high if high.startswith(f"{low} ") else f"{low} to {high}"
