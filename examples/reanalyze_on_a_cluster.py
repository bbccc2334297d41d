"""Analyse an archive again on a cluster: any scheduler will do that offers an executor as Python's own library does.

    pip install distributed
    python reanalyze_on_a_cluster.py records                       # two processes on this machine
    python reanalyze_on_a_cluster.py records tcp://host:8786       # a scheduler that is running already

The cluster's machines must see the records under the same path, and have the same version of audiomeas.
"""

from __future__ import annotations

import sys

from distributed import Client

import audiomeas


def main(records: str = "records", scheduler: str | None = None) -> int:
    client = Client(scheduler) if scheduler else Client(n_workers=2, threads_per_worker=1, dashboard_address=None)
    with client, client.get_executor() as executor:
        found = audiomeas.reanalyze(records, executor=executor, say=print)
    for step in found.steps:
        for moved in step.moved:
            print(f"{step.visit}, {step.step}: {moved.where}: {moved.before}, now {moved.after}")
    print(", ".join(f"{number} {outcome}" for outcome, number in found.counts.items()))
    return 0 if found.proven else 2


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))
