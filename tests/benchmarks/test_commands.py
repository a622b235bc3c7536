"""What a command costs from a cold start, in a process of its own.

Left out of the normal suite; run with::

    pytest tests/benchmarks/test_commands.py --benchmark-only -n0 -s -p no:cacheprovider

No time is asserted: machines differ.
"""

import resource
import shutil
import subprocess
import sys
import time

import pytest
from support import DEMO

COMMANDS = {
    "import kit": ["-c", "import kit"],
    "import numpy, pandas, scipy": ["-c", "import numpy, pandas, scipy.special, scipy.optimize"],
    "one question": ["-m", "kit", "decide", "fleet", "--question", "fleet/questions/flap.toml"],
    "all questions": ["-m", "kit", "decide", "fleet"],
}


@pytest.mark.parametrize("name", list(COMMANDS))
def test_a_cold_command(benchmark, tmp_path, name):
    if "decide" in COMMANDS[name]:
        shutil.copytree(
            DEMO, tmp_path / "fleet", ignore=shutil.ignore_patterns("decisions", "truth", "set_aside")
        )

    def run() -> dict[str, float]:
        before, start = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
        done = subprocess.run(
            [sys.executable, *COMMANDS[name]], cwd=tmp_path, capture_output=True, text=True, check=False
        )
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        assert done.returncode == 0, done.stderr
        spent = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
        return {"seconds": time.perf_counter() - start, "processor_seconds": spent}

    figures: dict[str, float] = {}
    benchmark.pedantic(lambda: figures.update(run()), rounds=1)
    benchmark.extra_info.update(figures)
