"""Memory that a soak keeps. Truth: what the kernel says is resident (/proc/self/statm, proc(5)), in whole pages."""

from __future__ import annotations

import platform
import subprocess
import sys

import pytest

pytestmark = pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="only glibc has the setting")

#: An array of a spot measurement's size comes and goes; printed: MB that stay.
_COMES_AND_GOES = """
from audiomeas.cli.kept_memory import keep_freed_memory
if {kept}:
    assert keep_freed_memory()
def resident_mb():
    with open("/proc/self/statm") as statm:
        return int(statm.read().split()[1]) * 4096 / 2**20
before_mb = resident_mb()
array = bytearray(b"x") * (12 * 2**20)
del array
print(resident_mb() - before_mb)
"""


def stays_mb(*, kept):
    command = [sys.executable, "-c", _COMES_AND_GOES.format(kept=kept)]
    return float(subprocess.run(command, capture_output=True, text=True, check=True).stdout)


def test_what_was_freed_stays_and_is_given_back_without_the_setting():
    # 12 MB of array; half of it leaves room for what else the process takes and gives back.
    assert stays_mb(kept=True) > 6.0
    assert stays_mb(kept=False) < 6.0
