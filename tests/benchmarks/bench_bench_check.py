"""How long a whole `bench check` takes on a real audio path at each rate, against the 15 s allowed (issue 5). By hand:

python tests/benchmarks/bench_bench_check.py
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from audio_path import jack_server, unit_in_loop
from test_session_audio import bench_on

from audiomeas.bench.opened import open_bench_file
from audiomeas.measurement.bench_check import check_bench
from audiomeas.measurement.session import Session

ALLOWED_S = 15.0


def main() -> None:
    """Print a line a rate."""
    for rate_hz in (48_000, 96_000, 192_000):
        with tempfile.TemporaryDirectory() as folder, jack_server(rate_hz) as server, unit_in_loop(server):
            path = bench_on(Path(folder), rate_hz)
            begin = time.perf_counter()
            with Session(open_bench_file(path)) as session:
                report = check_bench(session, connected="cable")
            taken = time.perf_counter() - begin
        (drift,) = [finding.text for finding in report.findings if finding.check == "drift"] or ["drift not reached"]
        retried = any("next try" in finding.text for finding in report.findings)
        again = "; a capture was taken twice (busy machine)" if retried else ""
        print(f"{'within' if taken < ALLOWED_S else 'BEYOND'}  {taken:.1f} s at {rate_hz} Hz; {drift}{again}")


if __name__ == "__main__":
    main()
