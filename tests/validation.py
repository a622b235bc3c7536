"""What the kit gives for each published case, beside what the source prints: `python tests/validation.py docs/validation.md`."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pandas as pd

from kit.life import fit_weibull

REFERENCES = Path(__file__).parent / "data" / "references"
STATUS = {"S": "read in a copy", "M": "from memory"}


def _data(case):
    return pd.read_csv(next(REFERENCES.glob(f"{case}_*.csv")))


def _of_fit(fit):
    """Quantities that every fitted life has, by their names in expected.csv."""
    return {
        "eta": fit.scale,
        "beta": fit.shape,
        "loglik": fit.log_likelihood,
        "se_eta": fit.standard_error("scale"),
        "se_beta": fit.standard_error("shape"),
    }


def _failures(rows, age, failed, **more):
    return fit_weibull(lower=rows[age], upper=np.where(failed, rows[age], np.inf), **more)


def part_cracking():
    """Case A1."""
    rows = _data("A1")
    fit = fit_weibull(lower=rows["lower_months"], upper=rows["upper_months"], count=rows["count"])
    return _of_fit(fit) | {"B10_life_months": fit.quantile(0.1), "F_24_months": 1 - fit.survival(24.0)}


def nephropathy():
    """Case A4."""
    rows = _data("A4")
    fit = fit_weibull(lower=rows["left_years"], upper=rows["right_years"], count=rows["count"])
    return {f"all_{name}": value for name, value in _of_fit(fit).items()}


def ball_bearings():
    """Case B2."""
    rows = _data("B2")
    fit = _failures(rows, "million_revolutions", np.ones(len(rows), bool))
    return _of_fit(fit) | {"B10": fit.quantile(0.1)}


def bearing_cages():
    """Case B4."""
    rows = _data("B4")
    fit = _failures(rows, "hours", rows["failed"] == 1, count=rows["count"])
    low, high = fit.quantile_bounds(0.1, method="profile")
    return _of_fit(fit) | {
        "B10_hours": fit.quantile(0.1),
        "B10_LR_lower95": low,
        "B10_LR_upper95": high,
        "F_8000_hours": 1 - fit.survival(8000.0),
    }


def diesel_fans():
    """Case B7."""
    rows = _data("B7")
    more = {"count": rows["count"]}
    fit = _failures(rows, "hours", rows["failed"] == 1, **more)
    mean = _failures(rows, "hours", rows["failed"] == 1, shape=1.0, **more).scale
    return _of_fit(fit) | {"exponential_mean_hours": mean}


CASES = {"A1": part_cracking, "A4": nephropathy, "B2": ball_bearings, "B4": bearing_cages, "B7": diesel_fans}


def validation_rows():
    """One row a reference value: case, quantity, published, status, exact, obtained, difference, tolerance."""
    expected = pd.read_csv(REFERENCES / "expected.csv").set_index(["case", "quantity"])
    out = []
    for case, make in CASES.items():
        for quantity, obtained in make().items():
            row = expected.loc[(case, quantity)]
            out.append(
                {
                    "case": case,
                    "quantity": quantity,
                    "published": "" if pd.isna(row["published"]) else str(row["published"]),
                    "status": STATUS.get(row["published_status"], ""),
                    "exact": float(row["expected"]),
                    "obtained": float(obtained),
                    "tolerance": float(row["tol_abs"]),
                    "note": "" if pd.isna(row["note"]) else str(row["note"]),
                }
            )
    return out


def origins():
    """Where the data of each case are from, as the page of the references says."""
    lines = (REFERENCES / "README.md").read_text(encoding="utf-8").splitlines()
    cells = [[cell.strip() for cell in line.strip("|").split("|")] for line in lines if line.startswith("| ")]
    return {row[0]: row[1] for row in cells}


def page():
    """The page in Markdown; numbers as far as the tolerance of each tells them apart, so that machines agree."""
    origin = origins()
    lines = [
        "# Validation",
        "",
        "Made by `python tests/validation.py docs/validation.md`; do not edit by hand. A test holds each row within its tolerance and",
        "this page current.",
        "",
        "**published** is what the source prints, **exact** the recomputation of that case outside the kit, to full precision,",
        "**obtained** what the kit gives, **difference** obtained less exact: 0 where it is below half of the last digit shown.",
        "More reference values than these, of other parts of the kit, are held by the tests named after their sources; they and",
        "their origins stand in `tests/data/references/`.",
        "",
    ]
    rows = validation_rows()
    for case in CASES:
        lines += [f"## {case}: {origin[case]}", ""]
        lines += ["| quantity | published | how known | exact | obtained | difference | tolerance | note |"]
        lines += ["| --- | --- | --- | --- | --- | --- | --- | --- |"]
        for row in rows:
            if row["case"] == case:
                digits = max(int(np.ceil(-np.log10(row["tolerance"]))), 0)
                exact, obtained = round(row["exact"], digits), round(row["obtained"], digits)
                lines.append(
                    f"| {row['quantity']} | {row['published']} | {row['status']} | {exact:.{digits}f} | {obtained:.{digits}f} | "
                    f"{round(obtained - exact, digits) + 0.0:.{digits}f} | {row['tolerance']:g} | {row['note']} |"
                )
        lines.append("")
    return "\n".join(lines)


if __name__ == "__main__":
    Path(sys.argv[1]).write_text(page(), encoding="utf-8")
