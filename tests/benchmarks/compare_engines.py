"""How general libraries do on the kind of data that periodic looks give, each case in a process of its own.

Run as ``python tests/benchmarks/compare_engines.py docs/engines.md``. lifelines needs pandas 2, and so a virtual
environment of its own: name its Python in KIT_PEER_PYTHON, and it is run there; without, its column is left out.
Times are of one machine; read their ratios.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from pathlib import Path

import numpy as np

INF = float("inf")
SEED = 1


def every_600(found: dict[float, int], clean: dict[float, int]) -> dict[str, list[float]]:
    """Finds by the age at which they were found, and lives by their last clean age; looks each 600 h."""
    ages = list(found) + list(clean)
    return {
        "lower": [max(a - 600.0, 0.0) for a in found] + list(clean),
        "upper": list(found) + [INF] * len(clean),
        "count": [*found.values(), *clean.values()],
        "entry": [0.0] * len(ages),
    }


def fleet(
    n: int, *, scale: float = 9000.0, shape: float = 2.2, late: bool = False, unit: float = 1.0
) -> dict[str, list[float]]:
    """Lives with a look each 600 h at a phase of their own, in whole hours."""
    rng = np.random.default_rng(SEED)
    onset, phase = scale * rng.weibull(shape, n), rng.integers(1, 601, n).astype(float)
    entry = np.where(rng.random(n) < 0.4, rng.integers(1, 4801, n), 0.0) if late else np.zeros(n)
    keep = onset > entry
    onset, phase, entry = onset[keep], phase[keep], entry[keep]
    stop = phase + 600 * (np.ceil(np.maximum(entry - phase, 0) / 600) + rng.integers(1, 15, onset.size))
    before = np.floor((onset - phase) / 600)
    lower = np.maximum(np.where(before < 0, 0.0, phase + before * 600), entry)
    upper = phase + (before + 1) * 600
    found = (upper <= stop) & (~np.full(onset.size, late) | (lower > entry))
    lower, upper = np.where(found, lower, np.maximum(stop, entry + 1)), np.where(found, upper, INF)
    ages = {name: (x * unit).tolist() for name, x in (("lower", lower), ("upper", upper), ("entry", entry))}
    return ages | {"count": [1] * lower.size}


def deep() -> dict[str, list[float]]:
    """Shape 8, entry at 1.4 to 1.7 times the scale."""
    rng = np.random.default_rng(SEED)
    entry = rng.uniform(14_000, 17_000, 400).round()
    hazard = (entry / 10_000) ** 8 + rng.exponential(size=400)
    onset = 10_000 * hazard ** (1 / 8)
    lower = np.maximum(np.floor(onset / 50) * 50, entry + 1)
    return {
        "lower": lower.tolist(), "upper": (np.floor(onset / 50) * 50 + 50 + 1).tolist(), "count": [1] * 400,
        "entry": entry.tolist(),
    }  # fmt: skip


CASES = {
    "no finds": lambda: every_600({}, {6000.0: 500}),
    "one find in 500": lambda: every_600({4200.0: 1}, {6000.0: 499}),
    "60 finds in one interval, survivors beyond": lambda: every_600({2400.0: 60}, {6000.0: 440}),
    "60 finds in one interval, none beyond": lambda: every_600({3000.0: 60}, {2400.0: 440}),
    "all 500 in one interval": lambda: every_600({3000.0: 500}, {}),
    "all found at the first look": lambda: every_600({600.0: 500}, {}),
    "status seen once": lambda: {
        "lower": [0.0, 0.0, 0.0, 1000.0, 3000.0, 6000.0], "upper": [1000.0, 3000.0, 6000.0, INF, INF, INF],
        "count": [5, 30, 80, 160, 140, 85], "entry": [0.0] * 6,
    },
    "entry deep in the tail": deep,
    "ages of 1e6": lambda: fleet(2000, unit=1000.0),
    "shape 0.3": lambda: fleet(2000, shape=0.3),
    "shape 12": lambda: fleet(2000, shape=12.0),
    "left truncation": lambda: fleet(2000, late=True),
    "rows that stand for millions": lambda: every_600({600.0: 2_000_000, 1200.0: 5_000_000}, {6000.0: 90_000_000}),
}  # fmt: skip


def fit_kit(rows):
    from kit.life import NoFiniteMaximum, fit_weibull

    try:
        fit = fit_weibull(**rows)
    except NoFiniteMaximum as reason:
        return {"refused": str(reason)}
    return {"scale": fit.scale, "shape": fit.shape}


def fit_surpyval(rows):
    import surpyval

    fit = surpyval.Weibull.fit(
        xl=rows["lower"], xr=rows["upper"], n=rows["count"], tl=rows["entry"] if any(rows["entry"]) else None
    )
    return dict(zip(("scale", "shape"), map(float, fit.params), strict=True))


def fit_lifelines(rows):
    from lifelines import WeibullFitter

    fit = WeibullFitter().fit_interval_censoring(
        rows["lower"],
        rows["upper"],
        weights=rows["count"],
        entry=rows["entry"] if any(rows["entry"]) else None,
    )
    return {"scale": float(fit.lambda_), "shape": float(fit.rho_)}


def fit_scipy(rows):
    from scipy.optimize import minimize

    low, up, n, entry = (np.asarray(rows[name], float) for name in ("lower", "upper", "count", "entry"))

    def loss(p):
        s = [np.exp(-((x / np.exp(p[0])) ** np.exp(p[1]))) for x in (low, up, entry)]
        return -float(n @ (np.log(s[0] - s[1]) - np.log(s[2])))

    found = minimize(loss, [np.log(np.mean(low) + 1), 0.2], method="Nelder-Mead", options={"maxiter": 4000})
    if not found.success or not np.isfinite(found.fun):
        raise ValueError(found.message)
    return {"scale": float(np.exp(found.x[0])), "shape": float(np.exp(found.x[1]))}


ENGINES = {"kit": fit_kit, "surpyval": fit_surpyval, "scipy": fit_scipy, "lifelines": fit_lifelines}


def child(engine: str, case: str) -> None:
    """Fit one case and print the answer, its warnings counted."""
    import warnings

    rows = CASES[case]()
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        start = time.perf_counter()
        try:
            answer = ENGINES[engine](rows)
        except Exception as problem:
            answer = {"error": f"{type(problem).__name__}: {problem}"[:200]}
        answer["seconds"] = time.perf_counter() - start
        answer["warnings"] = len(caught)
    print(json.dumps(answer))  # noqa: T201


def run(engine: str, case: str) -> dict:
    """Fit one case in a process of its own."""
    python = os.environ.get("KIT_PEER_PYTHON") if engine == "lifelines" else sys.executable
    done = subprocess.run(
        [python, __file__, "--child", engine, case], capture_output=True, text=True, timeout=600, check=False
    )
    if done.returncode:
        return {"error": done.stderr.strip().splitlines()[-1][:200], "warnings": 0}
    return json.loads(done.stdout.strip().splitlines()[-1])


def verdict(answer: dict, right: dict) -> str:
    """Say in a word or two what an engine made of a case."""
    noise = " with warnings" if answer.get("warnings") else ", silent"
    if "refused" in answer or "error" in answer:
        return "refuses" if "scale" not in right else "refuses, though there is an answer"
    if "scale" not in right:
        return f"gives {answer['scale']:.4g}, {answer['shape']:.4g}{noise}"
    off = max(abs(answer[name] / right[name] - 1) for name in ("scale", "shape"))
    if not off < 1e-3:
        return f"wrong: {answer['scale']:.4g}, {answer['shape']:.4g}{noise}"
    return f"right to {off:.0e}" if off > 1e-12 else "right"


def main(target: str) -> None:
    """Write the page to a file."""
    engines = ["surpyval", "scipy"] + (["lifelines"] if os.environ.get("KIT_PEER_PYTHON") else [])
    lines = [
        f"| case | the kit | {' | '.join(engines)} |",
        f"| --- | --- |{' --- |' * len(engines)}",
    ]
    for case in CASES:
        right = run("kit", case)
        own = (
            f"{right['scale']:.5g}, {right['shape']:.4g}"
            if "scale" in right
            else "refuses: no finite maximum"
        )
        lines.append(
            f"| {case} | {own} | {' | '.join(verdict(run(engine, case), right) for engine in engines)} |"
        )
    page = Path(target)
    text = page.read_text(encoding="utf-8")
    begin, end = text.index("<!-- table -->") + len("<!-- table -->"), text.index("<!-- end of table -->")
    text = text[:begin] + "\n" + "\n".join(lines) + "\n" + text[end:]
    part = page.with_suffix(".part")
    part.write_text(text, encoding="utf-8", newline="\n")
    os.replace(part, page)


if __name__ == "__main__":
    child(*sys.argv[2:]) if sys.argv[1] == "--child" else main(sys.argv[1])
