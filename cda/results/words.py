"""What the results say in words: the same sentences in the terminal and on the page.

"Not resolved" is never written as "equal"; a slower position "costs"; a holding share or a
cost that was not given is named as such.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from cda.results.numbers import (
    amount_like,
    area,
    area_interval,
    clock_length,
    fixed,
    saving,
    saving_interval,
    share,
    shown,
)

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from cda.results.estimate import Difference, Estimate
    from cda.results.savings import LedgerLine, PositionSavings, Savings

MOST_PAIRS_NAMED = 6
NOT_EQUAL = "Not resolved, not decided: this test cannot tell. It does not mean equal."
LEDGER_LABELS = {
    "swim": "Straighter swim",
    "turns": "Turns on the bike",
    "climbs": "Entry into climbs",
    "run": "Shortest line of the run",
    "transitions": "Transitions",
}


def letter(index: int) -> str:
    """Return the letter a position carries in tables and pictures: A, B, ... Z, A2, ..."""
    turn, place = divmod(index, 26)
    return chr(ord("A") + place) + (str(turn + 1) if turn else "")


def letters(result: Estimate | Savings) -> dict[str, str]:
    """Return the letter of every position, in the order of the session file."""
    ids = [str(position.id) for position in result.positions]
    return {position_id: letter(i) for i, position_id in enumerate(ids)}


def ordered(savings: Savings) -> list[PositionSavings]:
    """Return the positions in the order to practise them; the reference stands last of all."""
    by_id = {p.id: p for p in savings.positions}
    first = [by_id[e.id] for e in savings.order if e.kind == "position" and e.id in by_id]
    rest = [p for p in savings.positions if p not in first]
    rest.sort(key=lambda p: -p.saved_s)
    listed = [*first, *rest]
    return [p for p in listed if not p.reference] + [p for p in listed if p.reference]


def is_decided(position: PositionSavings) -> bool:
    """Say whether the interval of the time saved leaves out zero; not known is not decided."""
    return position.decided is True


def decided_words(position: PositionSavings) -> str:
    """Return the verdict on one position against the reference."""
    if position.reference:
        return "today's position"
    if position.decided is None:
        return "not known"
    if not is_decided(position):
        return "not decided: could be either"
    return "decided: faster" if position.saved_s > 0 else "decided: slower"


def held_words(position: PositionSavings) -> str:
    """Return for how much of the ride the saving is counted."""
    if position.reference:
        return "today"
    if position.hold_share is None:
        return "whole ride, if it can be held"
    return f"{share(position.hold_share)} of the ride"


def worth_words(position: PositionSavings) -> str:
    """Return what holding the position may cost at most, and what it is said to cost."""
    if position.reference:
        return "—"
    cost = "cost unknown"
    if position.power_cost_w is not None:
        spread = position.power_cost_sd_w
        cost = f"costs {fixed(position.power_cost_w, 1)} W" + (
            f" ± {fixed(spread, 1)} W" if spread else ""
        )
        cost += ", counted in"
    watts = position.break_even_power_w
    if position.saved_if_held_throughout_s <= 0.0 or (watts is not None and watts <= 0.0):
        return f"no cost at all, slower as measured; {cost}"
    if watts is None:
        return f"not known; {cost}"
    edges = position.break_even_power_interval_w
    span = ""
    if edges is not None:
        low = "none" if edges[0] <= 0.0 else fixed(edges[0], 1)
        span = f" (from {low} to {fixed(edges[1], 1)} W)"
    return f"{fixed(watts, 1)} W{span}; {cost}"


def standing(difference: Difference) -> Literal["resolved", "alone", "open"]:
    """Return how far a pair is resolved: with all pairs counted, as the only one asked, or not."""
    if not difference.resolved:
        return "open"
    low, high = difference.simultaneous_interval_m2
    return "alone" if low <= 0.0 <= high else "resolved"


def difference_words(difference: Difference) -> str:
    """Return a verdict that cannot be misread."""
    low, high = difference.interval_m2
    way = "lower drag" if difference.delta_cda_m2 < 0 else "higher drag"
    match standing(difference):
        case "resolved":
            return way
        case "alone":
            return f"{way} as the only pair asked; not resolved with all pairs counted"
    down, up = area(abs(low), difference.se_m2), area(abs(high), difference.se_m2)
    return f"not resolved: could be {down} lower or {up} higher"


def resolved_words(differences: Sequence[Difference]) -> str:
    """Say how many pairs are resolved, and how many of them only as the only pair asked."""
    found = [standing(d) for d in differences]
    full, alone, many = found.count("resolved"), found.count("alone"), len(found)
    text = f"{full} of {many} differences {'is' if full == 1 else 'are'} resolved"
    if alone:
        text += (
            f"; {alone} more would be as the only pair asked, but among {many} pairs one looks "
            "different by chance now and then"
        )
    return text


def wheels_words() -> str:
    """Return what the drag areas include."""
    return (
        "CdA here is that of rider and bike without the drag of the turning wheels; "
        "the value with the wheels stands beside it."
    )


def race_words(savings: Savings) -> str:
    """Return the race in a few words."""
    race = savings.race
    return f"{shown(race.name)} ({race.distance_km:g} km at {race.power_w:.0f} W)"


def headline(estimate: Estimate | None, savings: Savings | None) -> str:
    """Return the answer in one sentence with its reference."""
    if savings is not None:
        return savings_headline(savings)
    if estimate is None:
        return "No result."
    return estimate_headline(estimate)


def savings_headline(savings: Savings) -> str:
    """Return the answer in minutes."""
    level = percent_level(savings.level)
    reference = next(p for p in savings.positions if p.id == savings.reference)
    today = f"“{shown(reference.label)}”, the position ridden today"
    candidates = [p for p in ordered(savings) if not p.reference]
    if not candidates:
        return f"Only {today}, was tested: there is nothing to compare."
    best = candidates[0]
    name = f"“{shown(best.label)}”"
    where = shown(savings.race.name)
    span = saving_interval(best.saved_interval_s)
    size = amount_like(best.saved_s, best.saved_interval_s)
    gain = saving(best.saved_s, like=best.saved_interval_s)
    held = (
        f"held for {share(best.hold_share)} of the ride"
        if best.hold_share is not None
        else "if it can be held for the whole ride"
    )
    if best.decided is None:
        return (
            f"Not known to be real: as the drag areas were given, without uncertainty, at {where} "
            f"{name} {gain} ({span}, {level}, of what the race is uncertain about "
            f"alone) against {today}, {held}."
        )
    if is_decided(best) and best.saved_s > 0:
        ties = tied_with(savings, best.id)
        tail = ""
        if ties:
            names = " and ".join(f"“{shown(_label(savings, t))}”" for t in ties)
            tail = f" The order between it and {names} is not decided."
        return (
            f"Practise {name} first: at {where} it saves {size} "
            f"({span}, {level}) against {today}, {held}.{tail}"
        )
    if best.saved_s > 0:
        return (
            f"Not decided yet: {name} is the first candidate to practise; at {where} it {gain} "
            "as measured "
            f"({span}, {level}) against {today}, {held}; more runs are needed to say so."
        )
    if is_decided(best):
        return (
            f"Stay with {today}: at {where} no other position tested is faster; "
            f"the nearest, {name}, {gain} ({span}, {level}), {held}."
        )
    return (
        f"Nothing faster was found: at {where} the best candidate, {name}, {gain} "
        f"({span}, {level}) against {today}, {held}; whether it is slower is not decided."
    )


def estimate_headline(estimate: Estimate) -> str:
    """Return the answer in drag area, where no race was given."""
    level = percent_level(estimate.level)
    reference = estimate.position(estimate.reference)
    today = f"“{shown(reference.label)}”, the position ridden today"
    against = [d for d in estimate.differences if d.reference == estimate.reference]
    if not against:
        span = area_interval(reference.interval_m2, reference.se_m2)
        return f"Only {today}, was tested: CdA {span} m² ({level})."
    best = min(against, key=lambda d: d.delta_cda_m2)
    label = shown(estimate.position(best.position).label)
    size = f"{area(abs(best.delta_cda_m2), best.se_m2)} m²"
    span = area_interval(best.interval_m2, best.se_m2, sign=True)
    way = "lower" if best.delta_cda_m2 < 0 else "higher"
    if best.resolved and best.delta_cda_m2 < 0:
        alone = "; with all pairs counted this is not resolved" if standing(best) == "alone" else ""
        return (
            f"“{label}” has the lowest drag: CdA {size} {way} ({span} m², {level}) than "
            f"{today}{alone}."
        )
    if best.resolved:
        return (
            f"No position tested has less drag than {today}; the nearest, “{label}”, "
            f"is {size} higher ({span} m², {level})."
        )
    return (
        f"Not resolved yet: “{label}” measured {size} {way} ({span} m², {level}) than {today}; "
        "this ride cannot tell whether it is lower or higher."
    )


def percent_level(level: float) -> str:
    """Return the level of an interval, "95 %"."""
    return f"{100.0 * level:g} %"


def tied_with(savings: Savings, position_id: str) -> list[str]:
    """Return the positions that the data cannot separate from this one, the reference apart."""
    pairs = [pair for pair in savings.undecided if position_id in pair]
    others = [b if a == position_id else a for a, b in pairs]
    return [other for other in others if other != savings.reference]


def undecided_words(savings: Savings) -> str | None:
    """Return the pairs whose minutes the test cannot tell apart, or None where it tells all."""
    if not savings.undecided:
        return None
    letter, many = letters(savings), len(savings.positions)
    equal = "Not decided does not mean equal."
    if many > 2 and len(savings.undecided) == many * (many - 1) // 2:
        return f"Not decided between any two of them. {equal}"
    against = [
        letter.get(a if b == savings.reference else b, "?")
        for a, b in savings.undecided
        if savings.reference in (a, b)
    ]
    others = [
        f"{letter.get(a, a)} and {letter.get(b, b)}"
        for a, b in savings.undecided
        if savings.reference not in (a, b)
    ]
    rows = [p for p in ordered(savings) if not p.reference]
    said = [f"Not decided against today: {', '.join(against)}."] if against else []
    if len(others) > MOST_PAIRS_NAMED:
        said.append(f"Not decided between {len(others)} pairs of the others.")
    elif others:
        said.append(f"Not decided between {', '.join(others)}.")
    told = [
        f"{letter.get(a.id, a.id)} before {letter.get(b.id, b.id)}"
        for k, a in enumerate(rows)
        for b in rows[k + 1 :]
        if (a.id, b.id) not in savings.undecided and (b.id, a.id) not in savings.undecided
    ]
    if told and len(told) <= MOST_PAIRS_NAMED:
        said.append(f"Decided, each pair by itself: {', '.join(told)}.")
    return " ".join([*said, equal])


def _label(savings: Savings, position_id: str) -> str:
    return next((p.label for p in savings.positions if p.id == position_id), position_id)


def ledger_label(line: LedgerLine) -> str:
    """Return the name of a line of the ledger for people."""
    return shown(line.label or LEDGER_LABELS.get(line.item, line.item))


def ledger_range(line: LedgerLine) -> str:
    """Return the range a line of the ledger is worth."""
    return saving_interval((line.saved_low_s, line.saved_high_s))


def total_words(savings: Savings) -> str | None:
    """Return first decided position plus ledger as a range, or None where there is neither."""
    first = next(
        (p for p in ordered(savings) if not p.reference and is_decided(p) and p.saved_s > 0), None
    )
    if not savings.ledger:
        return None
    low = sum(line.saved_low_s for line in savings.ledger)
    high = sum(line.saved_high_s for line in savings.ledger)
    if savings.total is not None:  # what JSON says is what is said here
        low, high = savings.total.saved_low_s, savings.total.saved_high_s
    elif first is not None:
        low, high = low + first.saved_interval_s[0], high + first.saved_interval_s[1]
    if first is None:
        return (
            f"The ledger alone comes to {saving_interval((low, high))}; "
            "no position is decided to be faster, so none is added."
        )
    return (
        f"“{shown(first.label)}” and the ledger together come to {saving_interval((low, high))} "
        f"against “{shown(_label(savings, savings.reference))}” "
        "(ends added up; positions are never added to each other)."
    )


def sentences(savings: Savings) -> dict[str, str]:
    """Return one sentence a position, by its id, that a coach can act on."""
    first = next((e.id for e in savings.order if e.kind == "position"), None)
    return {
        p.id: position_sentence(
            p, savings.level, _label(savings, savings.reference), first=p.id == first
        )
        for p in savings.positions
    }


def position_sentence(
    position: PositionSavings, level: float, reference_label: str, *, first: bool
) -> str:
    """Return what to do with one position, what it brings against the reference, at what price."""
    name, today = f"“{shown(position.label)}”", f"“{shown(reference_label)}”"
    if position.reference:
        return (
            f"{name} is how the athlete rides today: {clock_length(position.time_s)} for the "
            "bike; all minutes are against it."
        )
    span = f"({saving_interval(position.saved_interval_s)}, {percent_level(level)})"
    size = amount_like(position.saved_s, position.saved_interval_s)
    gain = saving(position.saved_s, like=position.saved_interval_s)
    held = (
        f"if held for {share(position.hold_share)} of the ride"
        if position.hold_share is not None
        else "if it can be held for the whole ride"
    )
    if not is_decided(position):
        verdict = (
            "is not known to differ from" if position.decided is None else "is not decided against"
        )
        return f"{name} {verdict} {today}: as measured it {gain} {span} {held}{_price(position)}."
    if position.saved_s <= 0.0:
        return f"Leave {name}: it {gain} {span} against {today}, {held}."
    start = f"Practise {name} first" if first else f"Or choose {name}"
    return f"{start}: {size} {span} faster than {today} {held}{_price(position)}."


def _price(position: PositionSavings) -> str:
    if position.break_even_power_w is None or position.break_even_power_w <= 0.0:
        return ""
    watts = f"; worth it as long as it costs less than {fixed(position.break_even_power_w, 1)} W"
    if position.power_cost_w is None:
        return f"{watts} (cost unknown)"
    return f"{watts} ({fixed(position.power_cost_w, 1)} W is counted)"


def more_runs_words(more_runs: Mapping[str, object] | None) -> str:
    """Return how many runs would show a difference as large as it looks, in words."""
    if more_runs is None:
        return "how many runs would decide it is not known"
    often, oftener = (more_runs.get(f"runs_each_for_{k}_percent_power") for k in (80, 90))
    if often is None:
        return "no sensible number of such runs would decide it"
    return (
        f"about {often} runs of each in all (those ridden counted), as good as these, would decide "
        "a difference as large as it looks with a probability of 80 %, "
        + ("no sensible number" if oftener is None else f"about {oftener}")
        + " with 90 %"
    )
