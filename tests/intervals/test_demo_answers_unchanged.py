"""The demo's answers, kept so that a change of the code that should change no answer can be seen to change none.

After a change that should, run this file as a program: it writes them anew, to be looked at in the difference.
"""

import json
import tempfile
from pathlib import Path

import pytest
from support import DEMO

import kit

KEPT = Path(__file__).parents[1] / "data" / "demo_answers.json"
QUESTIONS = sorted(path.stem for path in (DEMO / "questions").glob("*.toml"))
AT_ONCE = ("D-07", "elevator", "flap", "radome")
"""Questions of the fast suite; the others are answered in the long one."""


def numbers(answer):
    return {
        "threshold": answer.threshold,
        "repeat": answer.repeat,
        "governed_by": answer.governed_by,
        "rules": {rule.rule: rule.interval for rule in answer.rules},
        "risk": {name: list(values) for name, values in answer.risk.items()},
    }


@pytest.mark.parametrize(
    "name", [name if name in AT_ONCE else pytest.param(name, marks=pytest.mark.long) for name in QUESTIONS]
)
def test_answer_of_the_demo_unchanged(demo_evidence, name):
    kept = json.loads(KEPT.read_text(encoding="utf-8"))
    assert sorted(kept) == QUESTIONS
    now = numbers(kit.recommend(demo_evidence, DEMO / "questions" / f"{name}.toml"))
    assert now["governed_by"] == kept[name]["governed_by"]
    for part in ("rules", "risk"):
        assert sorted(now[part]) == sorted(kept[name][part])
        for key, value in kept[name][part].items():
            assert now[part][key] == near(value), f"{part} {key}"
    for key in ("threshold", "repeat"):
        assert now[key] == near(kept[name][key])


def near(value):
    return None if value is None else pytest.approx(value, rel=1e-6, abs=1e-12)


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as folder:
        evidence = kit.Evidence(kit.load_fleet(DEMO, set_aside=Path(folder) / "rejected_rows.csv"))
    out = {name: numbers(kit.recommend(evidence, DEMO / "questions" / f"{name}.toml")) for name in QUESTIONS}
    KEPT.write_text(json.dumps(out, indent=1) + "\n", encoding="utf-8")
