"""Decide, write and re-run over and over: does the process grow?

Run as ``python tests/scale/soak.py 1000 docs/soak.md``: a fleet of a few aircraft is loaded and a question decided, its record written,
read back and run again, round after round. What the process holds, and what Python itself has given out, is read after each round; the
growth is the slope after the first fifth, in which pools and caches fill. The page says both.
"""

from __future__ import annotations

import argparse
import gc
import resource
import sys
import tempfile
import time
import tracemalloc
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

import numpy as np
from support import QUESTION, Hand

import kit
from kit.findings import load_fleet, replace_text
from kit.intervals import read_question

FEWEST_DRAWS = 50
LOOKS = (800, 1600, 2400)


@dataclass(frozen=True)
class Soaked:
    """What was held after each round."""

    resident: np.ndarray
    """Memory of the process [MiB]."""
    given: np.ndarray
    """Of that what Python has given out, where it was traced; else nan [MiB]."""
    seconds: float
    """Processor time of all rounds [s]."""

    @property
    def growth(self) -> float:
        """Slope of the resident memory after the first fifth of the rounds [MiB a round]."""
        return slope(self.resident)


def slope(held: np.ndarray) -> float:
    """Slope after the first fifth of the rounds [MiB a round]."""
    later = held[max(1, held.size // 5) :]
    return float(np.polyfit(np.arange(later.size), later, 1)[0])


def resident_mib() -> float:
    """Memory that is held now; where the system does not say, the most that was held [MiB]."""
    try:
        pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    except OSError:
        most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        return most / (2**20 if sys.platform == "darwin" else 2**10)
    return pages * resource.getpagesize() / 2**20


def written_fleet(folder: Path) -> Path:
    """Write a fleet of three aircraft whose flaps are tapped three times, with two finds."""
    fleet = Hand(folder)
    for k in range(3):
        fleet.aircraft(f"A{k}", entry=50 * k).panel(f"P{k}", f"A{k}", on=50 * k)
        fleet.clean(f"A{k}", *(day + 50 * k for day in LOOKS[: 3 - (k > 0)]))
    for k in (1, 2):
        fleet.find(f"A{k}", LOOKS[-1] + 50 * k, kind="moisture_disbond", at=(200 + 100 * k, 100))
    return fleet.write()


def soak(rounds: int, *, trace: bool = False) -> Soaked:
    """Load, decide, write and run again, so many times."""
    resident, given = [], []
    with tempfile.TemporaryDirectory() as folder:
        source, ask = written_fleet(Path(folder) / "fleet"), Path(folder) / "small.toml"
        ask.write_text(QUESTION, encoding="utf-8")
        question = read_question(ask).model_copy(update={"draws": FEWEST_DRAWS, "packages": ()})
        if trace:
            tracemalloc.start()
        start = time.process_time()
        for number in range(rounds):
            fleet = load_fleet(source)
            path = kit.write_decision(kit.recommend(fleet, question), Path(folder) / f"round{number % 2}")
            verdict = kit.rerun(path, fleet).verdict
            if verdict != "reproduced":
                raise RuntimeError(f"the re-run says {verdict}")
            path.unlink()
            del fleet
            gc.collect()
            resident.append(resident_mib())
            given.append(tracemalloc.get_traced_memory()[0] / 2**20 if trace else np.nan)
        seconds = time.process_time() - start
        if trace:
            tracemalloc.stop()
    return Soaked(np.array(resident), np.array(given), seconds)


def page(found: Soaked) -> str:
    """What came out, as a page."""
    n = found.resident.size
    rows = np.unique(np.linspace(0, n - 1, 11).astype(int))
    return "\n".join(
        [
            "# Deciding over and over",
            "",
            f"Made by `python tests/scale/soak.py {n} docs/soak.md`: {n:,} rounds in one process, in each of which a fleet of three aircraft is",
            f"loaded and checked, a question decided ({FEWEST_DRAWS} draws), its record written, read back and run again. Every re-run reproduced",
            f"its record. {found.seconds / n:.2f} s of processor time a round. The slope is that after the first fifth, in which pools and caches fill.",
            "",
            f"**Growth: {1024 * found.growth:+.1f} KiB a round.**",
            "",
            "| round | held by the process |",
            "| ---: | ---: |",
            *(f"| {at + 1:,} | {found.resident[at]:,.1f} MiB |" for at in rows),
            "",
        ]
    )


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("rounds", type=int)
    parser.add_argument(
        "page", type=Path, nargs="?", help="where the page goes; without it, to standard output"
    )
    asked = parser.parse_args()
    text = page(soak(asked.rounds))
    if asked.page is None:
        sys.stdout.write(text)
    else:
        replace_text(asked.page, text)
