"""How long each `--help` takes, against twice a bare `import click` plus 0.1 s (issue 1). Run by hand:

python tests/benchmarks/bench_help.py
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import time

HELPS = [
    ["--help"],
    ["demo"],
    ["devices"],
    ["bench", "show"],
    ["measure"],
    ["measure", "distortion"],
    ["measure", "response"],
    ["analyze", "distortion"],
    ["generate", "sweep"],
    ["run"],
    ["chart"],
    ["report"],
]


def seconds(command: list[str], repeats: int = 7) -> float:
    """Return the median time of a command."""
    taken = []
    for _ in range(repeats):
        begin = time.perf_counter()
        subprocess.run(command, capture_output=True, check=True)
        taken.append(time.perf_counter() - begin)
    return statistics.median(taken)


def main() -> None:
    """Print a line a command."""
    bare = seconds([sys.executable, "-c", "import click"])
    allowed = 2 * bare + 0.1
    print(f"import click {bare:.3f} s; allowed {allowed:.3f} s")
    for arguments in HELPS:
        words = arguments if arguments == ["--help"] else [*arguments, "--help"]
        taken = seconds([sys.executable, "-m", "audiomeas", *words])
        judged = "within" if taken < allowed else "BEYOND"
        print(f"{judged}  {taken:.3f} s  ratio to bare {taken / bare:.2f}  audiomeas {' '.join(words)}")


if __name__ == "__main__":
    main()
