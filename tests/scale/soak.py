"""Decide and re-run over and over: does the process grow?

Run as ``python tests/scale/soak.py 1000`` (about 10 seconds of processor time a round with the demo's radome question and 64 draws);
prints the resident memory each tenth of the way and the growth per round after the first fifth, in which pools and caches fill.
"""

from __future__ import annotations

import argparse
import gc
import resource
import sys
import tempfile
from pathlib import Path

import numpy as np

import kit
from kit.findings import load_fleet
from kit.intervals import read_question

DEMO = Path(__file__).parents[2] / "demo_fleet"


def resident_mib() -> float:
    """Memory that is held now; where the system does not say, the most that was held [MiB]."""
    try:
        pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    except OSError:
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / (
            2**20 if sys.platform == "darwin" else 2**10
        )
    return pages * resource.getpagesize() / 2**20


def soak(rounds: int, *, draws: int = 64, question: str = "radome") -> np.ndarray:
    """Resident memory after each round of deciding, writing and running again [MiB]."""
    held = []
    ask = read_question(DEMO / "questions" / f"{question}.toml").model_copy(update={"draws": draws})
    with tempfile.TemporaryDirectory() as aside:
        fleet = load_fleet(DEMO, set_aside=Path(aside) / "aside.csv")
    for _ in range(rounds):
        with tempfile.TemporaryDirectory() as folder:
            path = kit.write_decision(kit.recommend(fleet, ask), folder)
            verdict = kit.rerun(path, fleet).verdict
        if verdict != "reproduced":
            raise RuntimeError(f"the re-run says {verdict}")
        gc.collect()
        held.append(resident_mib())
    return np.array(held)


def growth(held: np.ndarray) -> float:
    """Slope of the memory after the first fifth of the rounds [MiB a round]."""
    later = held[max(1, held.size // 5) :]
    return float(np.polyfit(np.arange(later.size), later, 1)[0])


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("rounds", type=int)
    held = soak(parser.parse_args().rounds)
    for at in np.unique(np.linspace(0, held.size - 1, 11).astype(int)):
        sys.stdout.write(f"round {at + 1:5d}: {held[at]:8.1f} MiB\n")
    sys.stdout.write(f"growth after the first fifth: {growth(held):.3f} MiB a round\n")
