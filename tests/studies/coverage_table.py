"""Tables and acceptance lines of the coverage study, from the rows of its store.

All standard errors are over sessions: the pairs of one session share their errors. The interval
score is that of Gneiting & Raftery (2007), J. Am. Stat. Assoc. 102, 359-378, equation 43,
:doi:`10.1198/016214506000001437`: the width of the 95 % interval plus 40 times what the truth
lies outside it; smaller is better.
"""

from __future__ import annotations

from collections import Counter
from typing import Any

import numpy as np

from tests.studies.scenarios import (
    BIAS_LIMIT_M2,
    GROUPS,
    NOT_POOLED,
    RMSE_LIMIT_M2,
    SCENARIOS,
    coverage_band,
)

Row = dict[str, Any]
VARIANTS = ("without the channel", "proposed runs left out")
SECONDS = "bound of every second"
BOOTSTRAP = 2000
REJECTED_AT = 2.576  # two-sided 1 % of the normal distribution


def cells(rows: list[Row], key: str, what: str) -> list[np.ndarray]:
    """Return error, se, dof, low, high of every session, shape (pairs, 5) each [m^2]."""
    return [np.array(r[key][what], dtype=float) for r in rows]


def mean_and_se(values: np.ndarray) -> tuple[float, float]:
    """Return the mean over sessions and its standard error; NaN with a single session."""
    se = values.std(ddof=1) / np.sqrt(len(values)) if len(values) > 1 else np.nan
    return float(values.mean()), float(se)


def covered(blocks: list[np.ndarray], level: float) -> np.ndarray:
    """Return the share of each session's intervals that hold the truth."""
    from scipy.stats import t as student

    if level == 0.95:
        return np.array([np.mean((b[:, 3] <= 0.0) & (b[:, 4] >= 0.0)) for b in blocks])
    half = 0.5 + level / 2
    return np.array(
        [np.mean(np.abs(b[:, 0]) <= student.ppf(half, b[:, 2]) * b[:, 1]) for b in blocks]
    )


def interval_score(blocks: list[np.ndarray]) -> float:
    """Return the mean interval score of 95 % intervals [m^2]."""
    scores = []
    for b in blocks:
        low, high = b[:, 3], b[:, 4]
        outside = np.maximum(low, 0.0) + np.maximum(-high, 0.0)
        scores.append(np.mean(high - low + 2.0 / 0.05 * outside))
    return float(np.mean(scores))


def squares(rows: list[Row], *path: str) -> np.ndarray:
    """Return each session's mean square error or variance [m^4]."""
    answers = []
    for r in rows:
        value: Any = r
        for key in path:
            value = value[key]
        if isinstance(value, float):
            answers.append(value)
        else:
            errors = np.array(value, dtype=float)
            answers.append(np.mean((errors if errors.ndim == 1 else errors[:, 0]) ** 2))
    return np.array(answers)


def root_mean(mean_squares: np.ndarray) -> str:
    """Return the root of the mean [m^2] as text, empty where there is no session."""
    return f"{np.sqrt(mean_squares.mean()):.4f}" if len(mean_squares) else ""


def ratio_with_interval(over: np.ndarray, under: np.ndarray) -> tuple[float, float, float]:
    """Return the ratio of two RMSEs of the same sessions, with its 95 % bootstrap interval."""
    rng = np.random.default_rng(1)
    draws = rng.integers(0, len(over), (BOOTSTRAP, len(over)))
    ratios = np.sqrt(over[draws].mean(axis=1) / under[draws].mean(axis=1))
    low, high = np.quantile(ratios, [0.025, 0.975])
    return float(np.sqrt(over.mean() / under.mean())), float(low), float(high)


def variants_of(rows: list[Row], name: str) -> list[tuple[str, str, list[Row]]]:
    """Return the ways in which a scenario was estimated: label, key, sessions that have it."""
    mine = [r for r in rows if r["scenario"] == name and "estimate" in r]
    answer = [(name, "estimate", mine)] if mine else []
    for variant in VARIANTS:
        having = [r for r in mine if variant in r]
        if having and (variant != VARIANTS[1] or name in NOT_POOLED):
            answer.append((f"{name}, {variant}", variant, having))
    return answer


def with_oracle(rows: list[Row]) -> list[Row]:
    """Return the sessions in which it was worked out what could be known at best."""
    return [r for r in rows if "oracle" in r["reference"]]


def main_table(rows: list[Row]) -> str:
    """Return the table of errors of differences and of what could be known at best."""
    lines = [
        "| scenario | sessions | RMSE diff [m²] | mark | ratio (95 % bootstrap) | bound, legs "
        "| bound, seconds | oracle | cover 95 % | cover 80 % | mean width | interval score |",
        "|---|---|---|---|---|---|---|---|---|---|---|---|",
    ]
    for name in SCENARIOS:
        failed = sum(r["scenario"] == name and "error" in r for r in rows)
        for label, key, mine in variants_of(rows, name):
            blocks = cells(mine, key, "differences")
            mine_sq = squares(mine, key, "differences")
            mark = squares(mine, "reference", "mark", "differences")
            ratio, low, high = ratio_with_interval(mine_sq, mark)
            c95, se95 = mean_and_se(covered(blocks, 0.95))
            c80, se80 = mean_and_se(covered(blocks, 0.80))
            width = np.mean([np.mean(b[:, 4] - b[:, 3]) for b in blocks])
            inner = [r for r in mine if SECONDS in r["reference"]]
            second = ""
            if inner:
                variance = squares(inner, "reference", SECONDS, "differences").mean()
                second = f"{np.sqrt(variance):.4f}"
            told = with_oracle(mine)
            bound = root_mean(squares(told, "reference", "bound", "differences"))
            if name in GROUPS["airspeed"] and key == "estimate":
                bound, second = "", ""  # they know nothing of the channel
            oracle = root_mean(squares(told, "reference", "oracle", "differences"))
            failures = f" ({failed} failed)" if failed and key == "estimate" else ""
            lines.append(
                f"| {label} | {len(mine)}{failures} | {np.sqrt(mine_sq.mean()):.4f} "
                f"| {np.sqrt(mark.mean()):.4f} | {ratio:.3f} ({low:.3f}–{high:.3f}) | {bound} "
                f"| {second} | {oracle} | {100 * c95:.1f} ± {100 * se95:.1f} "
                f"| {100 * c80:.1f} ± {100 * se80:.1f} | {width:.4f} "
                f"| {interval_score(blocks):.4f} |"
            )
    return "\n".join(lines)


def cda_table(rows: list[Row]) -> str:
    """Return the table of absolute CdA and the bias of differences."""
    lines = [
        "| scenario | bias CdA [m²] | RMSE CdA | mark bias | mark RMSE | oracle RMSE | bound | "
        "cover 95 % | cover 80 % | mean width | interval score | bias diff |",
        "|---|---|---|---|---|---|---|---|---|---|---|---|",
    ]
    for name in SCENARIOS:
        for label, key, mine in variants_of(rows, name):
            blocks = cells(mine, key, "positions")
            bias, bias_se = mean_and_se(np.array([b[:, 0].mean() for b in blocks]))
            c95, se95 = mean_and_se(covered(blocks, 0.95))
            c80, se80 = mean_and_se(covered(blocks, 0.80))
            mark = np.array([np.mean(r["reference"]["mark"]["positions"]) for r in mine])
            # Against the reference, later minus earlier: the sign is the file's order.
            pairs = cells(mine, key, "differences")
            diff, diff_se = mean_and_se(np.array([b[:, 0].mean() for b in pairs]))
            told = with_oracle(mine)
            root = [
                root_mean(squares(having, *path))
                for having, path in (
                    (mine, (key, "positions")),
                    (mine, ("reference", "mark", "positions")),
                    (told, ("reference", "oracle", "positions")),
                    (told, ("reference", "bound", "positions")),
                )
            ]
            width = np.mean([np.mean(b[:, 4] - b[:, 3]) for b in blocks])
            lines.append(
                f"| {label} | {bias:+.4f} ± {bias_se:.4f} | {root[0]} | {mark.mean():+.4f} "
                f"| {root[1]} | {root[2]} | {root[3]} "
                f"| {100 * c95:.1f} ± {100 * se95:.1f} | {100 * c80:.1f} ± {100 * se80:.1f} "
                f"| {width:.4f} | {interval_score(blocks):.4f} | {diff:+.4f} ± {diff_se:.4f} |"
            )
    return "\n".join(lines)


def acceptance(rows: list[Row]) -> str:
    """Return a table of the coverage asked for, a row a scenario, and lines on all other bounds."""
    lines = [
        "| scenario | asked [%] | differences [%] | | CdA [%] | |",
        "|---|---|---|---|---|---|",
    ]
    pooled: dict[str, list[tuple[float, float]]] = {"differences": [], "positions": []}
    for name in SCENARIOS:
        low, high = coverage_band(name)
        tested = name not in GROUPS["unlike"]
        for label, key, mine in variants_of(rows, name):
            texts = [label, f"{100 * low:.0f} to {100 * high:.0f}"]
            for what, shares in pooled.items():
                share, se = mean_and_se(covered(cells(mine, key, what), 0.95))
                if name in GROUPS["calibration"] and key == "estimate" and name not in NOT_POOLED:
                    shares.append((share, se))
                rejected = tested and se > 0.0 and abs(share - 0.95) > REJECTED_AT * se
                verdict = "met" if low <= share <= high and not rejected else "NOT MET"
                if rejected:
                    verdict += ", 95 % rejected"
                texts += [f"{100 * share:.1f} ± {100 * se:.1f}", verdict]
            lines.append(f"| {' | '.join(texts)} |")
    if pooled["positions"]:
        texts = [f"{len(pooled['positions'])} scenarios pooled", "94.5 to 95.5"]
        for shares in pooled.values():
            share = float(np.mean([p[0] for p in shares]))
            se = float(np.sqrt(np.sum([p[1] ** 2 for p in shares])) / len(shares))
            verdict = "met" if 0.945 <= share <= 0.955 else "NOT MET"
            texts += [f"{100 * share:.2f} ± {100 * se:.2f}", verdict]
        lines.append(f"| {' | '.join(texts)} |")
    return "\n".join(["\n".join(lines), "", *_errors(rows)])


def _errors(rows: list[Row]) -> list[str]:
    """Return the lines on the mark, on bias, and on the airspeed channel."""
    lines = []
    ratios, above, inside, headroom = [], [], [], []
    for name in GROUPS["calibration"]:
        for _, key, mine in variants_of(rows, name)[:1]:
            ratio, low, _ = ratio_with_interval(
                squares(mine, key, "differences"),
                squares(mine, "reference", "mark", "differences"),
            )
            ratios.append(ratio)
            both = [r for r in mine if SECONDS in r["reference"]]
            if both and with_oracle(mine):
                seconds = squares(both, "reference", SECONDS, "differences").mean()
                totals = squares(both, "reference", "bound", "differences").mean()
                inside.append(np.sqrt(seconds / totals))
                whole = squares(with_oracle(mine), "reference", "bound", "differences").mean()
                mark = squares(mine, "reference", "mark", "differences").mean()
                headroom.append(inside[-1] * np.sqrt(whole / mark))
            if low > 1.0:
                above.append(name)
    if ratios:
        mean = _geometric(ratios)
        lines.append(
            f"- {_mark(mean <= 0.85)} RMSE of differences over the mark, geometric mean of "
            f"{len(ratios)} scenarios: {mean:.3f} (aim: 0.85)"
        )
        lines.append(
            f"- {_mark(not above)} scenarios above the mark beyond their interval: "
            f"{', '.join(above) or 'none'}"
        )
    if inside:
        lines.append(
            f"- the bound of every second (road, variances known) lies at {_geometric(inside):.3f} "
            f"of the bound of leg totals and at {_geometric(headroom):.3f} of the mark's RMSE "
            "(geometric means): so much is to be had inside the legs at all"
        )
    for name, limit in BIAS_LIMIT_M2.items():
        for _, key, mine in variants_of(rows, name)[:1]:
            bias, se = mean_and_se(
                np.array([b[:, 0].mean() for b in cells(mine, key, "positions")])
            )
            lines.append(
                f"- {_mark(abs(bias) <= limit + se)} bias of CdA, {name}: {bias:+.4f} ± {se:.4f} "
                f"m² (asked: within ± {limit:.4f} m² beyond its standard error)"
            )
    for name, limit in RMSE_LIMIT_M2.items():
        for _, key, mine in variants_of(rows, name)[:1]:
            mine_sq = squares(mine, key, "differences")
            rmse = float(np.sqrt(mine_sq.mean()))
            lines.append(
                f"- {_mark(rmse <= limit)} {name}: RMSE of differences {rmse:.4f} m² "
                f"(asked: at most {limit:.4f} m²)"
            )
            both = [r for r in mine if VARIANTS[0] in r]
            if both:
                ratio, low, high = ratio_with_interval(
                    squares(both, key, "differences"), squares(both, VARIANTS[0], "differences")
                )
                lines.append(
                    f"- {_mark(low <= 1.0)} {name}: RMSE over that without the channel {ratio:.3f} "
                    f"({low:.3f}–{high:.3f})"
                )
    return lines + _findings(rows)


def _findings(rows: list[Row]) -> list[str]:
    """Count the findings that must be there, and those that must not."""
    lines = []
    for name in SCENARIOS:
        mine = [r for r in rows if r["scenario"] == name and "findings" in r]
        if not mine:
            continue
        counts = Counter(code for r in mine for code in r["findings"])
        if SCENARIOS[name].order == "blocks":
            found = counts["order-confounded"]
            lines.append(
                f"- {_mark(found == len(mine))} {name}: `order-confounded` in {found} of "
                f"{len(mine)} sessions"
            )
        proposed = counts["run-spoiled"]
        if proposed or name in NOT_POOLED:
            lines.append(
                f"- {name}: a run is proposed to be left out in {proposed} of {len(mine)} sessions"
            )
    return lines


def _geometric(values: list[float]) -> float:
    return float(np.exp(np.mean(np.log(values))))


def _mark(good: bool) -> str:
    return "met:" if good else "NOT MET:"


def report(rows: list[Row]) -> str:
    """Return everything as text for RESULTS.md."""
    if not rows:
        return "The store holds none of these sessions."
    codes = Counter(r.get("code", "unknown") for r in rows)
    versions = ", ".join(f"{code} ({n})" for code, n in codes.items())
    cpu = float(np.mean([r["cpu_s"] for r in rows if "cpu_s" in r] or [np.nan]))
    errors = Counter(r["error"].splitlines()[0] for r in rows if "error" in r)
    parts = [
        f"{len(rows)} sessions; checksum of the estimator's code: {versions}; "
        f"{cpu:.2f} s of processor time an estimate.",
        main_table(rows),
        cda_table(rows),
        acceptance(rows),
    ]
    if errors:
        parts.append("\n".join(f"- failed {n} times: {text}" for text, n in errors.items()))
    return "\n\n".join(parts)
