"""Decide, write and re-run over and over: does the process grow?

Run as ``python tests/scale/soak.py 1000 docs/soak.md``: a question is decided on a fleet of a few aircraft, its record written, read back
and run again, round after round, as a session that stays open does it: the fleet is loaded and checked anew each tenth round. What the
process holds, and what Python itself has given out, is read after each round; the growth is the slope after the first fifth, in which
pools and caches fill. The page says it, and a growth above `BOUND` ends with exit 1.
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
from kit.intervals.evidence import Evidence

FEWEST_DRAWS = 50
LOOKS = (800, 1600, 2400)
ROUNDS_A_LOAD = 10
BOUND = 4.0
"""Growth that passes [KiB a round]: a record that stayed would be 30, a fleet or an answer hundreds."""


@dataclass(frozen=True)
class Soaked:
    """What was held after each round."""

    resident: np.ndarray
    """Memory of the process [MiB]."""
    given: np.ndarray
    """Of that what Python has given out, where it was traced; else nan [MiB]."""
    seconds: float
    """Processor time of all rounds [s]."""

    rounds_a_load: int = 1
    """Rounds that share a fleet."""

    @property
    def growth(self) -> float:
        """Slope of the resident memory after the first fifth of the rounds [MiB a round].

        Of the means over the rounds of one fleet: what a fleet keeps of its questions goes with it.
        """
        n = self.rounds_a_load
        whole = self.resident[: self.resident.size // n * n].reshape(-1, n).mean(axis=1)
        return slope(whole) / n

    @property
    def holds(self) -> bool:
        """Whether the growth keeps to `BOUND`."""
        return 1024 * self.growth <= BOUND


def slope(held: np.ndarray) -> float:
    """Slope after the first fifth [MiB a step]."""
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


def soak(rounds: int, *, rounds_a_load: int = ROUNDS_A_LOAD, trace: bool = False) -> Soaked:
    """Decide, write and run again, so many times, on a fleet that is loaded anew every so many rounds."""
    resident, given = [], []
    with tempfile.TemporaryDirectory() as folder:
        source, ask = written_fleet(Path(folder) / "fleet"), Path(folder) / "small.toml"
        ask.write_text(QUESTION, encoding="utf-8")
        day = load_fleet(source).cut_off.date()
        few = {"draws": FEWEST_DRAWS, "packages": (), "known_on": day}
        question = read_question(ask).model_copy(update=few)
        if trace:
            tracemalloc.start()
        gc.collect()
        gc.freeze()  # modules and the like: each collection below would walk through them
        start = time.process_time()
        evidence = None
        for number in range(rounds):
            if number % rounds_a_load == 0:
                evidence = Evidence(load_fleet(source))
            path = kit.write_decision(kit.recommend(evidence, question), Path(folder) / f"round{number % 2}")
            verdict = kit.rerun(path, evidence, with_curves=False).verdict
            if verdict != "reproduced":
                raise RuntimeError(f"the re-run says {verdict}")
            path.unlink()
            gc.collect()
            resident.append(resident_mib())
            given.append(tracemalloc.get_traced_memory()[0] / 2**20 if trace else np.nan)
        seconds = time.process_time() - start
        gc.unfreeze()
        if trace:
            tracemalloc.stop()
    return Soaked(np.array(resident), np.array(given), seconds, rounds_a_load)


def page(found: Soaked) -> str:
    """What came out, as a page."""
    n = found.resident.size
    each = found.rounds_a_load
    rows = np.unique(np.linspace(1, n // each, 11).astype(int)) * each - 1
    return "\n".join(
        [
            "# Deciding over and over",
            "",
            f"Made by `python tests/scale/soak.py {n} docs/soak.md`: {n:,} rounds in one process, in each of which a question is decided on a",
            f"fleet of three aircraft ({FEWEST_DRAWS} draws), its record written, read back and run again; each {each}th round loads and checks the fleet",
            f"anew. Every re-run reproduced its record. {found.seconds / n:.2f} s of processor time a round. The slope is that after the first",
            "fifth, in which pools and caches fill.",
            "",
            f"**Growth: {1024 * found.growth:+.2f} KiB a round** (at most {BOUND:g} pass: {'kept to' if found.holds else 'NOT kept to'}).",
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
    result = soak(asked.rounds)
    text = page(result)
    if asked.page is None:
        sys.stdout.write(text)
    else:
        replace_text(asked.page, text)
    sys.exit(0 if result.holds else 1)
