"""Every question ends, with an answer or a reason, whatever luck made the fleet."""

import signal
from contextlib import contextmanager

import numpy as np
import pandas as pd
import pytest
from support import DEMO

from kit.simulate.many_seeds import answers_of_seed, main, many_seeds, many_seeds_page

QUESTIONS = DEMO / "questions"
COLUMNS = ["seed", "question", "outcome", "threshold", "repeat", "governed_by", "seconds", "why"]
NAMES = sorted(path.stem for path in QUESTIONS.glob("*.toml"))
_LONGEST = (
    180  # seconds of the processor; answers take a few, so that this can only be a search without an end
)


@contextmanager
def an_end(seconds):
    """Raise where something does not come to an end; without alarms, as on Windows, it is left to run."""
    if not hasattr(signal, "SIGPROF"):
        yield
        return

    def stop(*_):
        raise TimeoutError(f"no end after {seconds} s of the processor")

    before = signal.signal(signal.SIGPROF, stop)
    signal.setitimer(signal.ITIMER_PROF, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
        signal.signal(signal.SIGPROF, before)


@pytest.mark.long
@pytest.mark.parametrize("seed", range(1, 31))
def test_questions_to_a_fleet_of_another_seed_end(seed):
    """Four of the questions in turn, to a fleet of ten aircraft; all, to fleets of full size, by the command."""
    some = [NAMES[(4 * seed + k) % len(NAMES)] for k in range(4)]
    with an_end(_LONGEST):
        table = answers_of_seed(seed, QUESTIONS, n_aircraft=10, names=some, draws=64)
    assert sorted(table["question"]) == sorted(some)
    assert (table.loc[table["outcome"] == "refused", "why"].str.len() > 40).all()


@pytest.mark.long
def test_the_gear_door_of_seed_202_is_answered():
    """Bounds of its scale run into shapes at which bends of the likelihood are not finite: the search had no end."""
    with an_end(_LONGEST):
        table = answers_of_seed(202, QUESTIONS, names=["gear_door"], draws=64)
    assert table["outcome"].tolist() == ["answered"]


def test_the_page_counts_outcomes_and_gives_the_reasons():
    rows = [
        (1, "flap", "answered", 5000.0, 2500.0, "risk", 1.0, ""),
        (2, "flap", "answered", 6000.0, 5000.0, "cap", 2.0, ""),
        (1, "radome", "refused", None, None, None, 0.5, "question radome: no finds"),
        (2, "radome", "no interval", None, None, "no answer", 0.5, ""),
    ]
    page = many_seeds_page(pd.DataFrame(rows, columns=COLUMNS), draws=64)
    assert "none without an end; each from 64 draws" in page
    assert "4 questions, 2 answered with an interval, 1 answered that no interval meets" in page
    assert "| flap | 2 | 0 | 0 | 5,000 to 6,000 | 2,500 to 5,000 | risk 1, cap 1 |" in page
    assert "| radome | 0 | 1 | 1 | – | – |  |" in page
    assert "- seed 1, radome: question radome: no finds" in page


def test_a_folder_without_questions_is_refused(tmp_path):
    with pytest.raises(ValueError, match="`questions` must be a folder of questions"):
        answers_of_seed(1, tmp_path)


def test_work_that_was_broken_off_goes_on_where_it_was(tmp_path, monkeypatch):
    """Seeds that stand in the kept table are not done again; one of other draws is refused."""
    asked = []

    def one(seed, questions, *, n_aircraft, draws):
        asked.append(seed)
        if seed == 3 and asked.count(3) == 1:
            raise KeyboardInterrupt
        row = (seed, "flap", "answered", 5000.0, np.nan, "risk", 1.0, "")
        return pd.DataFrame([row], columns=COLUMNS)

    monkeypatch.setattr("kit.simulate.many_seeds.answers_of_seed", one)
    kept = tmp_path / "kept.json"
    with pytest.raises(KeyboardInterrupt):
        many_seeds(QUESTIONS, range(1, 5), kept=kept)
    table = many_seeds(QUESTIONS, range(1, 5), kept=kept)
    assert asked == [1, 2, 3, 3, 4]
    assert table["seed"].tolist() == [1, 2, 3, 4]
    assert table["why"].tolist() == [""] * 4
    assert table["repeat"].isna().all()
    page = tmp_path / "kept.md"
    kept.rename(page.with_suffix(".kept.json"))
    main(str(QUESTIONS), str(page), "200", "1", "--so-far")
    assert "4 other seeds (1 to 4)" in page.read_text()
    assert page.with_suffix(".kept.json").rename(kept).exists()
    with pytest.raises(ValueError, match=r"to be gone on with\. Got .* 32 draws\. Delete it"):
        many_seeds(QUESTIONS, range(1, 5), draws=128, kept=kept)
