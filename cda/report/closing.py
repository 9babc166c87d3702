"""The end of the page: method, glossary, cautions, and what it takes to make it again."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cda.report.blocks import Block, Fold, Items, Part, Table, Text
from cda.results.numbers import shown
from cda.results.words import percent_level

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from cda.results import Estimate, Savings

SOURCES = (
    "J. C. Martin, D. L. Milliken, J. E. Cobb, K. L. McFadden and A. R. Coggan, Validation of a "
    "mathematical model for road cycling power, Journal of Applied Biomechanics 14 (1998) "
    "276-291, doi 10.1123/jab.14.3.276: the power-speed equation.",
    "A. Picard, R. S. Davis, M. Gläser and K. Fujii, Revised formula for the density of moist air "
    "(CIPM-2007), Metrologia 45 (2008) 149-155, doi 10.1088/0026-1394/45/2/004.",
    "JCGM 100:2008, Guide to the expression of uncertainty in measurement: the budget.",
    "H. D. Patterson and R. Thompson, Recovery of inter-block information when block sizes are "
    "unequal, Biometrika 58 (1971) 545-554, doi 10.1093/biomet/58.3.545: variance components "
    "(REML).",
    "F. E. Satterthwaite, An approximate distribution of estimates of variance components, "
    "Biometrics Bulletin 2 (1946) 110-114, doi 10.2307/3002019: degrees of freedom.",
)
GLOSSARY = (
    ("CdA", "Drag area: drag coefficient times frontal area, in m². Less is faster."),
    ("Crr", "Rolling resistance: rolling force over weight."),
    ("Leg", "One crossing of the timed stretch, out or back. A run holds at least one each way."),
    ("Gate", "End of the timed stretch, the same for all legs; A is crossed first."),
    (
        "Virtual elevation",
        "The height the road would need to have if the assumed CdA were right. Set against the "
        "real road, it shows whether CdA fits.",
    ),
    ("Closing error", "How far virtual and real height are apart where a leg ends."),
    (
        "Interval (95 %)",
        "Made so that it holds the truth 95 times in 100.",
    ),
    (
        "Standard uncertainty (k = 1)",
        "One standard deviation of what the value may be off by; dof are its degrees of freedom.",
    ),
    (
        "Not resolved, not decided",
        "This test cannot tell which has less drag or is faster. It does not mean equal.",
    ),
    (
        "As the only pair asked",
        "Resolved if this pair alone had been of interest. Where many pairs are looked at, one of "
        "20 looks different by chance; the intervals for all pairs and the adjusted p allow for "
        "that.",
    ),
    ("Smallest resolvable", "The difference that a test like this one shows 8 times in 10."),
    ("Today's position", "The reference: how the athlete rides now. Minutes are against it."),
    ("Ledger", "The other free time, as ranges from the race file's own inputs."),
    ("Worth it up to", "What holding the position may cost at the pedals before its gain is gone."),
)
CAUTIONS = (
    "This page gives no medical, fitting or road-safety advice; local law, event rules and "
    "qualified people come first.",
    "See ahead at all times: a lowered head hides the road. Traffic-free or closed road, helmet "
    "on, lights as local law asks; a helper at the turn where others use the road; look behind "
    "before every U-turn. Two people, a phone, someone who knows where you are.",
    "Not in low sun, on wet or icy road, in fog or failing light, nor in gusty crosswind. Hands "
    "leave the brakes on aero bars: try each position first on a trainer, then at easy pace. Check "
    "bolts after every change. Press the lap button only with the head up and the road empty, or "
    "not at all.",
    "Stop on pain, numbness, tingling hands, dizziness, blurred sight or neck strain; have "
    "positions set by a qualified fitter or clinician. Minors only with a guardian's consent.",
    "Hold a position in the race only as long as the way ahead can be seen and the event's rules "
    "allow it. The ledger's speeds for turns and descents are arithmetic, not advice; practise on "
    "closed ground. Open-water practice never alone.",
)
PRIVATE_KEYS = ("gate_a", "gate_b", "latitude", "longitude", "start", "end")


def method(estimate: Estimate, savings: Savings | None) -> Part:
    """Return the method in half a page, with its sources and a glossary."""
    paragraphs = [
        "Each leg is an energy account between two fixed gates: the work at the wheel pays for "
        "speed, height, rolling, bearings and air. With everything but height on one side and "
        "divided by weight, the account gives the virtual elevation of the leg. All legs cross the "
        "same road, in both directions; one CdA a position, the shared height of the road, the "
        "wind along it and the rolling resistance are estimated together, with the altimeter, the "
        "weather reading and what was believed of each instrument as priors. The ends of a leg "
        "weigh more than its middle, for they tell more of the gusts around it.",
        "The seconds of one leg are not independent. The uncertainty therefore comes from "
        "replication over legs and runs: variance components by restricted maximum likelihood, "
        "degrees of freedom by Satterthwaite's method, Student's t. The errors of masses, power "
        "meter, air, speed and rolling resistance are carried through apart from it (the budget); "
        "most of them cancel in a difference.",
        "CdA is taken as independent of yaw: what depends on yaw stays in the estimate. It belongs "
        "to this rider, bike, clothing and kind of wind, not to a wind tunnel.",
    ]
    if any(s.course_kind != "out-and-back" for s in estimate.sessions):
        paragraphs.insert(
            1,
            "On laps of a loop or track a leg is a lap, or some whole laps: it ends at the height "
            "it began at, and the mean wind along its way is zero, so neither is estimated. The "
            "square of the wind stays: it is taken from the reading, or from a usual range, with "
            "the loop's shape and the rider's speed. On a track the rider leans: the body's way is "
            "shorter than the wheels', and the tyres carry more.",
        )
    if savings is not None:
        paragraphs.append(
            "Race times come from the same equation and the joint distribution of all estimates, "
            "so errors common to test and race cancel in the minutes. The first of several noisy "
            "positions is overstated on average; the corrected value allows for it."
        )
    return Part(
        id="method",
        title="Method",
        blocks=(
            *(Text(text=p) for p in paragraphs),
            Fold(summary="Sources", blocks=(Items(items=SOURCES),)),
            Fold(summary="Glossary", blocks=(Items(terms=GLOSSARY),)),
        ),
    )


def cautions() -> Part:
    """Return the cautions."""
    return Part(id="cautions", title="Cautions", blocks=(Items(items=CAUTIONS),))


def again(estimate: Estimate, savings: Savings | None) -> Part:
    """Return settings, software and file hashes, so that the page can be made again."""
    rows = list(_flat(estimate.settings))
    if savings is not None and savings.settings:
        rows += [(f"race.{key}", value) for key, value in _flat(savings.settings)]
    level = percent_level(estimate.level)
    blocks: list[Block] = [
        Text(text=f"Made with cda {shown(estimate.cda_version)}. Intervals: {level}."),
        Fold(
            summary=f"Settings used ({len(rows)})",
            blocks=(
                Table(
                    caption=(
                        "Settings by section, as the files name them; places are left out on "
                        "purpose"
                    ),
                    head=("Section", "Settings"),
                    rows=_by_section(rows),
                    small=True,
                ),
            ),
        ),
        Fold(
            summary="Files and software",
            blocks=(
                Table(
                    caption="Files read",
                    small=True,
                    head=("File", "SHA-256"),
                    rows=tuple((shown(f.name), shown(f.sha256)) for f in estimate.inputs),
                ),
                Text(
                    text="Software: "
                    + ", ".join(f"{shown(k)} {shown(v)}" for k, v in estimate.software.items())
                    + "."
                ),
            ),
        ),
    ]
    return Part(id="again", title="To make this page again", blocks=tuple(blocks))


def _by_section(rows: Sequence[tuple[str, str]]) -> tuple[tuple[str, str], ...]:
    """Return a row a section: its settings in a line, where from once for all that share it."""
    sections: dict[str, dict[str, list[str]]] = {}
    for name, value in rows:
        section, _, key = name.rpartition(".")
        text, bracket, source = value.rpartition(" (")
        known = bracket and source in ("file)", "default)", "option)")
        where = f"from {source[:-1]}" if known and source != "default)" else "defaults"
        sections.setdefault(section or "general", {}).setdefault(where if known else "", []).append(
            f"{key or name} {text if known else value}"
        )
    return tuple(
        (
            section,
            " · ".join(
                f"{where}: {', '.join(said)}" if where else ", ".join(said)
                for where, said in by_source.items()
            ),
        )
        for section, by_source in sections.items()
    )


def _flat(settings: Mapping[str, object], stem: str = "") -> list[tuple[str, str]]:
    rows: list[tuple[str, str]] = []
    for key, value in settings.items():
        name = f"{stem}.{key}" if stem else str(key)
        if any(str(key).lower().startswith(private) for private in PRIVATE_KEYS):
            rows.append((shown(name), "given, not shown" if value is not None else "not given"))
        elif isinstance(value, dict) and set(value) == {"value", "source"}:
            given = _flat({key: value["value"]}, stem)
            source = shown(value["source"])
            rows += [(where, f"{text} ({source})") for where, text in given]
        elif isinstance(value, dict):
            rows += _flat(value, name)
        elif isinstance(value, list | tuple) and any(isinstance(x, dict) for x in value):
            for index, entry in enumerate(value):
                rows += _flat(
                    entry if isinstance(entry, dict) else {"value": entry}, f"{name}[{index}]"
                )
        else:
            text = "not given" if value is None else shown(value)
            rows.append((shown(name), text or "empty"))
    return rows
