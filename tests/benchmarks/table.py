"""Every number of speed and memory that the kit is held to, as measured, with a peer or a floor beside it, as a page.

Run as ``python tests/benchmarks/table.py docs/benchmarks.md``: runs what is not measured yet, one file of benchmarks at a time,
keeps each run's JSON in ``--keep`` (a folder, so that a run that was broken off goes on), and writes page and picture. Times are
processor time of one thread (``--benchmark-timer=time.process_time``), so that they hold on a machine that does other work too.
"""

from __future__ import annotations

import argparse
import io
import json
import platform
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import matplotlib as mpl
import numpy as np

from kit.findings import replace_bytes, replace_text

HERE = Path(__file__).parent
FILES = ("speed", "life", "detection", "growth", "loading", "regions", "ranking", "programmes", "commands", "sheets", "decisions", "scaling")  # fmt: skip


@dataclass(frozen=True)
class Row:
    """A number that the kit is held to."""

    work: str
    most: float
    """What must be reached [s]."""
    test: str
    key: str = ""
    """Of the figures that the benchmark gives beside its own time; blank: its time."""
    peak: float | None = None
    """Most memory [GiB]."""


ROWS = (
    Row("Weibull fit of 1,000,000 interval-censored, truncated histories, ages in whole hours", 0.2, "test_fit_of_a_million_truncated_histories[whole hours]"),
    Row("the same, fractional ages", 0.2, "test_fit_of_a_million_truncated_histories[fractional]"),
    Row("1,000 bootstrap refits of 2,000 histories", 1, "test_a_thousand_bootstrap_refits_of_two_thousand_histories"),
    Row("1,000,000 findings with polygons and 5,000,000 looks loaded from Parquet and checked", 15, "test_loading_and_checking_findings_and_looks_from_parquet[1000000-5000000]", "processor_seconds", 3),
    Row("1,000,000 regions measured", 5, "test_measuring_regions"),
    Row("1,000,000 regions tracked against as many earlier ones", 20, "test_tracking_regions_against_as_many_earlier_ones[100]"),
    Row("20,000,000 looks to histories", 20, "test_histories_from_millions_of_looks[20000000]", peak=6),
    Row("20,000,000 looks and 1,000,000 findings ranked, once loaded", 30, "test_twenty_million_looks_and_a_million_finds_are_ranked"),
    Row("risk of 50 intervals under 500 joint draws of life, growth and POD", 1, "test_risk_of_50_intervals_for_500_joint_draws[0.0]"),
    Row("the same, a tenth of the damage on the far side", 1, "test_risk_of_50_intervals_for_500_joint_draws[0.1]"),
    Row("the same by quadrature, where growth and POD are known and life alone differs", np.inf, "test_risk_of_50_intervals_for_500_draws[0.0]"),
    Row("growth of 5,000 tracks, sizes as measured", np.inf, "test_fit_5000_tracks[0.0]"),
    Row("growth of 5,000 tracks, rounded sizes", 5, "test_fit_5000_tracks[5.0]"),
    Row("joint fit of onset, size and growth of 2,000 lives", 5, "test_joint_fit_of_2000_lives"),
    Row("POD of 600 trials with plateau, false calls and inspectors", 0.5, "test_hit_miss_with_plateau_floor_and_inspectors"),
    Row("1,000,000 panels ranked by present risk", 30, "test_a_million_panels_ranked"),
    Row("two programmes compared on the demo", 5, "test_two_programmes_on_the_demo"),
    Row("a forecast of the demo tried at ten year-ends", 60, "test_a_forecast_tried_at_ten_year_ends"),
    Row("tornado of a question of the demo", 30, "test_a_tornado_of_the_demo"),
    Row("`import kit`", 0.4, "test_a_cold_command[import kit]", "processor_seconds"),
    Row("one question of the demo decided, cold (`kit decide`)", np.inf, "test_a_cold_command[one question]", "processor_seconds"),
    Row("all questions of the demo decided, cold (two cores: about half of it passes)", 20, "test_a_cold_command[all questions]", "processor_seconds"),
    Row("a tap-test sheet of one panel", 1, "test_a_sheet_of_a_panel"),
    Row("sheets of a check of 25 panels", 10, "test_the_sheets_of_a_check_of_25_panels"),
    Row("a register of 10,000 decisions verified against a code", 5, "test_a_register_of_ten_thousand_records"),
)  # fmt: skip

WORDS = {
    "times_faster_than_surpyval": "{:,.0f} times faster than surpyval",
    "times_faster_than_surpyval on these": "{:,.1f} times faster than surpyval on 20,000 of them",
    "times_floor": "{:,.1f} times the floor",
    "times_plain": "{:,.0f} times the plain fit",
    "ratio to the floor": "{:,.1f} times the floor",
    "ratio of track to the floor": "{:,.1f} times the floor",
}
"""What stands beside a number, by the name that the benchmark gives it."""

SCALING = {
    "test_histories_from_looks": ("histories from looks", "o"),
    "test_a_weibull_fit_of_truncated_histories": ("Weibull fit of truncated histories", "s"),
    "test_finds_that_looks_of_zones_should_show": ("finds that looks should show (past 1,000,000 looks: a sample)", "^"),
}  # fmt: skip


def run_missing(keep: Path) -> None:
    """Run each file of benchmarks whose JSON is not there yet."""
    keep.mkdir(parents=True, exist_ok=True)
    for name in FILES:
        target = keep / f"{name}.json"
        if target.exists() and target.stat().st_size:
            continue
        command = [
            sys.executable,
            "-m",
            "pytest",
            str(HERE / f"test_{name}.py"),
            "--benchmark-only",
            "-n0",
            "-q",
            "-m",
            "long or not long",
        ]
        command += ["-p", "no:cacheprovider", "--benchmark-timer=time.process_time", f"--benchmark-json={target}"]  # fmt: skip
        subprocess.run(command, check=False)


def measured(keep: Path) -> dict[str, dict]:
    """Every benchmark that was run, by its name."""
    out = {}
    for path in sorted(keep.glob("*.json")):
        if path.stat().st_size:
            out |= {one["name"]: one for one in json.loads(path.read_text())["benchmarks"]}
    return out


def _seconds(value: float) -> str:
    return f"{value:.2g} s" if value < 10 else f"{value:.1f} s"


def _cells(row: Row, runs: dict[str, dict]) -> list[str]:
    most = (
        "" if not np.isfinite(row.most) else f"{row.most:g} s" + (f", {row.peak:g} GiB" if row.peak else "")
    )
    if row.test not in runs:
        return [row.work, most, "not measured", "", ""]
    one = runs[row.test]
    extra = one["extra_info"]
    value = extra[row.key] if row.key else one["stats"]["median"]
    said = _seconds(value)
    holds = value <= row.most
    if row.peak:
        said += f", {extra['peak_gib']:.2f} GiB"
        holds &= extra["peak_gib"] <= row.peak
    beside = "; ".join(words.format(extra[key]) for key, words in WORDS.items() if key in extra)
    return [row.work, most, said, "" if not most else "yes" if holds else "**no**", beside]


def picture(runs: dict[str, dict]) -> bytes:
    """Draw cost against size, in black and white."""
    from matplotlib.figure import Figure

    with mpl.rc_context({"font.size": 9, "svg.hashsalt": "kit"}):
        figure = Figure(figsize=(6.4, 4.0), layout="constrained")
        axes = figure.subplots()
        for name, (label, marker) in SCALING.items():
            rows = sorted((int(key.split("[")[1][:-1]), one["stats"]["median"]) for key, one in runs.items() if key.startswith(f"{name}["))  # fmt: skip
            if rows:
                size, seconds = np.array(rows).T
                axes.loglog(size, seconds, marker=marker, color="black", label=label, lw=1)
        ends = np.array([1e4, 1e7])
        axes.loglog(ends, ends * 4e-7, color="grey", ls="--", lw=1, label="as the rows grow")
        axes.set_xlabel("rows [-]")
        axes.set_ylabel("processor time [s]")
        axes.grid(alpha=0.3)
        figure.legend(frameon=False, loc="outside upper left", ncols=1)
        out = io.BytesIO()
        figure.savefig(out, format="png", dpi=150, metadata={"Software": None})
    return out.getvalue()


def page(runs: dict[str, dict]) -> str:
    """Write what was measured."""
    lines = [
        "# What the kit costs",
        "",
        "Made by `python tests/benchmarks/table.py docs/benchmarks.md`: the benchmarks of `tests/benchmarks`, run file by file on one machine",
        f"({platform.machine()}, Python {platform.python_version()}, numpy {np.__version__}).",
        "Times are processor time of one thread, since other work ran beside; what passes on the clock of a quiet machine is no more.",
        "A floor or a peer was taken in the same run: the floor is what the work cannot do without (one sort of the looks, one reading of the",
        "files, one pass over the outlines). Machines differ: read the ratios, and the last column but one against the machine.",
        "",
        "| work | must reach | measured | holds | beside |",
        "| --- | --- | --- | --- | --- |",
        *("| " + " | ".join(_cells(row, runs)) + " |" for row in ROWS),
        "",
        "## Cost against size",
        "",
        "![Processor time against the number of rows](images/cost_against_size.png)",
        "",
    ]  # fmt: skip
    names = list(SCALING)
    sizes = sorted({int(key.split("[")[1][:-1]) for key in runs if key.split("[")[0] in names})
    lines += [
        "| rows | " + " | ".join(SCALING[name][0] for name in names) + " |",
        "| ---: |" + " ---: |" * len(names),
    ]
    for size in sizes:
        cells = [runs.get(f"{name}[{size}]") for name in names]
        lines.append(
            f"| {size:,} | "
            + " | ".join("" if one is None else _seconds(one["stats"]["median"]) for one in cells)
            + " |"
        )
    slopes = []
    for name in names[:2]:
        cost = [
            (size, runs[f"{name}[{size}]"]["stats"]["median"]) for size in sizes if f"{name}[{size}]" in runs
        ]
        if len(cost) > 1:
            size, seconds = np.log(np.array(cost)).T
            slopes.append(f"{SCALING[name][0]} {np.polyfit(size, seconds, 1)[0]:.2f}")
    lines += [
        "",
        f"Power of the number of rows with which cost rises (1: as the rows): {', '.join(slopes)}.",
        "",
    ]
    return "\n".join(lines)


def main() -> None:
    """Measure what is missing, and write page and picture."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("page", type=Path, help="where the page goes; its picture goes to images beside it")
    parser.add_argument(
        "--keep", type=Path, help="folder of the runs; default: beside the page, named after it"
    )
    parser.add_argument("--no-run", action="store_true", help="write the page of what is kept")
    given = parser.parse_args()
    keep = given.keep or given.page.with_suffix(".runs")
    if not given.no_run:
        run_missing(keep)
    runs = measured(keep)
    replace_bytes(given.page.parent / "images" / "cost_against_size.png", picture(runs))
    replace_text(given.page, page(runs))


if __name__ == "__main__":
    main()
