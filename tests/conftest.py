"""Rules for all tests: markers ask for what they need; `wide` only on request; no bench of the person's leaks in."""

from __future__ import annotations

import copy
import gc
import hashlib
import os
import pickle
import signal
import sys

# As the command does: one thread for linear algebra, before numpy loads.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from collections.abc import Callable, Generator, Iterator
from typing import Any

import pytest
from hypothesis import settings
from tests_support import PROGRAMS_OF_MARKER, REQUIRE_ALL, require, require_for_marker

# Every generator is seeded: the same examples in each run. A search for new ones: --hypothesis-profile default.
settings.register_profile("seeded", derandomize=True)
settings.load_profile("seeded")

# What is compiled once is kept (git ignores it): three workers and some fifty processes would each do it again.
sys.dont_write_bytecode = False
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)


def _group_of(nodeid: str) -> str:
    """Return which tests stay together on one worker: those of a file share its fixtures.

    Tests on the audio path must not disturb each other: they are all one group.
    """
    file = nodeid.partition("::")[0]
    return "audio" if "audio" in file or "::TestSoundCard::" in nodeid else file


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> Any:
    """Hand out whole groups. (The marker xdist_group does nothing with pytest 9.2 and pytest-xdist 3.8.)"""
    from xdist.scheduler import LoadScopeScheduling

    class Groups(LoadScopeScheduling):
        def _split_scope(self, nodeid: str) -> str:
            return _group_of(nodeid)

    return Groups(config, log)


def pytest_sessionstart() -> None:
    """Thousands of tests are gathered and none is thrown away: looking for rubbish meanwhile takes a quarter of it."""
    gc.disable()


def pytest_collection_finish() -> None:
    """From here on rubbish is looked for again, but not among what was loaded and gathered."""
    gc.freeze()
    gc.enable()


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leave out tests marked `wide` unless `-m` names them; the audio path, which takes longest, starts first."""
    for item in items:
        if item.get_closest_marker("audio") is not None and _group_of(item.nodeid) != "audio":
            raise pytest.UsageError(f"{item.nodeid} is marked audio, but _group_of in tests/conftest.py can't see it")
    items.sort(key=lambda item: _group_of(item.nodeid) != "audio")
    if "wide" in (config.option.markexpr or ""):
        return
    wide = [item for item in items if item.get_closest_marker("wide") is not None]
    if wide:
        config.hook.pytest_deselected(items=wide)
        items[:] = [item for item in items if item.get_closest_marker("wide") is None]


def pytest_runtest_setup(item: pytest.Item) -> None:
    """Skip a marked test (or fail it, with AUDIOMEAS_REQUIRE_ALL=1) when a program it needs is missing."""
    for marker in PROGRAMS_OF_MARKER:
        if item.get_closest_marker(marker) is not None:
            require_for_marker(marker)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item, call: pytest.CallInfo[None]
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """With AUDIOMEAS_REQUIRE_ALL=1 every skip of a marked test is a failure, wherever it came from."""
    report = yield
    marked = any(item.get_closest_marker(marker) is not None for marker in PROGRAMS_OF_MARKER)
    if REQUIRE_ALL and marked and report.skipped and not hasattr(report, "wasxfail"):
        report.outcome = "failed"
        report.longrepr = f"skipped, but AUDIOMEAS_REQUIRE_ALL=1: {call.excinfo.value if call.excinfo else ''}"
    return report


@pytest.fixture(autouse=True)
def _no_bench_of_the_person(monkeypatch: pytest.MonkeyPatch) -> None:
    """A bench named in the person's environment must not take part in tests."""
    monkeypatch.delenv("AUDIOMEAS_BENCH", raising=False)


#: What a program does on these must be what it was, for the tests that come after in the same process.
_SIGNALS = [getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGTSTP") if hasattr(signal, name)]


@pytest.fixture(autouse=True)
def _signals_are_left_as_they_were() -> Iterator[None]:
    """Which tests share a process is left to chance: one that ignores signals from then on fails others at times."""
    former = {number: signal.getsignal(number) for number in _SIGNALS}
    yield
    moved = [number for number, handler in former.items() if signal.getsignal(number) != handler]
    for number in moved:
        signal.signal(number, former[number])
    assert not moved, f"the test left a handler of its own for {', '.join(signal.Signals(n).name for n in moved)}"


@pytest.fixture(autouse=True, scope="session")
def _first_looks_that_repeat_are_read_once() -> Iterator[None]:
    """A third of most tests on the simulated bench is reading a first look, of samples that others have had as well.

    What reads them is a pure function: for the same samples, bit for bit, its first answer is given again.
    """
    module = sys.modules.get("audiomeas.measurement.first_look")  # all tests are gathered: who needs it has loaded it
    if module is None:
        yield
        return
    read, known = module.gains_over_frequency, dict[bytes, Any]()

    def once(*given: Any, **named: Any) -> Any:
        key = hashlib.blake2b(pickle.dumps((given, named))).digest()
        if key not in known:
            known[key] = read(*given, **named)
        return copy.deepcopy(known[key])

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(module, "gains_over_frequency", once)
        yield


#: These ask whether the simulated bench does the same again, or what it costs: it must not be remembered there.
_SIMULATED_EACH_TIME = ("test_interface_contract", "test_interface_simulated", "test_resources", "test_soak")


@pytest.fixture(autouse=True, scope="module")
def _what_the_simulated_bench_repeats_is_made_once(request: pytest.FixtureRequest) -> Iterator[None]:
    """Half of most tests on the simulated bench is physics on samples that others have sent through it as well."""
    if request.path.stem in _SIMULATED_EACH_TIME:
        yield
        return
    from remembered import RememberedPath

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("audiomeas.interface.simulated.SignalPath", RememberedPath)
        yield


@pytest.fixture
def need() -> Callable[[str], str]:
    """`need("ngspice")` returns the program's path; skips (or fails, when all is required) where it is missing."""
    return require
